"""Fit a personal head to labelled crops: a regression that starts from what the shipped head says.

Pure functions on arrays. The logits of the groups are `share * log p + x W + b`, with p of the shipped head;
W and b are pulled towards 0 and the share towards 1, so that few labels leave the shipped head as it is.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.organisms.calibrate import fit_temperature, softmax
from pestvision.organisms.classes import GROUPS
from pestvision.organisms.personal import nearness

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    import numpy.typing as npt

    from pestvision.arrays import F32, F64

PULLS = (0.01, 0.1, 1.0)
"""Of the weights to 0, tried in this order. Which is best depends on the album: with 20 labels a group 0.01
gained .062 on other photos of the same photographers and nothing on other photographers, 0.1 gained .045 and
.011, and in three drawn tanks 0.01, 0.1 and 1 gained .015, .031 and .029."""
CHOSEN_UP_TO = 300
"""Labels up to which the pull is chosen by trying each; with more it matters little, and takes time."""
USUAL_PULL = 0.1
SHARE_PULL = 30.0
"""Of the share of the shipped head to 1. Of 0.3, 3 and 30, at 20 labels: .867, .875 and .878; .814, .816, .816."""
MOST_STEPS = 200
LEAST_COUNTED = 0.01  # probability; below, a crop is simply wrong
N_PARTS = 5
"""Parts of the cross-validation; fewer where there are fewer units."""
N_GROUPS = len(GROUPS)


@dataclass(frozen=True, slots=True, eq=False)
class Taught:
    """Labelled crops to learn from.

    Parameters
    ----------
    features
        (N, 1872) float32, as `personal.features_of` gives them.
    log_p
        (N, 4) log-probabilities of the groups by the shipped head.
    groups
        (N,) index of the group each was labelled as.
    units
        (N,) number of the unit: crops of one photo, one burst, or that look alike belong together.
    places
        (N, D) float32, where each lies among what the net knows (`Known.places`).
    """

    features: F32
    log_p: F64
    groups: npt.NDArray[np.int64]
    units: npt.NDArray[np.int64]
    places: F32

    def __len__(self) -> int:
        return len(self.groups)

    def some(self, index: npt.NDArray[np.int64]) -> Taught:
        """Take some of them."""
        return Taught(
            self.features[index],
            self.log_p[index],
            self.groups[index],
            self.units[index],
            self.places[index],
        )

    def near(self) -> float:
        """Give the usual (median) distance from a crop to the next one of another unit; infinite without one."""
        squares = np.square(self.places).sum(1, dtype=np.float64)
        apart = squares[:, None] + squares[None] - 2.0 * (self.places @ self.places.T)
        apart[self.units[:, None] == self.units[None]] = np.inf
        return float(np.sqrt(np.maximum(np.median(apart.min(1)), 0.0)))


@dataclass(frozen=True, slots=True, eq=False)
class Fitted:
    """What was learned: `weights` (1872, 4), `bias` (4,), `share`; and where: `places` (K, D), `near`."""

    weights: F64
    bias: F64
    share: float
    places: F32
    near: float

    def logits(self, asked: Taught) -> F64:
        """Give the (N, 4) logits of the groups; the groups of what is asked about are not looked at."""
        say = nearness(asked.places, self.places, self.near)[:, None]
        learned = asked.features @ self.weights + self.bias
        return np.asarray(asked.log_p + say * ((self.share - 1) * asked.log_p + learned))


def fit(taught: Taught, *, pull: float = USUAL_PULL, share_pull: float = SHARE_PULL) -> Fitted:
    """Fit the head; every group that has labels counts alike.

    Notes
    -----
    A group without labels keeps what the shipped head says of it: the likelihood is that of the labelled
    groups among themselves. The weights lie in the space that the crops span, so with fewer crops than features they are sought
    there: the answer is the same, and 80 crops take a hundredth of the time.
    """
    from scipy.optimize import minimize

    features = taught.features.astype(np.float64)
    n = len(features)
    axes = None
    if n < features.shape[1]:
        axes, inside = np.linalg.qr(features.T)
        features = inside.T
    depth = features.shape[1]
    counts = np.bincount(taught.groups, minlength=N_GROUPS)
    absent = counts == 0
    weigh = 1.0 / counts[taught.groups]
    weigh *= n / weigh.sum()
    wanted = np.eye(N_GROUPS)[taught.groups]
    index = np.arange(n)

    def loss(x: F64) -> tuple[float, F64]:
        weights, bias, share = x[: depth * N_GROUPS].reshape(depth, N_GROUPS), x[-5:-1], x[-1]
        logits = share * taught.log_p + features @ weights + bias
        logits[:, absent] = -np.inf
        logits -= logits.max(1, keepdims=True)
        log_sum = np.log(np.exp(logits).sum(1))
        off = (np.exp(logits - log_sum[:, None]) - wanted) * weigh[:, None]
        value = (weigh * (log_sum - logits[index, taught.groups])).sum()
        value += pull / 2 * ((weights**2).sum() + (bias**2).sum())
        value += share_pull / 2 * (share - 1) ** 2
        slope = np.concatenate(
            [
                (features.T @ off + pull * weights).ravel(),
                off.sum(0) + pull * bias,
                [(off * taught.log_p).sum() + share_pull * (share - 1)],
            ]
        )
        return float(value), slope

    start = np.zeros(depth * N_GROUPS + N_GROUPS + 1)
    start[-1] = 1.0
    x = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": MOST_STEPS}).x
    weights = x[: depth * N_GROUPS].reshape(depth, N_GROUPS)
    if axes is not None:
        weights = axes @ weights
    return Fitted(weights, x[-5:-1], float(x[-1]), taught.places, taught.near())


def parts_of(
    taught: Taught, *, seed: int = 0
) -> Iterator[tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]]:
    """Give what to learn from and what to ask about, part by part; a unit is never split."""
    from sklearn.model_selection import StratifiedGroupKFold

    n_parts = min(N_PARTS, len(np.unique(taught.units)))
    if n_parts < 2:
        return
    folds = StratifiedGroupKFold(n_parts, shuffle=True, random_state=seed)
    index = np.arange(len(taught))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # a group with fewer crops than parts is no mistake
        splits = list(folds.split(index, taught.groups, taught.units))
    for learn, ask in splits:
        yield index[learn], index[ask]


@dataclass(frozen=True, slots=True, eq=False)
class Unseen:
    """What heads say of crops of units that they have not learned from.

    `logits` (N, 4); `pull` is the one that they were learned with.
    """

    logits: F64
    pull: float


def ask_unseen(taught: Taught, *, seed: int = 0) -> Unseen:
    """Ask about each crop a head that has not learned from its unit; with the pull that does best so."""
    pulls = PULLS if len(taught) <= CHOSEN_UP_TO else (USUAL_PULL,)
    found = [Unseen(_logits_unseen(taught, pull, seed), pull) for pull in pulls]
    even = np.ones(len(taught))

    def likelihood(item: Unseen) -> float:
        return balanced_likelihood(taught.groups, calibrated(taught.groups, item.logits), even)

    return max(found, key=likelihood)


def _logits_unseen(taught: Taught, pull: float, seed: int) -> F64:
    logits = np.array(taught.log_p, np.float64)
    for learn, ask in parts_of(taught, seed=seed):
        learned = fit(taught.some(learn), pull=pull)
        logits[ask] = learned.logits(taught.some(ask))
    return logits


def balanced_accuracy(
    groups: npt.NDArray[np.int64], logits: F64, weights: F64 | None = None
) -> float:
    """Give the mean over the groups that occur of the weighted share told right."""
    weights = np.ones(len(groups)) if weights is None else weights
    is_right = logits.argmax(1) == groups
    shares = [
        float((weights * is_right)[groups == group].sum() / weights[groups == group].sum())
        for group in range(N_GROUPS)
        if weights[groups == group].sum() > 0
    ]
    return float(np.mean(shares)) if shares else float("nan")


def balanced_likelihood(
    groups: npt.NDArray[np.int64], logits: F64, weights: F64 | None = None
) -> float:
    """Give the mean over the groups that occur of the weighted mean log-probability of the right group.

    A probability counts as `LEAST_COUNTED` at the least, so that a single crop decides nothing.
    """
    weights = np.ones(len(groups)) if weights is None else weights
    right = softmax(logits)[np.arange(len(groups)), groups]
    log_p = np.log(np.maximum(right, LEAST_COUNTED))
    means = [
        float((weights * log_p)[groups == group].sum() / weights[groups == group].sum())
        for group in range(N_GROUPS)
        if weights[groups == group].sum() > 0
    ]
    return float(np.mean(means)) if means else float("nan")


def calibrated(groups: npt.NDArray[np.int64], logits: F64) -> F64:
    """Divide (N, 4) logits by the temperature that suits the labels best.

    Else a head would gain likelihood by being less sure, without telling anything better.
    """
    return logits / fit_temperature(logits, groups.astype(np.float64))


def gain_interval(
    taught: Taught,
    after: F64,
    measure: Callable[[npt.NDArray[np.int64], F64, F64], float],
    *,
    n_draws: int = 400,
    seed: int = 0,
) -> tuple[float, float]:
    """Give the 5th and 95th percentile of the gain over the shipped head when units are drawn anew.

    Parameters
    ----------
    taught, after
        The labelled crops, and the (N, 4) logits that are held against those of the shipped head; both
        are `calibrated` first.
    measure
        `balanced_accuracy` or `balanced_likelihood`.

    Notes
    -----
    Source: Efron & Tibshirani 1993, "An Introduction to the Bootstrap", chapter 13 (percentile interval).
    Whole units are drawn, because crops of one photo are right or wrong together. The likelihood tells a
    gain from chance with fewer labels than the accuracy does.
    """
    rng = np.random.default_rng(seed)
    names, place = np.unique(taught.units, return_inverse=True)
    before, after = (calibrated(taught.groups, logits) for logits in (taught.log_p, after))
    gains = []
    for _ in range(n_draws):
        drawn = np.bincount(rng.integers(0, len(names), len(names)), minlength=len(names))
        weights = drawn[place].astype(np.float64)
        gains.append(
            measure(taught.groups, after, weights) - measure(taught.groups, before, weights)
        )
    low, high = np.nanpercentile(gains, [5, 95])
    return float(low), float(high)


def doubt_of_labels(groups: npt.NDArray[np.int64], logits: F64) -> F64:
    """Give for each label how much its unseen probability lies below that of the likeliest other group.

    Positive where the label is doubted; the larger, the more. Source: Northcutt, Jiang & Chuang 2021,
    "Confident learning", JAIR 70:1373 (the normalised margin of out-of-sample probabilities).
    """
    p = softmax(logits)
    index = np.arange(len(groups))
    own = p[index, groups]
    p[index, groups] = -1.0
    return np.asarray(p.max(1) - own)
