"""Fit what the net knows, so that a crop outside of it is not told.

    PESTVISION_PHOTOS=... python -m training.known --runs runs --out models

`training.train` leaves the nets of the folds in `runs`; the shipped net lies in `out`. Crops that a net has
learned from are stored in a small space (`organisms.known`); the limit comes from crops that it has not:
photographs of its fold, and drawings of other seeds; no more than the share `OUTSIDE` of any kind lies beyond
it. Distances of different nets are compared in units of each net's own stored crops. `training.train` runs
this too.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import torch

from pestvision.arrays import F32, F64, U8, as_rgb
from pestvision.organisms.classes import FINE_NAMES
from pestvision.organisms.classify import Classifier
from pestvision.organisms.crops import cut_crop
from pestvision.organisms.known import (
    KNOWN_NAME,
    N_NEAREST,
    Known,
    evened,
    nearest_distances,
    write_known,
)
from pestvision.organisms.net import EMBEDDING, INPUT_PX, STAGES, TAPPED_STAGES
from pestvision.organisms.weights import CARD_NAME, load_card, load_tensors
from training.data import STRESS_KINDS, draw_examples, load_boxed, load_nothing, photos_folder

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from training.data import Example

OUTSIDE = 0.02
"""Share of crops of known kinds that is refused: what is refused is not told, right or wrong."""
DEPTH = 64
"""Directions kept. With 32 and 96 the area between known and outside crops was 0.92 and 0.94, as with 64."""
EVENNESS = 0.1
"""Share of the mean spread added to each direction's own, so that a narrow one is not blown up."""
LEAST_SPREAD = 1e-3  # of a column: one that never changes says nothing
N_DRAWN_EACH = 40  # drawings of each class that are stored
N_OTHER_EACH = (
    15  # drawings of each class, of seeds no net has learned from, that the limit is set on
)
OTHER_SEED = 779
GROUND_STEP = 3  # every third square of ground: they are many, and alike
OUTER_SEED = 5
N_OUTER_CUTS = 5  # squares cut from each outside picture, beside the whole


@dataclass(frozen=True, slots=True, eq=False)
class Space:
    """A space without a limit yet: `unit` is the middling distance between its own stored crops."""

    middle: F32
    axes: F32
    stored: F32
    unit: float

    def with_limit(self, ratio: float) -> Known:
        """Set the limit, in units of the stored crops."""
        return Known(self.middle, self.axes, self.stored, ratio * self.unit)


def fit_space(signatures: F32) -> Space:
    """Fit a space to the (K, 1872) signatures of crops that a net has learned from.

    Every column is brought to a spread of 1, every layer's mean and spread to the same weight, and the
    `DEPTH` widest directions are whitened.
    """
    even = evened(signatures).astype(np.float64)
    middle = even.mean(0)
    spread = np.maximum(even.std(0), LEAST_SPREAD) * np.sqrt(_widths())
    _u, lengths, directions = np.linalg.svd((even - middle) / spread, full_matrices=False)
    depth = min(DEPTH, len(lengths))
    variance = lengths[:depth] ** 2 / len(even)
    axes = directions[:depth].T / np.sqrt(variance + EVENNESS * variance.mean())
    axes = (axes / spread[:, None]).astype(np.float16).astype(np.float32)  # as it will be stored
    middle32 = middle.astype(np.float32)
    stored = ((evened(signatures) - middle32) @ axes).astype(np.float16).astype(np.float32)
    own = nearest_distances(stored, stored, rank=N_NEAREST + 1)  # the nearest is the crop itself
    return Space(middle32, axes, stored, float(np.median(own)))


def _widths() -> F64:
    """Give for each column how many columns its part of the signature has."""
    widths = [STAGES[stage][-1] for stage in TAPPED_STAGES for _ in range(2)]
    return np.concatenate([np.full(width, width, float) for width in (*widths, EMBEDDING)])


@dataclass(frozen=True, slots=True, eq=False)
class Crops:
    """Crops of one kind, (224, 224, 3) uint8, with the fold of each one's source, -1 for none."""

    crops: list[U8]
    fold: F64


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """What is stored and what the limit is set on.

    `boxed` and `ground` are photographs, each learned by all folds but its own; `drawn` are drawings that
    were learned from, `other` drawings that were not.
    """

    boxed: Crops
    ground: Crops
    drawn: Crops
    other: Crops


def bench_of(
    parts: Mapping[str, Sequence[Example]],
    folds: Mapping[str, int],
    *,
    n_drawn_each: int = N_DRAWN_EACH,
    n_other_each: int = N_OTHER_EACH,
    workers: int = 1,
) -> Bench:
    """Choose crops from the examples that a net was trained on, and draw others."""
    seen: dict[str, int] = {}
    drawn = []
    for item in parts["drawn"]:
        seen[item.label] = seen.get(item.label, 0) + 1
        if seen[item.label] <= n_drawn_each:
            drawn.append(item)
    boxed = [item for item in parts["boxed"] if item.kind not in STRESS_KINDS]
    return Bench(
        boxed=_crops(boxed, folds),
        ground=_crops(parts["ground"][::GROUND_STEP], folds),
        drawn=_crops(drawn, folds),
        other=_crops(draw_examples(n_other_each, seed=OTHER_SEED, workers=workers), {}),
    )


