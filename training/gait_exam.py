"""An exam for the reading of gaits: drawn trails, or whole drawn clips, of the sourced frequencies.

    python -m training.gait_exam [--part PART] [--n N] [--workers W]

`trails`: drawn without pictures, 5 to 30 frames a second, about two periods of a leech's step long. `slow`:
what repeats, at intervals of half to one and a half of its own period: it must abstain. `clips`: frames drawn
with a shaken camera, followed by `pestvision.motion.chase`; `slow-clips` likewise; `stand`: clips from a stand, of
which somebody says so; `stand-unsaid`: the same of which nobody does; `wide`: trails of the habits that the model
was fitted on. Seeds from EXAM_SEED on were not looked at
while the reader was made; those of TUNE_SEED were.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.motion.gait import read_gait
from pestvision.motion.trail import CREEP, GAITS, GLIDE, STEPS, STILL, THRASH
from training.gait_clips import draw_clip, followed
from training.scenes.bursts import frame_times
from training.scenes.gaits import SOURCED, WIDE, Habits
from training.scenes.trails import GAIT_OF_DRAWN, draw_trail

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pestvision.motion.trail import Trail
    from training.scenes.records import DrawnBurst

TUNE_SEED, EXAM_SEED = 7_500_000, 7_900_000
N_TRAILS = 200  # of each gait
BAR_GAITS = (STEPS, GLIDE, THRASH, CREEP, STILL)
"""The gaits of which the balanced accuracy is asked."""
FRAMES_PER_S = (5.0, 30.0)
PERIODS = (2.0, 2.6)  # of a leech's step: how long a clip is
SLOW = (0.5, 1.5)  # of its own period: the interval of what is sampled too slowly
SLOW_FRAMES = (8, 30)
LIVELY = replace(
    SOURCED,
    loop=replace(SOURCED.loop, unevenness=0.1, turn_deg=20.0),
    scrunch=replace(SOURCED.scrunch, unevenness=0.05, turn_deg=15.0),
)
"""The sourced habits, with steps that are not all alike."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What was drawn, and what was read of it: `told` is a gait, or None."""

    drawn: str
    wanted: str | None
    told: str | None
    reasons: tuple[str, ...]
    seed: int


def answer_trail(job: tuple[str, int, bool]) -> Answer:
    """Draw one trail and read it; `job`: drawn gait, seed, whether habits are wide."""
    drawn, seed, is_wide = job
    rng = np.random.default_rng(seed)
    habits: Habits = WIDE if is_wide else LIVELY
    interval = 1.0 / float(rng.uniform(*FRAMES_PER_S))
    seconds = float(rng.uniform(*PERIODS)) * float(rng.uniform(*SOURCED.loop.period_s))
    times = frame_times(
        rng, int(seconds / interval), interval, unevenness=float(rng.choice([0, 0.1, 0.3]))
    )
    made = draw_trail(rng, drawn, times, habits=habits, length_px=float(rng.uniform(40, 150)))
    read = read_gait(made.trail)
    return Answer(drawn, made.gait, read.gait, read.reasons, seed)


def answer_slow(job: tuple[str, int, bool]) -> Answer:
    """Draw one trail of what repeats, sampled too slowly, and read it."""
    drawn, seed, is_wide = job
    rng = np.random.default_rng(seed)
    habits: Habits = WIDE if is_wide else LIVELY
    # The period is the animal's first draw: drawn once to know it, then again at its times.
    first = draw_trail(np.random.default_rng(seed), drawn, [0.0, 0.1, 0.2], habits=habits)
    period = first.period_s or 1.0
    interval = period * float(rng.uniform(*SLOW))
    times = frame_times(rng, int(rng.integers(*SLOW_FRAMES)), interval)
    made = draw_trail(np.random.default_rng(seed), drawn, times, habits=habits)
    read = read_gait(made.trail)
    return Answer(drawn, None, read.gait, read.reasons, seed)


NOT_FOLLOWED = "not followed"


def draw_exam_clip(drawn: str, seed: int, *, is_wide: bool, on_a_stand: bool = False) -> DrawnBurst:
    """Draw a clip of one gait, about two periods of a leech's step long."""
    rng = np.random.default_rng(seed)
    habits: Habits = WIDE if is_wide else LIVELY
    interval = 1.0 / float(rng.uniform(*FRAMES_PER_S))
    seconds = float(rng.uniform(*PERIODS)) * float(rng.uniform(*SOURCED.loop.period_s))
    return draw_clip(
        rng, drawn, interval_s=interval, seconds=seconds, habits=habits, on_a_stand=on_a_stand
    )


def answer_clip(job: tuple[str, int, bool]) -> Answer:
    """Draw one whole clip, follow its animal and read it."""
    drawn, seed, is_wide = job
    return _read_clip(drawn, seed, followed(draw_exam_clip(drawn, seed, is_wide=is_wide)))


def answer_from_a_stand(job: tuple[str, int, bool], *, is_said: bool) -> Answer:
    """Draw one whole clip from a stand, follow its animal and read it; `is_said`: whether somebody says so."""
    drawn, seed, is_wide = job
    burst = draw_exam_clip(drawn, seed, is_wide=is_wide, on_a_stand=True)
    return _read_clip(drawn, seed, followed(burst, on_a_stand=is_said))


def _read_clip(drawn: str, seed: int, trail: Trail | None) -> Answer:
    wanted = GAIT_OF_DRAWN[drawn]
    if trail is None:
        return Answer(drawn, wanted, None, (NOT_FOLLOWED,), seed)
    read = read_gait(trail)
    return Answer(drawn, wanted, read.gait, read.reasons, seed)


