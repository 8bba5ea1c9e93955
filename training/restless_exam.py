"""An exam for the restlessness of places: a night's stretches, pair by pair, and with what other pairs show.

    python -m training.restless_exam [--series N] [--still N]

Drawn series of ten photos, with plants that sway, bubbles that rise and reflections that jump about on
all of them. They are cut into stretches as a scan cuts them, so that the last pair has no others. Two
tables: series with movers, and tanks in which no animal moves.

A mover counts in a pair where it moved, came or went, is long enough and plain enough (`LEAST_LENGTH_PX`,
`LEAST_CONTRAST_SIGMAS` of `link_exam`). A blob is false that is on no mover and touches none, at rest or
not. Intervals of differences are from 2000 draws of whole series with replacement.

Seeds from TUNE_SEED on were looked at while the factors were measured; those from EXAM_SEED on were not.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.findings.stretch import STRETCH_PAIRS
from pestvision.motion.align import AlignedPair, align_pair
from pestvision.motion.blobs import found_blobs, judge_pair
from pestvision.motion.restless import place_factors
from pestvision.motion.tracks import carried_box
from training.evaluate_motion import is_found, touches
from training.link_exam import (
    LEAST_CONTRAST_SIGMAS,
    LEAST_LENGTH_PX,
    MOVERS,
    N_PHOTOS,
    ON_STAND_EVERY,
    SIZES,
)
from training.scenes.records import TRIPOD, DrawnMover, HandHeld
from training.scenes.series import draw_series

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64
    from pestvision.motion.blobs import Blob, PairChange
    from training.scenes.series import DrawnSeries

TUNE_SEED, EXAM_SEED = 3_500_000, 3_590_000
STILL_FROM = 1000  # seeds of still tanks lie so far on
N_SERIES, N_STILL = 40, 15
LEVELS = (0.05, 0.1, 0.2)  # of false blobs a pair, that are asked for
LEAST_MOVE_PX = 1.5  # of a box's edges: under it an animal rests
N_DRAWS = 2000


@dataclass(frozen=True, slots=True)
class Moved:
    """A mover in a pair, and whether it counts there."""

    mover: DrawnMover
    counts: bool


@dataclass(frozen=True, slots=True, eq=False)
class Marked:
    """Counts of one series, for each way and level: false blobs and movers found, of so many that count."""

    n_pairs: int
    n_movers: int
    false: dict[tuple[str, float], int]
    found: dict[tuple[str, float], int]


WAYS = ("pair by pair", "with the other pairs")


def restless_series(seed: int, *, still: bool) -> DrawnSeries:
    """Draw the series of a seed: size, number of movers and all the rest follow from it."""
    height, width = SIZES[seed % len(SIZES)]
    return draw_series(
        np.random.default_rng(seed),
        height_px=height,
        width_px=width,
        n=N_PHOTOS,
        movers=0 if still else MOVERS[seed // len(SIZES) % len(MOVERS)],
        hand_held=TRIPOD if seed % ON_STAND_EVERY == ON_STAND_EVERY - 1 else HandHeld(),
    )


def movers_of(series: DrawnSeries) -> list[list[Moved]]:
    """Give the movers of each pair of neighbours."""
    told = {mover.track: mover for mover in series.movers}
    found = []
    for one, other in pairwise(series.photos):
        before = {animal.track: animal.truth for animal in one.animals}
        after = {animal.track: animal.truth for animal in other.animals}
        matrix = other.matrix @ np.linalg.inv(one.matrix)
        of_pair = []
        for track in sorted(before.keys() | after.keys()):
            here, there = before.get(track), after.get(track)
            rests = (
                here is not None
                and there is not None
                and np.abs(
                    np.subtract(carried_box(here.box_xyxy_px, matrix), there.box_xyxy_px)
                ).max()
                < LEAST_MOVE_PX
            )
            mover = told[track]
            is_plain = (
                mover.length_px >= LEAST_LENGTH_PX
                and mover.contrast_sigmas >= LEAST_CONTRAST_SIGMAS
            )
            drawn = DrawnMover(mover.fine, mover.length_px, here, there)
            of_pair.append(Moved(drawn, is_plain and not rests))
        found.append(of_pair)
    return found


def mark(series: DrawnSeries) -> Marked:
    """Look over a series as a scan does, both ways and at every level, and compare with the truth."""
    movers = movers_of(series)
    false = {(way, level): 0 for way in WAYS for level in LEVELS}
    found = dict(false)
    pairs = list(pairwise(series.photos))
    for start in range(0, len(pairs), STRETCH_PAIRS):
        changes: list[PairChange | None] = []
        for one, other in pairs[start : start + STRETCH_PAIRS]:
            pair = align_pair(one.rgb, other.rgb)
            if isinstance(pair, AlignedPair):
                changes.append(judge_pair(pair, false_a_pair=max(LEVELS)))
            else:
                changes.append(None)
        factors = place_factors(
            [None if change is None else change.places for change in changes],
            [() if change is None else [b.box_xyxy_px for b in change.blobs] for change in changes],
        )
        for rank, (change, of_pair) in enumerate(zip(changes, factors, strict=True)):
            if change is None:
                continue
            for way, weights in zip(WAYS, (None, of_pair), strict=True):
                for level in LEVELS:
                    blobs = found_blobs(change, false_a_pair=level, factors=weights)
                    here = movers[start + rank]
                    n_false, n_found = _compared(blobs, here, change.places.matrix)
                    false[way, level] += n_false
                    found[way, level] += n_found
    n_movers = sum(moved.counts for of_pair in movers for moved in of_pair)
    return Marked(len(pairs), n_movers, false, found)


def _compared(blobs: Sequence[Blob], movers: Sequence[Moved], matrix: F64) -> tuple[int, int]:
    """Count false blobs, and movers that count and are found."""
    places = [(blob.box_xyxy_px, carried_box(blob.box_xyxy_px, matrix)) for blob in blobs]
    n_false = sum(
        not any(is_found(m.mover, boxes) or touches(m.mover, boxes) for m in movers)
        for boxes in places
    )
    n_found = sum(m.counts and any(is_found(m.mover, boxes) for boxes in places) for m in movers)
    return n_false, n_found


def difference(
    marks: Sequence[Marked],
    counts: Sequence[dict[tuple[str, float], int]],
    level: float,
    over: Sequence[int],
) -> tuple[float, float, float]:
    """Give how a rate changes from the first way to the second, with the ends of its 95 % interval."""
    change = np.array([of[WAYS[1], level] - of[WAYS[0], level] for of in counts])
    weights = np.array(over)
    drawn = np.random.default_rng(0).integers(0, len(marks), (N_DRAWS, len(marks)))
    rates = change[drawn].sum(axis=1) / np.maximum(1, weights[drawn].sum(axis=1))
    low, high = np.quantile(rates, (0.025, 0.975))
    return float(change.sum() / max(1, weights.sum())), float(low), float(high)


def table(marks: Sequence[Marked]) -> str:
    """Give the counts as a Markdown table."""
    n_pairs = sum(one.n_pairs for one in marks)
    n_movers = sum(one.n_movers for one in marks)
    lines = [
        (
            f"| asked for | false a pair, {WAYS[0]} | {WAYS[1]} | change (95 %) | found, {WAYS[0]} "
            f"| {WAYS[1]} | change (95 %) |"
        ),
        "|---|---|---|---|---|---|---|",
    ]
    for level in LEVELS:
        cells = [f"{level:g}"]
        for of, over, total in (
            ([one.false for one in marks], [one.n_pairs for one in marks], n_pairs),
            ([one.found for one in marks], [one.n_movers for one in marks], n_movers),
        ):
            sums = [sum(one[way, level] for one in of) for way in WAYS]
            cells += [f"{n / max(1, total):.3f} (n {n})" for n in sums]
            mean, low, high = difference(marks, of, level, over)
            cells.append(f"{mean:+.3f} ({low:+.3f} to {high:+.3f})")
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(
        [*lines, "", f"{len(marks)} series, {n_pairs} pairs, {n_movers} movers in them."]
    )


def exam(n_series: int, first_seed: int, *, still: bool) -> list[Marked]:
    """Draw the series, and mark each."""
    marks = []
    for rank in range(n_series):
        print(f"\r{rank + 1} of {n_series}", end="", file=sys.stderr, flush=True)
        marks.append(mark(restless_series(first_seed + rank, still=still)))
    print(file=sys.stderr)
    return marks


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="Examine the restlessness of places.")
    parser.add_argument("--series", type=int, default=N_SERIES)
    parser.add_argument("--still", type=int, default=N_STILL)
    parser.add_argument("--seed", type=int, default=EXAM_SEED)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    print(f"with movers\n\n{table(exam(options.series, options.seed, still=False))}\n", flush=True)
    print(f"still\n\n{table(exam(options.still, options.seed + STILL_FROM, still=True))}")


if __name__ == "__main__":
    main()
