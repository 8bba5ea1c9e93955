"""An exam for what `pestvision night` finds to have moved, against three baselines.

    PESTVISION_PHOTOS=... python -m training.mover_exam [--pairs N] [--only PART]

It prints the tables of training/README.md. Parts: `drawn` and `views`, free-response curves over drawn
tanks and over drawn movers laid into real photos of a fixed view; `still`, false blobs where nothing
moved; `series`, what is found and named in pairs of the real series. Without PESTVISION_PHOTOS only
`drawn` and `still` can be run.
"""

from __future__ import annotations

import argparse
import itertools
import sys
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.findings.follow import Look, judge_mover
from pestvision.findings.judge import rules_of
from pestvision.motion.align import AlignedPair, align_pair
from pestvision.motion.blobs import (
    FALSE_A_PAIR,
    find_blobs,
    has_camera_moved,
    judge_change,
)
from pestvision.motion.blobs import is_found as is_kept_at
from pestvision.motion.noise import map_change
from pestvision.motion.tracks import carried_box, pair_movers
from pestvision.organisms.classes import CANT_TELL, Group
from pestvision.organisms.classify import Classifier
from pestvision.organisms.crops import cut_crop
from pestvision.photos.read import read_photo
from pestvision.settings import Settings
from training.data import photos_folder
from training.evaluate_motion import cause_of, is_found, touches, wilson
from training.mover_baselines import BASELINES, Finder, ScoredBox
from training.mover_data import draw_still, size_inside
from training.mover_froc import FALSE_A_PAIR as CURVE_AT
from training.mover_froc import Marked, Point, curve, point_at, poisson_interval
from training.scenes.pairs import Stir, draw_sight
from training.scenes.records import HandHeld

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from pestvision.arrays import F32, F64, U8, BoxXyxy
    from pestvision.motion.tracks import Mover
    from training.scenes.pairs import Sight

PARTS = ("drawn", "views", "still", "series")
N_PAIRS = 160
DRAWN_SEED, VIEWS_SEED, STILL_SEED, STAND_SEED = 2_720_000, 2_820_000, 2_920_000, 2_970_000
TUNE_SEED = 2_300_000  # looked at while the baselines' scores were chosen
LEVELS = (0.05, 0.1, 0.5, 1.0)  # of false blobs a pair, that are asked for
STILL_TIMES = 3  # as many still tanks as pairs of another part: what is counted there is rare
SIZES = ((720, 960), (960, 720))  # height, width; drawn in turn
MOVERS = (1, 2, 3)  # drawn in turn
LEAST_LENGTH_PX = 16.0  # of a mover that counts, at rest
LEAST_CONTRAST_SIGMAS = 4.0  # of a mover that counts, see `Sight`
STRAYED = HandHeld(exposure_ev=1.0)
PARALLAX_OF_WIDTH = 0.01
IN_VIEWS = Stir(stills=0, plants=0, bubbles=0, glares=1)  # the photo has its own of all else
TUNE_VIEWS = ("d", "e")  # one camera over fish tanks
EXAM_VIEWS = ("a", "b", "c")  # three cameras
GAPS = (
    1,
    2,
    3,
    4,
    5,
    6,
    7,
    8,
    10,
    13,
)  # photos from one to the other: neighbours, and distant ones
SHIPPED = "shipped"


@dataclass(slots=True)
class Marks:
    """What each finder did on every pair, and how the pairs were.

    `kept`: what the program keeps by itself. `n_out`: movers left out of the count, too short or too faint. `causes`: what the false blobs of the
    program lie on, at the limit that is shipped.
    """

    of: dict[str, list[Marked]] = field(default_factory=dict)
    kept: list[Marked] = field(default_factory=list)
    n_pairs: int = 0
    n_aligned: int = 0
    n_out: int = 0
    causes: Counter[str] = field(default_factory=Counter)