def answer_slow_clip(job: tuple[str, int, bool]) -> Answer:
    """Draw one whole clip of what repeats, sampled too slowly, follow its animal and read it."""
    drawn, seed, _ = job
    rng = np.random.default_rng(seed)
    period = float(rng.uniform(*_PERIODS_S[drawn]))
    interval = period * float(rng.uniform(*SLOW))
    n = int(rng.integers(*SLOW_FRAMES))
    burst = draw_clip(rng, drawn, interval_s=interval, seconds=n * interval, habits=LIVELY)
    if burst.period_s is not None and interval < SLOW[0] * burst.period_s:
        return Answer(drawn, None, None, ("not too slow",), seed)
    trail = followed(burst)
    if trail is None:
        return Answer(drawn, None, None, (NOT_FOLLOWED,), seed)
    read = read_gait(trail)
    return Answer(drawn, None, read.gait, read.reasons, seed)


_PERIODS_S = {
    "loop": SOURCED.loop.period_s,
    "scrunch": SOURCED.scrunch.period_s,
    "wave": (1 / SOURCED.wave_hz[1], 1 / SOURCED.wave_hz[0]),
}


def run(
    answer: Callable[[tuple[str, int, bool]], Answer],
    drawn: Sequence[str],
    n: int,
    *,
    first_seed: int = EXAM_SEED,
    wide: bool = False,
    workers: int = 1,
) -> list[Answer]:
    """Set the exam: `n` of each drawn gait."""
    jobs = [
        (name, first_seed + 1000 * k + i, wide) for k, name in enumerate(drawn) for i in range(n)
    ]
    if workers == 1:
        return [answer(job) for job in jobs]
    # One thread each: the processes are enough.
    with ProcessPoolExecutor(workers, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        return list(pool.map(answer, jobs, chunksize=8))


@dataclass(frozen=True, slots=True)
class Marks:
    """Balanced accuracy of the answered, and with abstentions as errors; and the share that abstained."""

    of_answered: float
    of_all: float
    abstained: float


def marks_of(answers: Sequence[Answer], gaits: Sequence[str] = BAR_GAITS) -> Marks:
    """Mark the answers about some gaits, each gait counting the same."""
    answered: list[float] = []
    everything: list[float] = []
    none: list[float] = []
    for gait in gaits:
        told = [item.told for item in answers if item.wanted == gait]
        spoken = [name for name in told if name is not None]
        answered.append(float(np.mean([name == gait for name in spoken])) if spoken else 0.0)
        everything.append(float(np.mean([name == gait for name in told])))
        none.append(1 - len(spoken) / len(told))
    return Marks(float(np.mean(answered)), float(np.mean(everything)), float(np.mean(none)))


def table(answers: Sequence[Answer]) -> str:
    """Give a table: a row for each gait drawn, a column for each gait told."""
    short = [name[:9] for name in GAITS]
    lines = [f"{'drawn':9}" + "".join(f"{name:>10}" for name in (*short, "can't tell"))]
    for drawn in dict.fromkeys(item.drawn for item in answers):
        counts = Counter(item.told for item in answers if item.drawn == drawn)
        lines.append(f"{drawn:9}" + "".join(f"{counts[name]:10d}" for name in (*GAITS, None)))
    return "\n".join(lines)


REPEATING = ("loop", "scrunch", "wave")
PARTS: dict[str, tuple[Callable[[tuple[str, int, bool]], Answer], tuple[str, ...]]] = {
    "trails": (answer_trail, tuple(GAIT_OF_DRAWN)),
    "wide": (answer_trail, tuple(GAIT_OF_DRAWN)),
    "slow": (answer_slow, REPEATING),
    "clips": (answer_clip, tuple(GAIT_OF_DRAWN)),
    "stand": (partial(answer_from_a_stand, is_said=True), tuple(GAIT_OF_DRAWN)),
    "stand-unsaid": (partial(answer_from_a_stand, is_said=False), tuple(GAIT_OF_DRAWN)),
    "slow-clips": (answer_slow_clip, REPEATING),
}


def _in_words(part: str, answers: Sequence[Answer]) -> str:
    """Give the marks of a part in a line or a few."""
    lost = sum(item.reasons == (NOT_FOLLOWED,) for item in answers)
    if part.startswith("slow"):
        lines = []
        for name in REPEATING:
            mine = [item for item in answers if item.drawn == name]
            share = np.mean([item.told is None for item in mine])
            lines.append(f"{part} {name}: abstains in {share:.3f} of {len(mine)}")
        return "\n".join([*lines, f"{part}: {lost} of {len(answers)} not followed"])
    marks = marks_of(answers)
    return (
        f"{part}: balanced accuracy {marks.of_answered:.3f} of the answered, {marks.of_all:.3f} with "
        f"abstentions as errors; {marks.abstained:.3f} abstained; {lost} of {len(answers)} not followed"
    )


def main(arguments: list[str] | None = None) -> int:
    """Set the exam and print its tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=tuple(PARTS), action="append")
    parser.add_argument("--n", type=int, default=N_TRAILS)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seed", type=int, default=EXAM_SEED)
    parser.add_argument("--why", action="store_true", help="print the reasons of what is not right")
    options = parser.parse_args(arguments)
    rest = {"first_seed": options.seed, "workers": options.workers}
    for part in options.part or ("trails", "slow"):
        answer, drawn = PARTS[part]
        answers = run(answer, drawn, options.n, wide=part == "wide", **rest)
        answers = [item for item in answers if item.reasons != ("not too slow",)]
        print(_in_words(part, answers))
        print(table(answers))
        if options.why:
            for item in answers:
                if item.told != item.wanted:
                    print(item.seed, item.drawn, item.told, item.reasons)
    return 0


if __name__ == "__main__":
    sys.exit(main())
