"""Fit how boxes are ranked before the net looks at them, on real photographs, and judge it out of fold.

    PESTVISION_PHOTOS=... python -m training.proposal_score --runs runs

`training.train` leaves the nets of the folds in `runs/`. The boxes of every photo are measured with the
map of the net that has not seen its photographer; the ranking of a fold is fitted on the photographers
of the other four. `runs/proposals-fold*.json` holds those five, for `training.evaluate`;
`pestvision/organisms/proposal_weights.json` is fitted on all.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.organisms.box_features import FEATURES
from pestvision.organisms.calibrate import wilson_interval
from pestvision.organisms.candidates import overlap, spread
from pestvision.organisms.proposal_weights import (
    WEIGHTS_FILE,
    ProposalWeights,
    score_boxes,
    weights_from,
)
from pestvision.organisms.propose import NEAR_IOU, measured_boxes
from pestvision.photos.read import read_photo
from training.data import PHOTO_SETTINGS, box_of, photos_folder, rows_of
from training.evaluate import FOUND_IOU, SHARES, fold_classifiers

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pestvision.arrays import F64, Bool
    from pestvision.organisms.classify import Classifier

N_TREES = 120
N_LEVELS = 3
RATE = 0.08
MIN_LEAF = 20
SHARE_OF_BOXES = 0.5  # each tree sees half of the boxes: common practice, no source
SHARE_OF_FEATURES = 0.4
FOUND_WEIGHT = 4.0
"""Weight of the boxes that meet an animal, over the square root of their number on the photo: a photo
with one animal counts about as much as one with six."""
MOST = (12, 20)
"""Proposals among which an animal is looked for; the whole frame is one of them."""
SIZE_NAMES = ("0% to 5%", "5% to 15%", "15% to 40%", "40% to 80%", "80% to 100%")


@dataclass(frozen=True, slots=True, eq=False)
class PhotoBoxes:
    """A photo's n candidate boxes with their measures, and its m boxed animals.

    `boxes` (n, 4) and `animals` (m, 4), pixels of the photo; `values` (n, K); `iou` (n, m);
    `whole_iou` (m,) of the whole frame; `share` (m,) of an animal's long side in the photo's.
    """

    fold: int
    source: str
    boxes: F64
    values: F64
    iou: F64
    whole_iou: F64
    share: F64


def gather(
    folder: Path, classifiers: Sequence[Classifier], folds: Mapping[str, int]
) -> list[PhotoBoxes]:
    """Measure the boxes of every photo that shows a boxed animal."""
    animals: dict[str, list[tuple[float, ...]]] = {}
    for row in rows_of(folder / "boxes.csv"):
        if row["group"] != "not-an-organism":
            animals.setdefault(row["file"], []).append(box_of(row))
    photos = []
    for row in rows_of(folder / "photos.csv"):
        if row["file"] not in animals:
            continue
        rgb = read_photo(folder / "photos" / row["file"], settings=PHOTO_SETTINGS).rgb
        fold = folds[row["source"]]
        boxes, values = measured_boxes(rgb, classifiers[fold].organism_map)
        known = np.array(animals[row["file"]], np.float64)
        height, width = rgb.shape[:2]
        whole = np.array([[0, 0, width, height]], np.float64)
        sides = np.maximum(known[:, 2] - known[:, 0], known[:, 3] - known[:, 1])
        photos.append(
            PhotoBoxes(
                fold=fold,
                source=row["source"],
                boxes=boxes,
                values=values,
                iou=overlap(boxes, known),
                whole_iou=overlap(whole, known)[0],
                share=sides / max(height, width),
            )
        )
    return photos


def fit(photos: Sequence[PhotoBoxes], *, seed: int = 0) -> ProposalWeights:
    """Fit the trees on the boxes of some photos."""
    from sklearn.ensemble import GradientBoostingClassifier

    values = np.concatenate([photo.values for photo in photos])
    is_found = np.concatenate([meets(photo) for photo in photos])
    weights = np.concatenate([_weights(meets(photo)) for photo in photos])
    trees = GradientBoostingClassifier(
        n_estimators=N_TREES,
        learning_rate=RATE,
        max_depth=N_LEVELS,
        min_samples_leaf=MIN_LEAF,
        subsample=SHARE_OF_BOXES,
        max_features=SHARE_OF_FEATURES,
        random_state=seed,
    )
    trees.fit(values, is_found, sample_weight=weights)
    return exported(trees, n_levels=N_LEVELS)


def meets(photo: PhotoBoxes) -> Bool:
    """Tell which boxes of a photo meet an animal, (n,) bool."""
    return np.asarray((photo.iou >= FOUND_IOU).any(1), np.bool_)


def _weights(is_found: Bool) -> F64:
    found = FOUND_WEIGHT / np.sqrt(max(int(is_found.sum()), 1))
    return np.where(is_found, found, 1.0)


def exported(trees: Any, *, n_levels: int) -> ProposalWeights:
    """Give a fitted `GradientBoostingClassifier` of two classes as plain numbers.

    A branch that ends early is filled up: both answers of a question that decides nothing are the same.
    """
    n_inner = 2**n_levels - 1
    fitted = [stage[0].tree_ for stage in trees.estimators_]
    question = np.zeros((len(fitted), n_inner), np.intp)
    threshold = np.zeros((len(fitted), n_inner))
    answer = np.zeros((len(fitted), n_inner + 1))
    for index, tree in enumerate(fitted):
        nodes = [0]  # of the fitted tree, in the order of the complete one
        for place in range(n_inner):
            node = nodes[place]
            is_leaf = tree.children_left[node] < 0
            if not is_leaf:
                question[index, place] = tree.feature[node]
                threshold[index, place] = tree.threshold[node]
            sides = (tree.children_left, tree.children_right)
            nodes += [node if is_leaf else int(side[node]) for side in sides]
        answer[index] = trees.learning_rate * tree.value[nodes[n_inner:], 0, 0]
    prior = trees.init_.class_prior_[1]
    return ProposalWeights(float(np.log(prior / (1 - prior))), question, threshold, answer)


def table_of(weights: ProposalWeights, *, origin: str) -> dict[str, Any]:
    """Give the weights as their file holds them, numbers to seven digits, and where they come from."""

    def rounded(rows: F64) -> list[list[float]]:
        return [[float(f"{value:.7g}") for value in row] for row in rows]

    return {
        "origin": origin,
        "features": list(FEATURES),
        "start": float(f"{weights.start:.7g}"),
        "question": weights.question.tolist(),
        "threshold": rounded(weights.threshold),
        "answer": rounded(weights.answer),
    }


def write(weights: ProposalWeights, path: Path, *, origin: str) -> ProposalWeights:
    """Write weights, a tree a line, and give them back as they will be read."""
    table = table_of(weights, origin=origin)
    lines = []
    for name, value in table.items():
        text = json.dumps(value)
        if name in {"question", "threshold", "answer"}:
            text = "[\n  " + ",\n  ".join(json.dumps(row) for row in value) + "\n ]"
        lines.append(f' "{name}": {text}')
    path.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
    return weights_from(table)


def by_rule(values: F64) -> F64:
    """Rank boxes without anything fitted: life inside the box, less 0.6 of the rank by standing out.

    The coarse map is read for boxes of over 0.4 of the photo, the fine one for others. So they were
    ranked before; it is what the fit has to beat.
    """
    column = dict(zip(FEATURES, values.T, strict=True))
    is_wide = column["long_side"] > np.log(0.4)
    life = np.where(is_wide, column["life_inside_coarse"], column["life_inside_fine"])
    return np.asarray(life - 0.6 * column["rank"], np.float64)


def is_met(photo: PhotoBoxes, scores: F64, *, most: int) -> Bool:
    """Tell which animals of a photo are met by one of `most` proposals, (m,) bool."""
    order = np.argsort(-scores, kind="stable")
    kept, _ = spread(photo.boxes[order], iou=NEAR_IOU, most=most - 1)
    best = photo.iou[order[kept]].max(0, initial=0.0)
    return np.asarray(np.maximum(best, photo.whole_iou) >= FOUND_IOU, np.bool_)


def recall(photos: Sequence[PhotoBoxes], scores: Sequence[F64], *, most: int) -> list[list[int]]:
    """Count by size: animals met, animals, photos with one of theirs met, photos that show such a one."""
    counts = np.zeros((len(SIZE_NAMES), 4), int)
    for photo, own in zip(photos, scores, strict=True):
        met = is_met(photo, own, most=most)
        size = np.searchsorted(SHARES, photo.share)
        for index in set(size.tolist()):
            here = met[size == index]
            counts[index] += (here.sum(), len(here), here.any(), 1)
    return counts.tolist()


def markdown(photos: Sequence[PhotoBoxes], scores: Mapping[str, Sequence[F64]]) -> str:
    """Give the recall of rankings, and of all boxes unranked, as the table of `training/README.md`."""
    lines = [
        "| animal's share of the photo | ranking | proposals | met | share (95 %) | photos with one met |",
        "|---|---|---|---|---|---|",
    ]
    counts = {
        (name, most): recall(photos, own, most=most)
        for name, own in scores.items()
        for most in MOST
    }
    for index, size in enumerate(SIZE_NAMES):
        for (name, most), table in counts.items():
            met, n, photos_met, n_photos = table[index]
            if n:
                low, high = wilson_interval(met, n)
                lines.append(
                    f"| {size} | {name} | {most} | {met} of {n} "
                    f"| {met / n:.2f} ({low:.2f} to {high:.2f}) | {photos_met} of {n_photos} |"
                )
    return "\n".join(lines) + "\n"


def main(argv: Sequence[str] | None = None) -> None:
    """Gather, fit each fold, judge out of fold, fit on all, write the weights and the table."""
    import torch

    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--runs", type=Path, default=Path("runs"))
    parser.add_argument("--out", type=Path, default=WEIGHTS_FILE)
    args = parser.parse_args(argv)
    torch.set_num_threads(2)
    folds = json.loads((args.runs / "folds.json").read_text(encoding="utf-8"))
    photos = gather(photos_folder(), fold_classifiers(args.runs), folds)
    fitted = {}
    for fold in sorted(set(folds.values())):
        others = [photo for photo in photos if photo.fold != fold]
        origin = f"fitted without fold {fold} on {len(others)} photos"
        path = args.runs / f"proposals-fold{fold}.json"
        fitted[fold] = write(fit(others), path, origin=origin)
    scores = {
        "by rule": [by_rule(photo.values) for photo in photos],
        "fitted": [score_boxes(photo.values, fitted[photo.fold]) for photo in photos],
    }
    text = markdown(photos, scores)
    (args.runs / "proposals.md").write_text(text, encoding="utf-8")
    print(text)
    origin = f"python -m training.proposal_score on {len(photos)} photos with boxed animals"
    write(fit(photos), args.out, origin=origin)


if __name__ == "__main__":
    main()
