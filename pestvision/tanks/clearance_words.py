"""The sentences about when a tank is clear. Each says no more than what was reckoned."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from datetime import date

    from pestvision.settings import TankSettings
    from pestvision.tanks.catchability import Detection
    from pestvision.tanks.presence import Presence

CAUTION: Final = "A probability under these assumptions, not a guarantee."
WHY_WAIT: Final = (
    "Young hide under their parent for up to 5 or 6 weeks, where no look finds them (Helobdella europaea, "
    "after Govedich 2004); the rest is a margin. No published standard says how long to wait."
)
STARVING: Final = (
    "It stands empty. No published starvation time exists for snail leeches. They also eat worms and midge "
    "larvae, so that a tank without snails is not one without food, and a relative lived 163 days on one "
    "meal (Placobdelloides siamensis). How long it has been empty does not tell that it is clear."
)
EMPTY_LOOKS: Final = "Where nothing draws them out, a clean look proves little: no number is given."
MEAN_NOTHING_MORE: Final = (
    "A second means, such as a bait trap beside the torch, reaches some that never come to the glass. How "
    "many has not been measured, so it is reckoned as one more look and no more."
)
IF_CLEAN: Final = "All of it holds only while every look stays clean: a find begins it anew."


def day_words(day: date) -> str:
    """Give a day as people write it: 3 March 2026."""
    return f"{day.day} {day:%B %Y}"


def percent(share: float) -> str:
    """Give a probability in whole percent, never rounded up to one that was not reached."""
    if share > 0.99:
        return "over 99 %"
    if 0 < share < 0.01:
        return "under 1 %"
    return f"{math.floor(share * 100 + 1e-9)} %"


def looks_words(number: int) -> str:
    """Give a number of clean looks in words."""
    return f"{number} clean look" + ("" if number == 1 else "s")


def wait_sentence(last: date, earliest: date, weeks: float) -> str:
    """Say why no word can come before a day."""
    return (
        f"Last seen on {day_words(last)}. Before {day_words(earliest)}, {weeks:g} weeks later, it cannot "
        f"be called clear. {WHY_WAIT}"
    )


def seen_sentence(last: date, number: int) -> str:
    """Say what was seen last, where no clean look has followed."""
    were = "one was" if number == 1 else f"{number} were"
    return f"On {day_words(last)} {were} seen, and no clean look has followed."


def probability_sentence(
    p_clear: float, clear_at: float, *, n_clean: int, last: date | None
) -> str:
    """Say what the clean looks make probable."""
    since = f" since {day_words(last)}" if last is not None else ""
    if n_clean == 0:
        return f"Without a clean look{since}, the probability that none is there is {percent(p_clear)}."
    make = "makes" if n_clean == 1 else "make"
    return (
        f"{looks_words(n_clean)}{since} {make} the probability that none is there {percent(p_clear)}; "
        f"from {percent(clear_at)} on a tank is called probably clear."
    )


def doubt_sentence(presence: Presence, *, is_seen: bool) -> str:
    """Say what most of the doubt is about."""
    doubts = {
        "some that hardly ever show themselves": float(presence.left_over[0]),
        "a brood that hides under its parent": float(presence.brood[0]),
        ("something that came in since" if is_seen else "some that no look has met so far"): float(
            presence.came_in[0]
        ),
    }
    what, chance = max(doubts.items(), key=lambda item: item[1])
    return f"Most of the doubt is about {what}: {percent(chance)}."


def detection_sentence(detection: Detection, *, is_seen: bool) -> str:
    """Say how well a usual look finds, and how far that is known."""
    spread = f"{percent(detection.low)} to {percent(detection.high)}"
    if not is_seen:
        return (
            "None was ever found here, so that nobody knows how well a look finds one. A usual look is "
            f"taken to find a given one with a chance of {spread}."
        )
    return (
        f"By the finds so far a usual look finds a given one with a chance of about "
        f"{percent(detection.mean)} ({spread}). Some are harder to find than others."
    )


def assumption_words(settings: TankSettings, *, is_seen: bool) -> tuple[tuple[str, str], ...]:
    """Name what is taken for granted, each with its value."""
    assumed = [
        (
            "Searching",
            f"a usual look takes {settings.usual_minutes:g} minutes; half of it counts half",
        ),
        ("Waiting", f"not before {settings.brooding_weeks:g} weeks after the last sighting"),
        (
            "Hidden brood",
            f"at the last sighting one sits unseen with a chance of {settings.hidden_brood:.3g}, "
            f"{settings.hidden_brood_seen:.3g} where one with eggs or young was seen; its young cannot be "
            f"found for {settings.hidden_weeks:g} weeks",
        ),
        (
            "Coming in",
            f"unnoticed {settings.introduced_a_week:.3g} a week, and {settings.introduced_by_addition:.3g} "
            f"with everything that was put in",
        ),
        (
            "Seen and let be",
            f"died since, or was none: {settings.gone_untaken:.3g}",
        ),
    ]
    if not is_seen:
        assumed = [assumed[0], *assumed[2:4]]
    before = f"{settings.there_unseen:.3g}, or {settings.there_exposed:.3g} where it touched one that has them"
    assumed.append(("Before any look", f"some are in a tank in which none was seen: {before}"))
    return tuple(assumed)
