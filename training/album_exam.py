"""Examine the personal head: what labels of one's own are worth, and whether wrong labels are found.

    PESTVISION_PHOTOS=... python -m training.album_exam learn --runs runs    # on a GPU: nets blind to an album
    python -m training.album_exam curve --runs runs                         # the tables, two cores

An album is half of the photographers of the real crops, seen by a net that has learned from the other half
alone; there are six: three ways to halve, two sides each. Crops are labelled for some sources, or for some
photos of every source, and the head is asked about the rest. Three drawn tanks that no net has seen are asked
about with the shipped net. The head is used only where the test that the tool itself makes lets it.
"""

from __future__ import annotations

import argparse
import json
import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pestvision.collection.adapt import misses_leeches
from pestvision.collection.learn import (
    N_GROUPS,
    Taught,
    ask_unseen,
    balanced_accuracy,
    balanced_likelihood,
    doubt_of_labels,
    fit,
    gain_interval,
)
from pestvision.organisms.calibrate import softmax
from pestvision.organisms.classes import FINE_NAMES, GROUPS
from pestvision.organisms.classify import Classifier
from pestvision.organisms.personal import features_of, log_groups

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    import numpy.typing as npt

    from pestvision.arrays import F32, F64
    from training.train import Recipe

HALVES = ((0, 1), (0, 2), (0, 3))
"""Three ways to put four folds of sources into two halves: which folds make the first."""
COUNTS = (5, 10, 20)
N_REPEATS = 20
FOREIGN_SEED = 4_100_000
N_FOREIGN_EACH = 24
WRONG_SHARE = 0.1
SHOWN_SHARE = 0.2


@dataclass(frozen=True, slots=True, eq=False)
class Album:
    """Crops as a net sees that has learned from none of their sources.

    `features` (N, 1872), `log_p` (N, 4), `groups` (N,), `sources` and `photos` (N,) names, `places` (N, D).
    """

    name: str
    features: F32
    log_p: F64
    groups: npt.NDArray[np.int64]
    sources: npt.NDArray[np.str_]
    photos: npt.NDArray[np.str_]
    places: F32

    def taught(self, index: npt.NDArray[np.int64]) -> Taught:
        """Give some crops as labelled; a photo is a unit."""
        _, units = np.unique(self.photos[index], return_inverse=True)
        return Taught(
            self.features[index],
            self.log_p[index],
            self.groups[index],
            units.astype(np.int64),
            self.places[index],
        )

    def weights(self, index: npt.NDArray[np.int64]) -> F64:
        """Weigh crops so that within a group every source counts alike."""
        weights = np.zeros(len(index))
        for group in range(N_GROUPS):
            for source in set(self.sources[index][self.groups[index] == group].tolist()):
                mine = (self.groups[index] == group) & (self.sources[index] == source)
                weights[mine] = 1.0 / mine.sum()
        return weights


Split = tuple["npt.NDArray[np.int64]", "npt.NDArray[np.int64]"]