def drawn_sights(n_pairs: int, first_seed: int = DRAWN_SEED) -> Iterator[Sight]:
    """Draw tanks with movers: hand-held, a stop brighter or darker, moved glare, parallax."""
    for rank in range(n_pairs):
        height, width = SIZES[rank % len(SIZES)]
        yield draw_sight(
            np.random.default_rng(first_seed + rank),
            height_px=height,
            width_px=width,
            movers=MOVERS[rank // len(SIZES) % len(MOVERS)],
            hand_held=STRAYED,
            parallax_of_width=PARALLAX_OF_WIDTH,
        )


def view_sights(
    folder: Path, n_pairs: int, views: Sequence[str] = EXAM_VIEWS, first_seed: int = VIEWS_SEED
) -> Iterator[Sight]:
    """Lay drawn movers into real photos of a fixed view, and take each twice from the hand.

    Both photos of a pair show the same photo as their place: fish in it stay, so that whatever moved
    was laid in, and a false blob is false.
    """
    photos = [sorted((folder / "sequences" / view).iterdir()) for view in views]
    for rank in range(n_pairs):
        rng = np.random.default_rng(first_seed + rank)
        paths = photos[rank % len(photos)]
        ground = read_photo(paths[int(rng.integers(len(paths)))]).rgb
        height, width = size_inside(ground)
        yield draw_sight(
            rng,
            height_px=height,
            width_px=width,
            movers=MOVERS[rank // len(photos) % len(MOVERS)],
            hand_held=STRAYED,
            stir=IN_VIEWS,
            length_px=(LEAST_LENGTH_PX, 0.2 * width),
            ground=ground,
        )


def shipped_blobs(pair: AlignedPair) -> list[ScoredBox]:
    """Find as the program does, with no limit on how sure it is, which is the score."""
    return [blob for blob, _false in judged_blobs(pair)]


def judged_blobs(pair: AlignedPair) -> list[tuple[ScoredBox, float]]:
    """Give each candidate with how many as sure as it a pair shows where nothing moved."""
    change = map_change(pair)
    judged = judge_change(change, on_stand=not has_camera_moved(pair))
    found = []
    for item in judged:
        x0, y0, x1, y1 = (edge * change.step for edge in item.candidate.region.box)
        if item.is_alone:
            found.append((ScoredBox((x0, y0, x1, y1), item.score), item.expected_false))
    return found


def kept_blobs(pair: AlignedPair, false_a_pair: float) -> list[ScoredBox]:
    """Find as the program does when it is asked for so many false blobs a pair."""
    judged = judged_blobs(pair)
    kept = is_kept_at([false for _blob, false in judged], false_a_pair)
    return [blob for (blob, _false), is_kept in zip(judged, kept, strict=True) if is_kept]


FINDERS: dict[str, Finder] = {SHIPPED: shipped_blobs, **BASELINES}


def mark(sights: Iterator[Sight], finders: dict[str, Finder] = FINDERS) -> Marks:
    """Align each pair, let every finder look, and compare with the truth.

    In a pair that could not be aligned every mover is missed, by all alike.
    """
    marks = Marks(of={name: [] for name in finders})
    for sight in sights:
        aligned = align_pair(sight.pair.first, sight.pair.second)
        pair = aligned if isinstance(aligned, AlignedPair) else None
        marks.n_pairs += 1
        marks.n_aligned += pair is not None
        marks.n_out += len(sight.pair.movers) - sum(counting(sight))
        for name, finder in finders.items():
            found = [] if pair is None else finder(pair)
            matrix = np.eye(3) if pair is None else pair.matrix
            marks.of[name].append(marked(sight, found, matrix))
        kept = [] if pair is None else kept_blobs(pair, FALSE_A_PAIR)
        matrix = np.eye(3) if pair is None else pair.matrix
        marks.kept.append(marked(sight, kept, matrix))
        marks.causes.update(causes(sight, kept, matrix))
        _tell(marks.n_pairs)
    return marks


def counting(sight: Sight) -> list[bool]:
    """Tell which movers count: long enough, and plain enough."""
    return [
        mover.length_px >= LEAST_LENGTH_PX and sigmas >= LEAST_CONTRAST_SIGMAS
        for mover, sigmas in zip(sight.pair.movers, sight.contrast_sigmas, strict=True)
    ]


def marked(sight: Sight, found: Sequence[ScoredBox], matrix: F32 | F64) -> Marked:
    """Compare what was found with the truth, as `evaluate_motion` does."""
    places = [_on_both(blob, matrix) for blob in found]
    movers = []
    for mover, counts in zip(sight.pair.movers, counting(sight), strict=True):
        hits = [rank for rank, boxes in enumerate(places) if is_found(mover, boxes)]
        if counts:
            movers.append(max((found[rank].score for rank in hits), default=None))
    false = (blob.score for blob in found if is_false(sight, blob, matrix))
    return Marked(tuple(movers), tuple(false))


def is_false(sight: Sight, blob: ScoredBox, matrix: F32 | F64) -> bool:
    """Tell whether a blob is on no mover and touches none, whether that counts or not."""
    boxes = _on_both(blob, matrix)
    return not any(is_found(one, boxes) or touches(one, boxes) for one in sight.pair.movers)


def causes(sight: Sight, found: Sequence[ScoredBox], matrix: F32 | F64) -> list[str]:
    """Name what each false blob lies on."""
    return [
        cause_of(sight.pair, blob.box_xyxy_px) for blob in found if is_false(sight, blob, matrix)
    ]


def _on_both(blob: ScoredBox, matrix: F32 | F64) -> tuple[BoxXyxy, BoxXyxy]:
    return blob.box_xyxy_px, carried_box(blob.box_xyxy_px, matrix)


def froc_table(marks: Marks) -> str:
    """Give the curves as a Markdown table, and below it the program's own place on its curve."""
    n_movers = sum(len(pair.movers) for pair in marks.of[SHIPPED])
    head = " | ".join(f"{rate:g}" for rate in CURVE_AT)
    lines = [f"| false blobs a pair | {head} |", "|---" * (1 + len(CURVE_AT)) + "|"]
    for name, pairs in marks.of.items():
        cells = " | ".join(_share(point) for point in curve(pairs))
        lines.append(f"| {name} | {cells} |")
    lines += ["", own_place(marks, n_movers)]
    return "\n".join(lines)


def own_place(marks: Marks, n_movers: int) -> str:
    """Say how many pairs and movers there were, and where the program's own limit is on its curve."""
    own = point_at(marks.kept, -np.inf)
    rate, (low, high) = own.n_false / own.n_pairs, poisson_interval(own.n_false, own.n_pairs)
    return (
        f"{n_movers} movers in {marks.n_pairs} pairs, {marks.n_aligned} of them aligned; {marks.n_out} "
        f"more were fainter than {LEAST_CONTRAST_SIGMAS:g} sigmas. Asked for {FALSE_A_PAIR:g} false "
        f"blobs a pair, as it is by itself, the program finds {_share(own)} at {rate:.2f} ({low:.2f} to {high:.2f}) false blobs a pair"
        f"{_in_words(marks.causes)}."
    )


def _in_words(found: Counter[str]) -> str:
    if not found:
        return ""
    return " (on " + ", ".join(f"{name} {count}" for name, count in found.most_common()) + ")"


def _share(point: Point) -> str:
    low, high = wilson(point.n_found, point.n_movers)
    return f"{point.n_found / max(1, point.n_movers):.2f} ({low:.2f} to {high:.2f})"


def still_table(n_pairs: int, first_seed: int = STILL_SEED, *, on_stand: bool = False) -> str:
    """Count false blobs over drawn tanks in which no animal moves, at each level asked for."""
    counts: dict[float, list[int]] = {level: [] for level in LEVELS}
    n_aligned = 0
    for rank in range(n_pairs):
        sight = draw_still(first_seed + rank, on_stand=on_stand)
        pair = align_pair(sight.pair.first, sight.pair.second)
        if isinstance(pair, AlignedPair):
            n_aligned += 1
            expected = [false for _blob, false in judged_blobs(pair)]
            for level, found in counts.items():
                found.append(int(is_kept_at(expected, level).sum()))
        _tell(rank + 1)
    how = "from a stand" if on_stand else "hand-held"
    lines = [
        f"| false blobs a pair asked for, {how} | measured | pairs with one or more |",
        "|---|---|---|",
    ]
    for level, found in counts.items():
        total = sum(found)
        low, high = poisson_interval(total, n_pairs)
        share = _of(sum(count > 0 for count in found), n_pairs)
        lines.append(
            f"| {level:g} | {total / n_pairs:.3f} ({low:.3f} to {high:.3f}, n {total}) | {share} |"
        )
    return "\n".join([*lines, "", f"{n_pairs} drawn still tanks, {n_aligned} aligned."])


def _of(hits: int, n: int) -> str:
    low, high = wilson(hits, n)
    return f"{hits / max(1, n):.2f} ({low:.2f} to {high:.2f}, n {n})"


@dataclass(slots=True)
class SeriesTally:
    """Pairs of one real series: how many, aligned, what moved in them, and the labels of that."""

    n_pairs: int = 0
    n_aligned: int = 0
    labels: Counter[str] = field(default_factory=Counter)
    n_pairs_leech: int = 0


def tally_series(photos: Sequence[U8], judged: Callable[..., list[str]]) -> SeriesTally:
    """Compare every photo with later ones, `GAPS` on.

    `judged` gives a label for each mover of a pair, from the movers and the two photos.
    """
    tally = SeriesTally()
    for one, other in itertools.combinations(range(len(photos)), 2):
        if other - one not in GAPS:
            continue
        first, second = photos[one], photos[other]
        tally.n_pairs += 1
        pair = align_pair(first, second)
        if not isinstance(pair, AlignedPair):
            continue
        tally.n_aligned += 1
        labels = judged(pair_movers(find_blobs(pair), pair.matrix), first, second)
        tally.labels.update(labels)
        tally.n_pairs_leech += str(Group.LEECH_LIKE) in labels
        _tell(tally.n_pairs)
    return tally


def judged_by(classifier: Classifier) -> Callable[[Sequence[Mover], U8, U8], list[str]]:
    """Give a judge that labels movers as a night's scan does, none left out."""
    rules = rules_of(classifier.card.rules, Settings().check)

    def judged(movers: Sequence[Mover], first: U8, second: U8) -> list[str]:
        labels = []
        for mover in movers:
            boxes = ((first, mover.box_first_xyxy_px), (second, mover.box_second_xyxy_px))
            places = [(rgb, box) for rgb, box in boxes if box is not None]
            crops = [cut_crop(rgb, box) for rgb, box in places]
            scores = classifier.classify(crops)
            looks = [
                Look("", box, score) for (_rgb, box), score in zip(places, scores, strict=True)
            ]
            labels.append(str(judge_mover(mover, looks, crops, rules=rules).judgement.label))
        return labels

    return judged


def series_table(folder: Path, classifier: Classifier) -> str:
    """Count what is found, and called leech-like, over the real series that show none."""
    shown = (Group.LEECH_LIKE, Group.FLATWORM_LIKE, Group.HARMLESS, Group.NOT_AN_ORGANISM)
    names = [*(str(group) for group in shown), CANT_TELL]
    lines = [
        f"| series | pairs, aligned | movers found | {' | '.join(names)} | leech-like a pair |",
        "|---" * (4 + len(names)) + "|",
    ]
    whole = SeriesTally()
    for view in (*EXAM_VIEWS, *TUNE_VIEWS):
        paths = sorted((folder / "sequences" / view).iterdir())
        tally = tally_series([read_photo(path).rgb for path in paths], judged_by(classifier))
        lines.append(_series_row(view, tally, names))
        whole.n_pairs += tally.n_pairs
        whole.n_aligned += tally.n_aligned
        whole.labels += tally.labels
        whole.n_pairs_leech += tally.n_pairs_leech
    lines += [
        _series_row("all", whole, names),
        "",
        f"Pairs with a leech-like mover: {_of(whole.n_pairs_leech, whole.n_aligned)} of the aligned.",
    ]
    return "\n".join(lines)


def _series_row(view: str, tally: SeriesTally, names: Sequence[str]) -> str:
    labels = " | ".join(str(tally.labels[name]) for name in names)
    n_leech, n = tally.labels[str(Group.LEECH_LIKE)], tally.n_aligned
    low, high = poisson_interval(n_leech, max(1, n))
    return (
        f"| {view} | {tally.n_pairs}, {n} | {sum(tally.labels.values())} | {labels} | "
        f"{n_leech / max(1, n):.3f} ({low:.3f} to {high:.3f}) |"
    )


def _tell(n_pairs: int) -> None:
    """Say on the error stream how far it is, every twenty pairs."""
    if n_pairs % 20 == 0:
        print(f"{n_pairs} pairs", file=sys.stderr, flush=True)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="Examine what is found to have moved.")
    parser.add_argument("--pairs", type=int, default=N_PAIRS, help="pairs of each part but series")
    parser.add_argument("--only", choices=PARTS, help="one part alone")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    for part in PARTS if options.only is None else (options.only,):
        if part == "drawn":
            table = froc_table(mark(drawn_sights(options.pairs)))
        elif part == "views":
            table = froc_table(mark(view_sights(photos_folder(), options.pairs)))
        elif part == "still":
            n_still = STILL_TIMES * options.pairs
            table = still_table(n_still)
            table += "\n\n" + still_table(n_still, STAND_SEED, on_stand=True)
        else:
            table = series_table(photos_folder(), Classifier.load())
        print(f"{part}\n\n{table}\n", flush=True)


if __name__ == "__main__":
    main()
