"""The sentences about a gait: what speaks for it, or why it cannot be told and what would do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pestvision.motion.gait_weights import HELD_FAST as HELD
from pestvision.motion.trail import CREEP, GLIDE, HOP, LOOPS, STEPS, STILL, THRASH

if TYPE_CHECKING:
    from pestvision.motion.gait_features import Measured
    from pestvision.motion.trail import Trail

NAMES = {
    STEPS: "steps like an inchworm's",
    GLIDE: "gliding",
    LOOPS: "quick loops of an irritated flatworm",
    THRASH: "thrashing",
    CREEP: "creeping",
    HOP: "hopping",
    STILL: "keeping still",
    HELD: "holding on with one end",
}
"""Each gait in the words of a sentence."""

HELD_FAST = (
    "One end stays where it is throughout and the rest only sways or stretches, as a hydra does, "
    "or a leech that holds on and feels about: that is no way of getting along that could be told."
)
AFTER_IRRITANT = (
    "It lengthens and shortens in steps, but after an irritant flatworms loop much like leeches: "
    "that cannot be told apart now. Film it again when it has been left alone for a while."
)
NOT_STEADIED = (
    "Nothing but the animal shows clearly, so its own way can't be told from the camera's shake: film it "
    "with a corner, a plant or a mark in the picture, or from a stand, and say so."
)
TOO_FEW_HOPS = "It jumped only once; film it for longer."
WATCH_LONGER = "Film it for at least {seconds} with the camera held still."


def too_few_frames(trail: Trail, least: int) -> str:
    """Say that it was seen too seldom, or only at the edge."""
    n_seen = int(trail.seen.sum())
    n_whole = int((trail.seen & ~trail.at_edge).sum())
    if n_seen >= least:
        return (
            f"It touched the edge of the picture in all but {n_whole} frames, so that its length is "
            "not known; keep the whole animal in the picture."
        )
    frames = "frame" if n_seen == 1 else "frames"
    return (
        f"It was seen in {n_seen} {frames} only, and at least {least} are needed; "
        "film it for longer, or with more light."
    )


def too_slow(gait: str, interval_s: float, limit_s: float) -> str:
    """Say that the frames lie too far apart for a gait that repeats."""
    return (
        f"It may be {NAMES[gait]}, but that can't be told from this: the frames are "
        f"{_seconds(interval_s)} apart, and more than {_seconds(limit_s)} (half of one cycle) hides "
        "how it goes between them. Film it, or take photos closer together."
    )


def hidden(interval_s: float, period_s: float) -> str:
    """Say that a cycle may hide between frames on which all looks steady."""
    return (
        f"How it goes can't be told from this: with frames {_seconds(interval_s)} apart, an animal that "
        f"moves in cycles of {_seconds(period_s)} would look as steady as this one. Film it, or take "
        "photos closer together."
    )


def too_short(gait: str, seen_s: float, least_s: float) -> str:
    """Say that it was not seen for long enough."""
    if gait == STILL:
        return (
            f"It did not move, but {_seconds(seen_s)} are too short to tell a leech at rest, which takes "
            "4 to 6 seconds for one step, from a thing that never moves. "
            + WATCH_LONGER.format(seconds=_at_least(least_s))
        )
    return (
        f"It looks like {NAMES[gait]}, but {_seconds(seen_s)} are too short to be sure. "
        + WATCH_LONGER.format(seconds=_at_least(least_s))
    )


def too_shaky(jitter_px: float, length_px: float) -> str:
    """Say that the camera's shake hides what little the animal moves."""
    return (
        f"What is left of the camera's shake (about {jitter_px:.1f} pixels, the animal being "
        f"{length_px:.0f} long) is as large as its own motion. Rest the camera on something."
    )


def between(one: str, other: str) -> str:
    """Say that two gaits fit."""
    return (
        f"It can't be told from this whether it is {NAMES[one]} or {NAMES[other]}. "
        "Film it closer, for longer, or with more frames a second."
    )


def no_whole_step(measured: Measured) -> str:
    """Say that the length comes and goes, but no step was seen."""
    if not measured.n_cycles:
        return (
            "Its length changes, but no whole step (longer, then shorter again) was seen. "
            + WATCH_LONGER.format(seconds="10 seconds")
        )
    return (
        f"It grew longer and shorter {_times(measured.n_cycles)}, but in {measured.n_steps} of these only "
        "one end was held, then the other: too few to call it steps."
    )


