"""Draw whole clips, follow the animal of each, and keep what is measured of its trail: to fit the reader of gaits.

    python -m training.gait_followed [--n N] [--workers W] [--seed S] [--sourced] [--out FILE]

Trails drawn without pictures have drawn flaws; those that the program followed have its own. Habits are
`WIDE`, or with `--sourced` those of the literature. What is sampled too slowly, or shows no whole step, is
left out, as in `training.gait_fit`; so is what held on with an end and was followed so badly that no end of
its trail does. Seeds are used for no exam.
"""

from __future__ import annotations

import argparse
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.motion.gait import holds_nowhere
from pestvision.motion.gait_features import FEATURES, measure
from pestvision.motion.gait_weights import HELD_FAST, OUTCOMES
from training.gait_clips import followed, looked_at
from training.gait_exam import draw_exam_clip
from training.scenes.trails import GAIT_OF_DRAWN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64

FOLLOWED_SEED = 7_200_000
N_CLIPS = 40  # of each drawn gait
SLOWEST_SHARE = 0.4  # of a cycle, between frames
STEP_LEAST_CYCLES = 1.3  # of a stepping gait: less of it shows no step
OUT = Path("runs/gait/followed.jsonl")


@dataclass(frozen=True, slots=True)
class FollowedCase:
    """What was drawn, with which seed, its outcome of `OUTCOMES`, and what was measured of it."""

    drawn: str
    seed: int
    outcome: str
    values: tuple[float, ...]


def followed_case(job: tuple[str, int, bool]) -> FollowedCase | None:
    """Draw a clip and follow it; None where no trail lies on the animal, or it shows too little.

    `job`: drawn gait, seed, whether habits are wide.
    """
    drawn, seed, is_wide = job
    burst = draw_exam_clip(drawn, seed, is_wide=is_wide)
    times = [frame.time_s for frame in looked_at(burst)]
    if len(times) < 2:  # it was drawn leaving the picture at once
        return None
    if not shows_enough(drawn, float(np.median(np.diff(times))), times[-1], burst.period_s):
        return None
    trail = followed(burst)
    measured = None if trail is None or not trail.is_steadied else measure(trail)
    outcome = GAIT_OF_DRAWN[drawn] or HELD_FAST
    if trail is None or measured is None or (outcome == HELD_FAST and holds_nowhere(trail)):
        return None
    return FollowedCase(drawn, seed, outcome, tuple(float(value) for value in measured.values))


def shows_enough(drawn: str, interval_s: float, seconds: float, period_s: float | None) -> bool:
    """Tell whether frames are close enough together for a cycle, and go on for a whole step."""
    if period_s is None:
        return True
    if interval_s > SLOWEST_SHARE * period_s:
        return False
    return drawn not in {"loop", "scrunch"} or seconds >= STEP_LEAST_CYCLES * period_s


def write(cases: Sequence[FollowedCase], path: Path) -> None:
    """Write cases, one on each line."""
    path.parent.mkdir(parents=True, exist_ok=True)
    rows = [json.dumps({"features": FEATURES, **asdict(case)}) for case in cases]
    path.write_text("\n".join(rows) + "\n", "utf-8")


def read(paths: Sequence[Path]) -> tuple[F64, F64]:
    """Read cases: the measured numbers (N, F), and the index of each one's outcome (N,).

    Raises
    ------
    SystemExit
        If they were measured by other features, or there are none.
    """
    values, labels = [], []
    for path in paths:
        for line in path.read_text("utf-8").splitlines():
            row = json.loads(line)
            if tuple(row["features"]) != FEATURES:
                raise SystemExit(f"{path} was measured by other features: draw it again.")
            values.append(row["values"])
            labels.append(OUTCOMES.index(row["outcome"]))
    if not values:
        raise SystemExit("No cases were given.")
    return np.array(values, np.float64), np.array(labels)


def main(arguments: list[str] | None = None) -> int:
    """Draw, follow, write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--n", type=int, default=N_CLIPS)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--seed", type=int, default=FOLLOWED_SEED)
    parser.add_argument("--sourced", action="store_true", help="habits of the literature")
    parser.add_argument("--out", type=Path, default=OUT)
    options = parser.parse_args(arguments)
    jobs = [
        (drawn, options.seed + 1000 * k + i, not options.sourced)
        for i in range(options.n)
        for k, drawn in enumerate(GAIT_OF_DRAWN)
    ]
    # One thread each: the processes are enough.
    with ProcessPoolExecutor(options.workers, initializer=cv2.setNumThreads, initargs=(1,)) as pool:
        cases = [case for case in pool.map(followed_case, jobs) if case is not None]
    write(cases, options.out)
    print(f"{len(cases)} of {len(jobs)} clips measured: {options.out}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