def _crops(examples: Sequence[Example], folds: Mapping[str, int]) -> Crops:
    of = np.array([folds.get(item.source, -1) for item in examples], dtype=np.float64)
    return Crops([item.crop for item in examples], of)


@dataclass(frozen=True, slots=True, eq=False)
class Distances:
    """Distances of crops that a net has not learned from, in units of its stored crops."""

    of_kind: dict[str, list[F64]]

    def ratio(self, without: int | None = None) -> float:
        """Give the smallest distance that no more than `OUTSIDE` of the crops of any kind exceed.

        `without` leaves a fold out, for judging that fold.
        """
        kinds = [
            np.concatenate([d for fold, d in enumerate(per_fold) if fold != without])
            for per_fold in self.of_kind.values()
        ]
        return max(
            float(np.quantile(kind, 1 - OUTSIDE, method="inverted_cdf"))
            for kind in kinds
            if len(kind)
        )

    def refused(self) -> dict[str, float]:
        """Give the share of each kind beyond the limit that the other folds set."""
        shares = {}
        for kind, per_fold in self.of_kind.items():
            beyond = [d > self.ratio(without=fold) for fold, d in enumerate(per_fold)]
            shares[kind] = round(float(np.concatenate(beyond).mean()), 4)
        return shares


def fold_spaces(nets: Sequence[Classifier], bench: Bench) -> tuple[list[Space], Distances]:
    """Fit every fold's net its space on what it has learned from, and measure the rest in it."""
    spaces: list[Space] = []
    of_kind: dict[str, list[F64]] = {"boxed": [], "ground": [], "drawn": []}
    for fold, net in enumerate(nets):
        sets = {name: getattr(bench, name) for name in ("boxed", "ground", "drawn")}
        told = {name: net.signatures(item.crops) for name, item in sets.items()}
        mine = {name: item.fold == fold for name, item in sets.items()}
        space = fit_space(np.concatenate([told[name][~mine[name]] for name in sets]))
        known = space.with_limit(1.0)
        spaces.append(space)
        for name in ("boxed", "ground"):
            of_kind[name].append(known.novelty(told[name][mine[name]]))
        of_kind["drawn"].append(known.novelty(net.signatures(bench.other.crops)))
    return spaces, Distances(of_kind)


def know(
    runs: Path, out: Path, bench: Bench, *, outer: Mapping[str, Sequence[U8]] | None = None
) -> dict[str, Any]:
    """Fit what the shipped net knows, write it beside the weights, and put its figures on the card.

    Parameters
    ----------
    runs
        The nets of the folds; what each of them knows is written beside it, for judging whole photos.
    out
        The shipped weights and their card.
    bench
        Crops to store and to set the limit on.
    outer
        Outside crops by kind, for the figures; None leaves them out.

    Returns
    -------
    dict
        What stands on the card under `known`.
    """
    card = load_card(out)
    shipped = Classifier(load_tensors(out, card), card)
    nets = [Classifier(state, card) for state in fold_states(runs)]
    spaces, distances = fold_spaces(nets, bench)
    for fold, space in enumerate(spaces):
        known = space.with_limit(distances.ratio(without=fold))
        (runs / f"known-fold{fold}.safetensors").write_bytes(write_known(known))
    own = [shipped.signatures(getattr(bench, name).crops) for name in ("boxed", "ground", "drawn")]
    known = fit_space(np.concatenate(own)).with_limit(distances.ratio())
    data = write_known(known)
    (out / KNOWN_NAME).write_bytes(data)
    told: dict[str, Any] = {
        "file": KNOWN_NAME,
        "sha256": hashlib.sha256(data).hexdigest(),
        "bytes": len(data),
        "n_stored": len(known.stored),
        "share_outside": OUTSIDE,
        "refused_out_of_fold": distances.refused(),
        "refused_drawn_unseen": _share(known.novelty(shipped.signatures(bench.other.crops))),
    }
    if outer is not None:
        told["refused_outside"] = {
            kind: [_count(known.novelty(shipped.signatures(crops))), len(crops)]
            for kind, crops in outer.items()
        }
    table = json.loads((out / CARD_NAME).read_text(encoding="utf-8")) | {"known": told}
    text = json.dumps(table, indent=1, ensure_ascii=False) + "\n"
    (out / CARD_NAME).write_text(text, encoding="utf-8")
    return told


def fold_states(runs: Path) -> list[dict[str, torch.Tensor]]:
    """Load the nets of the folds, float32.

    Raises
    ------
    SystemExit
        If there are none.
    """
    paths = sorted(runs.glob("fold*.pt"))
    if not paths:
        message = f"{runs} holds no fold*.pt: run python -m training.train first"
        raise SystemExit(message)
    states = []
    for path in paths:
        state = torch.load(path, map_location="cpu", weights_only=True)  # noqa: TID251 - our own runs
        states.append({name: value.float() for name, value in state.items()})
    return states