def not_steady(measured: Measured) -> str:
    """Say that it goes along, but not at a steady length."""
    return (
        f"It goes along, but its length comes and goes (the longest is {measured.length_ratio:.1f} times the "
        "shortest) in no rhythm that these frames show. Film it closer, or with more frames a second."
    )


def reasons_for(gait: str, measured: Measured, mm_per_px: float | None) -> tuple[str, ...]:
    """Say what speaks for a gait."""
    how_fast = _speed(measured.speed, measured.length_px, mm_per_px)
    if gait in {STEPS, LOOPS}:
        of = "step" if measured.n_cycles == 1 else "steps"
        period = "" if measured.period_s is None else f", one every {_seconds(measured.period_s)}"
        first = f"{measured.n_steps} of {measured.n_cycles} {of} with one end held{period}."
        ratio = (
            f"It was {measured.length_ratio:.1f} times as long at its longest as at its shortest."
        )
        return (first, ratio) if gait == STEPS else (first, ratio, *_slower(measured))
    if gait == GLIDE:
        return (_of_a_glide(measured, how_fast),)
    if gait == CREEP:
        return (f"It went along slowly, {how_fast}, with its outline steady.",)
    if gait == THRASH:
        often = "" if measured.bend_hz is None else f", about {measured.bend_hz:.1f} times a second"
        return (f"Its whole body bends to and fro{often}, and no end is held.",)
    if gait == HOP:
        return (f"It jumped {_times(measured.hops)} with rests between.",)
    return (
        (
            f"In {_seconds(measured.duration_s)} it moved no more than the outline trembles "
            f"({measured.jitter_px:.1f} pixels)."
        ),
    )


STEADY_RATIO = 1.3  # longest over shortest up to which a length is called steady
SLIDES = (
    "Its body slides along its own line at {speed}. The longest it looked is {ratio:.1f} times the shortest, "
    "but no end was held while the other went on."
)


def _of_a_glide(measured: Measured, how_fast: str) -> str:
    if measured.length_ratio > STEADY_RATIO:
        return SLIDES.format(speed=how_fast, ratio=measured.length_ratio)
    return (
        f"It went along at {how_fast} with its length steady (within {_per_cent(measured)}) and both "
        "ends moving together."
    )


def what_was_seen(measured: Measured, mm_per_px: float | None) -> tuple[str, ...]:
    """Say what the frames do show where no gait can be told."""
    came = measured.net_speed * measured.duration_s
    gone = f"In {_seconds(measured.duration_s)} its middle went {came:.1f} of its lengths"
    if mm_per_px is not None:
        gone += f" ({came * measured.length_px * mm_per_px:.0f} mm)"
    return (f"{gone}; the longest it was is {measured.length_ratio:.1f} times the shortest.",)


def of_a_pair(
    apart_s: float, gone_px: float, ratio: float | None, *, jitter_px: float
) -> tuple[str, ...]:
    """Say what two photos show."""
    if gone_px > 3.0 * jitter_px:
        moved = f"It moved {gone_px:.0f} pixels, in a straight line, in {_seconds(apart_s)}."
    else:
        moved = f"It was at the same place {_seconds(apart_s)} later."
    length = () if ratio is None else (f"Its length changed by a factor of {ratio:.1f}.",)
    why = "Two photos never tell how it goes: for steps or gliding, film it or take a burst."
    return (moved, *length, why)


def _slower(measured: Measured) -> tuple[str, ...]:
    share = measured.lengthening_share
    if share is None or share <= 0.5:
        return ()
    return (f"It lengthens more slowly ({share:.0%} of the time) than it shortens.",)


def _speed(lengths_s: float, length_px: float, mm_per_px: float | None) -> str:
    words = f"{lengths_s:.2f} of its lengths a second"
    if mm_per_px is None:
        return words
    return f"{words} ({lengths_s * length_px * mm_per_px:.1f} mm a second)"


def _per_cent(measured: Measured) -> str:
    return f"{max(1, round(50 * (measured.length_ratio - 1)))} %"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _at_least(seconds: float) -> str:
    return f"{max(2, round(seconds + 0.5))} seconds"


def _seconds(seconds: float) -> str:
    if seconds >= 20:
        return f"{seconds:.0f} s"
    return f"{seconds:.1f} s" if seconds >= 0.95 else f"{seconds:.2f} s"
