"""Measure alignment and movers on drawn pairs with hand-held motion.

Run it as `python -m training.evaluate_motion`: it prints one table, with counts and Wilson intervals.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import BoxXyxy, box_iou
from pestvision.motion.align import AlignedPair, align_pair
from pestvision.motion.blobs import FALSE_A_PAIR, find_blobs
from pestvision.motion.tracks import carried_box
from training.scenes.pairs import draw_pair

if TYPE_CHECKING:
    from pestvision.motion.blobs import Blob
    from training.scenes.records import DrawnMover, DrawnPair

EXAM_SEED = 1_700_000
SEEN_SEED = 900_000  # an earlier exam's, looked at since: the tests guard with its first pairs
SIZES = ((900, 1200), (1200, 900), (1080, 1440), (720, 960))  # height, width; drawn in turn
MOVERS = (0, 1, 2, 3)  # a pair in four has none
FOUND_IOU = 0.1
GROWN_SHARE = 0.25  # a truth box is grown by this before a blob's centre is looked for in it
LENGTH_BINS_PX = (16.0, 32.0, 64.0, 128.0, np.inf)
WELL_ALIGNED_PX = 1.0


@dataclass
class Tally:
    """Counts over pairs."""

    n_pairs: int = 0
    n_aligned: int = 0
    false_blobs: int = 0
    false_by_cause: Counter[str] = field(default_factory=Counter)
    movers: dict[str, list[bool]] = field(default_factory=dict)
    errors_px: list[float] = field(default_factory=list)

    def found(self) -> tuple[int, int]:
        """Give how many movers were found, of how many."""
        every = [hit for hits in self.movers.values() for hit in hits]
        return sum(every), len(every)


def exam_pair(seed: int) -> DrawnPair:
    """Draw the pair of a seed: size, number of movers and all the rest follow from it."""
    height, width = SIZES[seed % len(SIZES)]
    rng = np.random.default_rng(seed)
    n_movers = MOVERS[(seed // len(SIZES)) % len(MOVERS)]
    return draw_pair(rng, height_px=height, width_px=width, movers=n_movers)


def tally_pairs(first_seed: int, n_pairs: int, *, false_a_pair: float = FALSE_A_PAIR) -> Tally:
    """Draw, align, find, and compare with the truth."""
    tally = Tally()
    for seed in range(first_seed, first_seed + n_pairs):
        drawn = exam_pair(seed)
        pair = align_pair(drawn.first, drawn.second)
        blobs: tuple[Blob, ...] = ()
        tally.n_pairs += 1
        if isinstance(pair, AlignedPair):
            tally.n_aligned += 1
            tally.errors_px.append(alignment_error_px(drawn, pair))
            blobs = find_blobs(pair, false_a_pair=false_a_pair)
        _count(tally, drawn, blobs)
    return tally


def alignment_error_px(drawn: DrawnPair, pair: AlignedPair) -> float:
    """Give the largest distance between true and found places of the frame's corners and middle."""
    height, width = drawn.first.shape[:2]
    x, y = (0.0, width / 2, width - 1.0), (0.0, height / 2, height - 1.0)
    grid = np.array([[a, b, 1.0] for a in x for b in y])
    ends = [grid @ np.asarray(matrix, np.float64).T for matrix in (drawn.matrix, pair.matrix)]
    places = [end[:, :2] / end[:, 2:] for end in ends]
    return float(np.linalg.norm(places[0] - places[1], axis=1).max())


def _count(tally: Tally, drawn: DrawnPair, blobs: tuple[Blob, ...]) -> None:
    boxes = [_on_both(blob, drawn) for blob in blobs]
    touched: set[int] = set()
    for mover in drawn.movers:
        hits = {index for index, box in enumerate(boxes) if is_found(mover, box)}
        touched |= {index for index, box in enumerate(boxes) if touches(mover, box)}
        if mover.length_px >= LENGTH_BINS_PX[0]:
            tally.movers.setdefault(mover.fine, []).append(bool(hits))
    for index, box in enumerate(boxes):
        if index not in touched:
            tally.false_blobs += 1
            tally.false_by_cause[cause_of(drawn, box[0])] += 1