def _count(novelty: F64) -> int:
    return int((novelty > 1).sum())


def _share(novelty: F64) -> float:
    return round(_count(novelty) / max(1, len(novelty)), 4)


def outside_crops() -> dict[str, list[U8]]:
    """Give crops that show nothing of what a net of ours learns from, by kind.

    `pictures` and `faces` are those that scikit-image's `skimage.data` brings along, photographs of the
    everyday, of surfaces, of the sky and of cells; noise and writing are made here.
    """
    rng = np.random.default_rng(OUTER_SEED)
    made = [_noise(rng, smooth_px) for smooth_px in (0, 0, 0, 1, 2, 4, 6, 8) for _ in range(5)]
    return {
        "pictures": [crop for rgb in _pictures() for crop in _cuts(rgb, rng)],
        "faces": [cut_crop(rgb, (0.0, 0.0, 25.0, 25.0)) for rgb in _faces()],
        "noise": made,
        "writing": [_writing(rng) for _ in range(40)],
    }


PICTURES = (
    *("astronaut", "brick", "camera", "cell", "chelsea", "clock", "coffee", "coins", "colorwheel"),
    *("grass", "gravel", "horse", "hubble_deep_field", "immunohistochemistry", "logo"),
    *("microaneurysms", "moon", "page", "retina", "rocket", "checkerboard", "text"),
    "shepp_logan_phantom",
)


def _pictures() -> list[U8]:
    import skimage.data

    return [as_picture(getattr(skimage.data, name)()) for name in PICTURES]


def _faces() -> list[U8]:
    import skimage.data

    return [as_picture(face) for face in skimage.data.lfw_subset()[:60]]  # the rest shows no faces


def as_picture(values: Any) -> U8:
    """Turn a grey, coloured or transparent picture of any numbers into (H, W, 3) uint8."""
    if values.dtype != np.uint8:
        numbers = values.astype(np.float64)
        low, high = float(numbers.min()), float(numbers.max())
        values = ((numbers - low) / max(high - low, 1e-9) * 255).astype(np.uint8)
    if values.ndim == 2:
        values = np.repeat(values[..., None], 3, axis=2)
    return as_rgb(np.ascontiguousarray(values[..., :3]))


def _cuts(rgb: U8, rng: np.random.Generator) -> list[U8]:
    """Cut the whole picture and some squares of it."""
    height, width = rgb.shape[:2]
    boxes = [(0.0, 0.0, float(width), float(height))]
    for _ in range(N_OUTER_CUTS):
        side = float(rng.uniform(0.25, 0.8)) * min(height, width)
        x, y = float(rng.uniform(0, width - side)), float(rng.uniform(0, height - side))
        boxes.append((x, y, x + side, y + side))
    return [cut_crop(rgb, box) for box in boxes]


def _noise(rng: np.random.Generator, smooth_px: float) -> U8:
    noise = rng.normal(size=(INPUT_PX, INPUT_PX, 3)).astype(np.float32)
    return as_picture(cv2.GaussianBlur(noise, (0, 0), smooth_px) if smooth_px else noise)


def _writing(rng: np.random.Generator) -> U8:
    picture = np.full((INPUT_PX, INPUT_PX, 3), rng.integers(60, 256, 3), np.uint8)
    for _ in range(6):
        text = "".join(chr(letter) for letter in rng.integers(65, 122, 9))
        place = (int(rng.integers(-20, 100)), int(rng.integers(20, 220)))
        ink = tuple(int(value) for value in rng.integers(0, 256, 3))
        size, line = float(rng.uniform(0.5, 2)), int(rng.integers(1, 4))
        cv2.putText(picture, text, place, int(rng.integers(0, 8)), size, ink, line)
    return as_rgb(picture)


def main(argv: Sequence[str] | None = None) -> None:
    """Fit what the shipped net knows, anew, and print its figures."""
    from training.train import DRAWN_SEED

    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--runs", type=Path, default=Path("runs"))
    parser.add_argument("--out", type=Path, default=Path("models"))
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args(argv)
    folder = photos_folder()
    folds = json.loads((args.runs / "folds.json").read_text(encoding="utf-8"))
    parts = {
        "boxed": load_boxed(folder),
        "ground": load_nothing(folder, np.random.default_rng(0)),
        "drawn": draw_examples(N_DRAWN_EACH, seed=DRAWN_SEED, workers=args.workers),
    }
    print(f"{len(FINE_NAMES)} classes", {name: len(part) for name, part in parts.items()})
    bench = bench_of(parts, folds, workers=args.workers)
    told = know(args.runs, args.out, bench, outer=outside_crops())
    print(json.dumps(told, indent=1))


if __name__ == "__main__":
    main()