def split_by(
    names: npt.NDArray[np.str_], groups: npt.NDArray[np.int64], rng: np.random.Generator
) -> Split:
    """Halve crops by a name that is never split, each group's names evenly: what may be labelled, the rest."""
    main: dict[str, int] = {}
    for name in sorted(set(names.tolist())):
        main[name] = int(np.bincount(groups[names == name], minlength=N_GROUPS).argmax())
    chosen: set[str] = set()
    for group in range(N_GROUPS):
        own = [name for name, of in main.items() if of == group]
        order = [own[int(place)] for place in rng.permutation(len(own))]
        chosen.update(order[: max(1, len(order) // 2)])
    inside = np.isin(names, sorted(chosen))
    return np.flatnonzero(inside), np.flatnonzero(~inside)


def some_of_each(
    groups: npt.NDArray[np.int64], index: npt.NDArray[np.int64], n: int, rng: np.random.Generator
) -> npt.NDArray[np.int64]:
    """Take up to `n` of each group."""
    parts = [
        index[groups[index] == group][rng.permutation(int((groups[index] == group).sum()))[:n]]
        for group in range(N_GROUPS)
    ]
    return np.sort(np.concatenate(parts))


def is_let(taught: Taught) -> tuple[bool, float]:
    """Tell whether the tool's own test would let a head learned from these be used; and with which pull.

    Without the yardstick: it belongs to the shipped net, and these are others.
    """
    unseen = ask_unseen(taught)
    low, _ = gain_interval(taught, unseen.logits, balanced_likelihood)
    before, after = (
        balanced_accuracy(taught.groups, logits) for logits in (taught.log_p, unseen.logits)
    )
    misses = misses_leeches(taught.groups, taught.log_p, unseen.logits)
    return low > 0 and after >= before and not misses, unseen.pull


@dataclass(frozen=True, slots=True)
class Answer:
    """Balanced accuracies on the crops asked about, and how many crops were labelled."""

    n_labelled: int
    shipped: float
    used: float
    always: float
    alone: float
    is_let: bool


def ask(album: Album, split: Split, n: int, rng: np.random.Generator) -> Answer:
    """Label up to `n` crops a group, learn, and ask about the rest."""
    pool, rest = split
    taught = album.taught(some_of_each(album.groups, pool, n, rng))
    let, pull = is_let(taught)
    alone = fit(replace(taught, log_p=np.zeros_like(taught.log_p)), pull=pull)
    nothing = np.zeros((len(rest), N_GROUPS))
    asked = album.taught(rest)
    logits = {
        "shipped": album.log_p[rest],
        "always": fit(taught, pull=pull).logits(asked),
        "alone": replace(alone, near=np.inf).logits(replace(asked, log_p=nothing)),
    }
    weights = album.weights(rest)
    scores = {
        name: balanced_accuracy(album.groups[rest], each, weights) for name, each in logits.items()
    }
    return Answer(
        len(taught),
        scores["shipped"],
        scores["always"] if let else scores["shipped"],
        scores["always"],
        scores["alone"],
        let,
    )


def curve(
    albums: Sequence[Album], split_of: Callable[[Album, np.random.Generator], Split]
) -> dict[int, list[Answer]]:
    """Give for each count of labels the answers of `N_REPEATS` repeats of every album."""
    found: dict[int, list[Answer]] = {n: [] for n in COUNTS}
    for number, album in enumerate(albums):
        for repeat in range(N_REPEATS):
            rng = np.random.default_rng([number, repeat])
            split = split_of(album, rng)
            for n in COUNTS:
                found[n].append(ask(album, split, n, rng))
    return found


def rows_of_curve(name: str, answers: dict[int, list[Answer]]) -> Iterator[str]:
    """Give the table's rows: means over albums and repeats, and the worst loss of what is used."""
    for n, each in answers.items():
        mean = {
            key: float(np.mean([getattr(item, key) for item in each]))
            for key in ("n_labelled", "shipped", "used", "always", "alone", "is_let")
        }
        lost = sum(item.used < item.shipped - 0.01 for item in each)
        yield (
            f"| {name} | {n} | {mean['n_labelled']:.0f} | {mean['shipped']:.3f} | {mean['used']:.3f} | "
            f"{mean['always']:.3f} | {mean['alone']:.3f} | {mean['is_let']:.0%} | {lost} of {len(each)} |"
        )


def by_source(album: Album, rng: np.random.Generator) -> Split:
    """Label some sources, ask about the others."""
    return split_by(album.sources, album.groups, rng)


def by_photo(album: Album, rng: np.random.Generator) -> Split:
    """Label some photos, ask about the other photos of the same sources."""
    return split_by(album.photos, album.groups, rng)


def wrong_labels_shown(albums: Sequence[Album]) -> list[float]:
    """Make a tenth of the labels wrong; give the shares of those among the first fifth shown."""
    shares = []
    for number, album in enumerate(albums):
        for repeat in range(N_REPEATS):
            rng = np.random.default_rng([number, repeat, 1])
            n = len(album.groups)
            wrong = rng.permutation(n)[: round(WRONG_SHARE * n)]
            groups = album.groups.copy()
            groups[wrong] = (groups[wrong] + rng.integers(1, N_GROUPS, len(wrong))) % N_GROUPS
            taught = replace(album.taught(np.arange(n)), groups=groups)
            doubts = doubt_of_labels(groups, ask_unseen(taught, seed=repeat).logits)
            shown = np.argsort(-doubts, kind="stable")[: round(SHOWN_SHARE * n)]
            shares.append(float(np.isin(wrong, shown).mean()))
    return shares


def load_albums(runs: Path, classifier: Classifier) -> list[Album]:
    """Give the six albums of real crops, from what `learn` wrote."""
    from training.data import STRESS_KINDS

    albums = []
    for way in range(len(HALVES)):
        with np.load(runs / f"half{way}.npz") as saved:
            parts = {name: saved[name] for name in saved.files}
        usual = ~np.isin(parts["kind"], STRESS_KINDS)
        for side in range(2):
            mine = usual & (parts["fold"] == side)
            signatures = parts["S"][mine].astype(np.float32)
            logits = signatures[:, -1280:] @ parts["W"][side].T + parts["b"][side]
            p_fine = softmax(logits.astype(np.float64) / classifier.card.temperature)
            albums.append(
                Album(
                    f"half {way}, side {side}",
                    features_of(signatures, classifier.middle),
                    log_groups(p_fine),
                    parts["group"][mine].astype(np.int64),
                    parts["source"][mine],
                    parts["photo"][mine],
                    classifier.places_of(signatures),
                )
            )
    return albums


def draw_foreign(classifier: Classifier, name: str, *, n_each: int = N_FOREIGN_EACH) -> Album:
    """Draw a foreign tank and let the shipped net see it; every drawing is a photo and a source.

    A tank has one ground: every animal and thing is drawn on a part of the same picture.
    """
    from training.foreign import FOREIGN, draw_tank

    crops, groups = draw_tank(
        FOREIGN_SEED + list(FOREIGN).index(name), FOREIGN[name], n_each=n_each
    )
    signatures = classifier.signatures(crops)
    names = np.array([f"{rank:04d}" for rank in range(len(crops))])
    return Album(
        name,
        features_of(signatures, classifier.middle),
        log_groups(classifier.p_fine_of(signatures)),
        groups,
        names,
        names,
        classifier.places_of(signatures),
    )


def learn_halves(recipe: Recipe, runs: Path, *, device: str, workers: int, each: int = 6) -> None:
    """Train for every half of the sources a net on the other half, and write what it sees of the first."""
    import torch

    from pestvision.organisms.net import LeanNet, as_input
    from training.data import fold_of_source, photos_folder
    from training.train import base_weights, learn_drawings, load_parts, mean_net, start_net
    from training.train import fit as fit_nets

    parts = load_parts(recipe, photos_folder(), workers=workers, cache=runs, each=each)
    imagenet = start_net(recipe, base_weights())
    after = learn_drawings(recipe, parts.drawn, device=device, start=imagenet)
    quarters = fold_of_source(parts.real + parts.ground, n_folds=4)
    for way, first in enumerate(HALVES):
        folds = {source: int(quarter not in first) for source, quarter in quarters.items()}
        trained = []
        counts = []
        for share, count in zip(recipe.from_drawings, recipe.start_counts, strict=True):
            start = mean_net([imagenet, after], [1 - share, share])
            for seed in range(recipe.n_seeds):
                own = replace(recipe, seed=recipe.seed + seed)
                trained.append(fit_nets(own, parts, folds, device=device, start=start))
                counts.append(count)
        nets = [mean_net(side, counts) for side in zip(*trained, strict=True)]
        fold = np.array([folds[item.source] for item in parts.real])
        signatures = np.zeros((len(parts.real), 1872), np.float16)
        for side, net in enumerate(nets):
            state = net.cpu().state_dict()
            lean = LeanNet({name: value.float() for name, value in state.items() if value.ndim})
            for index in np.flatnonzero(fold == side):
                with torch.inference_mode():
                    signatures[index] = lean.signatures(as_input([parts.real[index].crop]))[
                        0
                    ].numpy()
        np.savez_compressed(
            runs / f"half{way}.npz",
            S=signatures,
            fold=fold,
            W=np.stack([net.state_dict()["classifier.weight"].numpy() for net in nets]),
            b=np.stack([net.state_dict()["classifier.bias"].numpy() for net in nets]),
            source=np.array([item.source for item in parts.real]),
            photo=np.array([item.file for item in parts.real]),
            group=np.array([item.group for item in parts.real]),
            kind=np.array([item.kind for item in parts.real]),
        )
        print(f"half {way} learned", flush=True)


def main(argv: Sequence[str] | None = None) -> None:
    """Learn the nets, or print the tables."""
    from training.train import QUICK, Recipe

    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("what", choices=("learn", "curve"))
    parser.add_argument("--runs", type=Path, default=Path("runs"))
    parser.add_argument("--device", default="cuda")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 2)
    parser.add_argument("--quick", action="store_true", help="every line, no quality")
    args = parser.parse_args(argv)
    args.runs.mkdir(parents=True, exist_ok=True)
    if args.what == "learn":
        recipe = QUICK if args.quick else Recipe()
        each = 1 if args.quick else 6
        learn_halves(recipe, args.runs, device=args.device, workers=args.workers, each=each)
        return
    from training.foreign import FOREIGN

    classifier = Classifier.load()
    albums = load_albums(args.runs, classifier)
    print(
        f"{len(FINE_NAMES)} classes, {len(GROUPS)} groups, albums of",
        [len(a.groups) for a in albums],
    )
    print(
        "| split | asked for a group | labelled | shipped | used | always | alone | let | lost > 1 |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    for name, split_of in (("other sources", by_source), ("other photos", by_photo)):
        for row in rows_of_curve(name, curve(albums, split_of)):
            print(row, flush=True)
    for name in FOREIGN:
        tank = draw_foreign(classifier, name)
        for row in rows_of_curve(name, curve([tank], by_photo)):
            print(row, flush=True)
    shares = wrong_labels_shown(albums)
    told = {"mean": np.mean(shares), "least": np.min(shares), "n": len(shares)}
    print(
        "wrong labels among the first fifth:",
        json.dumps({k: round(float(v), 3) for k, v in told.items()}),
    )


if __name__ == "__main__":
    main()