def _on_both(blob: Blob, drawn: DrawnPair) -> tuple[BoxXyxy, BoxXyxy]:
    return blob.box_xyxy_px, carried_box(blob.box_xyxy_px, drawn.matrix)


def _truths(mover: DrawnMover) -> tuple[BoxXyxy | None, BoxXyxy | None]:
    return mover.box_first_xyxy_px, mover.box_second_xyxy_px


def is_found(mover: DrawnMover, boxes: tuple[BoxXyxy, BoxXyxy]) -> bool:
    """Tell whether a blob's box, given on both photos, counts as the mover."""
    for truth, box in zip(_truths(mover), boxes, strict=True):
        if truth is None:
            continue
        middle = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
        x0, y0, x1, y1 = grown(truth)
        is_inside = x0 <= middle[0] <= x1 and y0 <= middle[1] <= y1
        if is_inside or box_iou(truth, box) >= FOUND_IOU:
            return True
    return False


def touches(mover: DrawnMover, boxes: tuple[BoxXyxy, BoxXyxy]) -> bool:
    """Tell whether a blob's box, given on both photos, lies on a mover at all."""
    pairs = zip(_truths(mover), boxes, strict=True)
    return any(truth is not None and box_iou(truth, box) > 0 for truth, box in pairs)


def grown(box: BoxXyxy) -> BoxXyxy:
    """Grow a truth box by a share of its longer side."""
    by = GROWN_SHARE * max(box[2] - box[0], box[3] - box[1])
    return (box[0] - by, box[1] - by, box[2] + by, box[3] + by)


def cause_of(drawn: DrawnPair, box: BoxXyxy) -> str:
    """Name what a false blob lies on."""
    for name, other in drawn.disturbances:
        if box_iou(box, grown(other)) > 0:
            return name
    for still in drawn.stills:
        if box_iou(box, still.box_xyxy_px) > 0:
            return "an animal or thing that stayed"
    return "ground"


def wilson(hits: int, n: int) -> tuple[float, float]:
    """Give the 95 % interval of a share. Source: Wilson 1927, JASA 22:209-212."""
    if n == 0:
        return 0.0, 1.0
    z = 1.959964
    share = hits / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * float(np.sqrt(share * (1 - share) / n + z * z / (4 * n * n)))
    return middle - half, middle + half


def table(tally: Tally) -> str:
    """Give the tally as lines of text."""
    hits, n = tally.found()
    lines = [_row("pairs aligned", tally.n_aligned, tally.n_pairs)]
    if tally.errors_px:
        middle, most = np.median(tally.errors_px), np.quantile(tally.errors_px, 0.95)
        lines.append(f"alignment error, px          median {middle:.2f}, 95 % under {most:.2f}")
    lines.append(_row("movers found", hits, n))
    lines += [_row(f"  {fine}", sum(x), len(x)) for fine, x in sorted(tally.movers.items())]
    rate = tally.false_blobs / max(1, tally.n_pairs)
    lines.append(f"false blobs a pair           {rate:.2f} (n {tally.false_blobs})")
    lines += [f"  on {name}: {count}" for name, count in tally.false_by_cause.most_common()]
    return "\n".join(lines)


def _row(name: str, hits: int, n: int) -> str:
    low, high = wilson(hits, n)
    return f"{name:28s} {hits / max(1, n):.3f} ({low:.3f}-{high:.3f}, n {n})"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Measure alignment and movers on drawn pairs.")
    parser.add_argument("--pairs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=EXAM_SEED)
    options = parser.parse_args()
    cv2.setNumThreads(2)
    print(table(tally_pairs(options.seed, options.pairs)))


if __name__ == "__main__":
    main()
