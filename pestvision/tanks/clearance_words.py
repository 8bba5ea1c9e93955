"""The sentences about when a tank is clear. Each says no more than what was reckoned."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Mapping
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
BROODING_SEEN: Final = (
    "One that carried eggs or young was seen: a hidden brood is held to be more likely."
)
GUESSED: Final = (
    "All these chances",
    "guesses on the careful side, to be changed in the settings; nobody has measured them",
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
    were = "One was" if number == 1 else f"{number} were"
    return f"{were} seen on {day_words(last)}, and no clean look has followed."


def probability_sentence(
    p_clear: float, clear_at: float, *, n_clean: int, last: date | None
) -> str:
    """Say what the clean looks make probable."""
    since = "" if last is None else f" since {day_words(last)}"
    none = "the probability that none is there"
    if n_clean == 0:
        told = f"Without a clean look{since} {none} is {percent(p_clear)}"
    else:
        make = "makes" if n_clean == 1 else "make"
        told = f"{looks_words(n_clean)}{since} {make} {none} {percent(p_clear)}"
    if last is None:
        return f"{told}. Where none was ever seen, no more is said than that."
    return f"{told}; from {percent(clear_at)} on a tank is called probably clear."


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
    minutes, weeks = settings.usual_minutes, settings.hidden_weeks
    looks = f"a usual look takes {minutes:g} minutes, and half of it counts half"
    finding = (
        "with a chance of 4 to 70 % a usual look finds a given one, some harder to find than others; the "
        "finds in this tank narrow that down"
    )
    waiting = f"not before {settings.brooding_weeks:g} weeks after the last sighting"
    brood = (
        f"at the last sighting one sat unseen with a chance of {settings.hidden_brood:.3g}, or "
        f"{settings.hidden_brood_seen:.3g} where one with eggs or young was seen; its young cannot be found "
        f"for {weeks:g} weeks"
    )
    coming = (
        f"unnoticed with a chance of {settings.introduced_a_week:.3g} a week, with everything that is put "
        f"in {settings.introduced_by_addition:.3g}, after touching a tank that has them "
        f"{settings.there_exposed:.3g}; one in {1 / settings.hidden_brood:.2g} of those comes with a brood "
        "that hides"
    )
    let_be = f"died since, or was none, with a chance of {settings.gone_untaken:.3g}"
    before = f"some are there with a chance of {settings.there_unseen:.3g}"
    if not is_seen:
        return (
            ("Searching", looks),
            ("Finding", finding),
            ("Before any look", before),
            ("Coming in", coming),
            GUESSED,
        )
    return (
        ("Searching", looks),
        ("Finding", finding),
        ("Waiting", waiting),
        ("Hidden brood", brood),
        ("Coming in", coming),
        ("Seen and let be", let_be),
        GUESSED,
    )


def kept_sentence(number: int) -> str:
    """Say that some were seen and never taken out."""
    was = "was" if number == 1 else "were"
    return (
        f"{number} {was} seen and never taken out, and count as there still, until clean looks make it "
        "likelier that they died or were none."
    )


def untimed_sentence(number: int, usual_minutes: float) -> str:
    """Say that looks were not timed."""
    look = "look" if number == 1 else "looks"
    return f"Nobody timed {number} {look}; each counts as {usual_minutes:g} minutes."


def added_sentence(number: int) -> str:
    """Say that something was put in."""
    times = "once" if number == 1 else f"{number} times"
    return f"Something was put in since, {times}. Each may have brought some along."


def exposed_sentence(since: date) -> str:
    """Say that it touched a tank that has them."""
    return f"It touched a tank that has them: only looks after {day_words(since)} tell of that."


def course_sentence(
    plan: str, reached: date | None, *, today: date, clear_at: float, weeks: int
) -> str:
    """Say what a way of looking would come to."""
    if reached is None:
        return f"Looking {plan}: not within {weeks} weeks, even if every look is clean."
    if reached == today:
        return f"Looking {plan}: {percent(clear_at)} is reached today."
    return f"Looking {plan}: {percent(clear_at)} by {day_words(reached)}, if every look is clean."


def shorten_sentences(
    reached: Mapping[str, date | None], earliest: date | None, *, brooding_weeks: float
) -> tuple[str, ...]:
    """Say what would shorten it and what would not, from the day that each way of looking reaches it."""
    says = []
    days = [day for day in reached.values() if day is not None]
    if days and len(days) == len(reached) and len(set(days)) == 1:
        says.append("More looks would not bring the day nearer.")
    elif days:
        soonest = next(plan for plan, day in reached.items() if day == min(days))
        says.append(f"Longer looks and more of them shorten it: soonest by looking {soonest}.")
    elif reached:
        says.append("Longer looks and more of them shorten it, if not to within the weeks shown.")
    says.append(MEAN_NOTHING_MORE)
    if earliest is not None:
        says.append(
            f"Nothing shortens the {brooding_weeks:g} weeks from the last sighting to "
            f"{day_words(earliest)}."
        )
    says.append(IF_CLEAN)
    return tuple(says)
