"""Real and drawn examples for training: squares of pixels with what they may be.

Every example carries a *set* of allowed fine classes, because photographs are labelled at different
depths: a boxed snail is a snail, a boxed hose is some kind of nothing, and a random square of a tank
photo without leeches is anything but a leech or a flatworm.
"""

from __future__ import annotations

import csv
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import lru_cache
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
import torch

from pestvision.arrays import U8, Bool, BoxXyxy, box_iou
from pestvision.organisms.candidates import find_candidates, measure_salience
from pestvision.organisms.classes import FINE_CLASSES, FINE_NAMES, GROUP_OF_FINE, GROUPS, Group
from pestvision.organisms.crops import cut_crop
from pestvision.organisms.propose import STAND_OUT_PX, reduced
from pestvision.photos.read import read_photo
from pestvision.settings import PhotoSettings
from training.cutouts import cut_out

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

CANVAS_PX = 320
CANVAS_GROW = 0.6
"""A canvas shows the box grown by this share a side, so that augmentation has real ground to turn in."""

FINE_OF_LABEL = {
    "leech": "leech",
    "flatworm": "flatworm",
    "snail": "snail",
    "mosquito_larva": "midge-larva",
    "aquatic_insect_larvae": "midge-larva",
    "shrimp": "shrimp-or-fish",
    "fish": "shrimp-or-fish",
    "crayfish": "shrimp-or-fish",
    "blackworm": "thin-worm",
    "tubifex_blackworm": "thin-worm",
    "nematode": "thin-worm",
    "isopod": "small-crustacean",
    "copepod": "small-crustacean",
    "brine_shrimp": "small-crustacean",
    "daphnia": "small-crustacean",
    "amphipod": "small-crustacean",
    "ostracod": "small-crustacean",
    "hydra": "hydra",
}
"""Fine class of a label in `boxes.csv`; other labels name things that are no organism."""

STRESS_KINDS = ("marine-polyclad", "land-planarian")
"""Reported apart: no aquarium flatworm looks like these."""

DRAWN = "drawn"
"""Source, licence and setting of a drawing on a drawn ground."""

EMPTY = "empty"
"""Label of a drawn tank with nothing in it, drawn half as often as a class."""

ON_PHOTO_SHARE = 0.3
"""Share of the drawings for training that are drawn on photographs: a drawn tank is not the only ground."""

PHOTO_SETTINGS = PhotoSettings(min_megapixels=0.003)
"""Training also learns from pictures smaller than the tool accepts from a person."""


@dataclass(frozen=True, slots=True, eq=False)
class Example:
    """One square of pixels and what it may be.

    `canvas` (320, 320, 3) uint8 shows the box grown by `CANVAS_GROW`; `crop` (224, 224, 3) is what the
    tool itself would look at. `allowed` (14,) bool; `group` an index of `GROUPS`, or -1 where several
    groups are allowed; `opacity` (320, 320) uint8 the animal's outline where one is known.
    """

    canvas: U8
    crop: U8
    allowed: Bool
    group: int
    source: str
    file: str
    label: str
    kind: str
    setting: str
    licence: str
    length_px: float
    opacity: U8 | None = None


def allow_fine(name: str) -> Bool:
    """Allow one fine class: (14,) bool."""
    return np.array([item == name for item in FINE_NAMES])


def allow_groups(groups: Iterable[Group]) -> Bool:
    """Allow every fine class of some groups: (14,) bool."""
    wanted = set(groups)
    return np.array([item.group in wanted for item in FINE_CLASSES])


def photos_folder() -> Path:
    """Give the folder named by the environment variable PESTVISION_PHOTOS."""
    folder = os.environ.get("PESTVISION_PHOTOS")
    if not folder:
        message = "PESTVISION_PHOTOS is not set: it names the folder of real photographs"
        raise SystemExit(message)
    return Path(folder)


def rows_of(path: Path) -> list[dict[str, str]]:
    """Read a CSV with a header."""
    with path.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def box_of(row: dict[str, str]) -> BoxXyxy:
    """Give a row's box."""
    return (float(row["x0"]), float(row["y0"]), float(row["x1"]), float(row["y1"]))


def load_boxed(folder: Path, *, outlines: bool = False) -> list[Example]:
    """Load every boxed crop of the real photographs, with its outline if wanted, found and good.

    Every outline was looked at: those of `poor_outlines.csv` took a part, a halo or the ground.
    """
    poor = {tuple(row.values()) for row in rows_of(Path(__file__).with_name("poor_outlines.csv"))}
    photos = {row["file"]: row for row in rows_of(folder / "photos.csv")}
    pictures: dict[str, U8] = {}
    examples = []
    for row in rows_of(folder / "boxes.csv"):
        if row["file"] not in pictures:
            path = folder / "photos" / row["file"]
            pictures[row["file"]] = read_photo(path, settings=PHOTO_SETTINGS).rgb
        fine = FINE_OF_LABEL.get(row["label"])
        allowed = allow_fine(fine) if fine else allow_groups([Group(row["group"])])
        example = cut_example(
            pictures[row["file"]],
            box_of(row),
            allowed,
            GROUPS.index(Group(row["group"])),
            photos[row["file"]],
            row,
        )
        if outlines and (row["file"], row["x0"], row["y0"]) not in poor:
            opacity = cut_out(example.canvas, _on_canvas(box_of(row)))
            example = replace(example, opacity=opacity)
        examples.append(example)
    return examples


def _on_canvas(box: BoxXyxy) -> BoxXyxy:
    """Give a box's place on its own canvas, whose middle it shares."""
    width, height = box[2] - box[0], box[3] - box[1]
    scale = CANVAS_PX / (max(width, height) * (1 + 2 * CANVAS_GROW))
    half_x, half_y, middle = width * scale / 2, height * scale / 2, CANVAS_PX / 2
    return (middle - half_x, middle - half_y, middle + half_x, middle + half_y)


def load_nothing(folder: Path, rng: np.random.Generator, *, each: int = 6) -> list[Example]:
    """Cut squares that hold no leech and no flatworm: at random, and as many of what stands out.

    From `backgrounds/` anywhere; from boxed photos of skin, hands, tanks, water and glass away from
    every box, so that skin alone is not a leech; from the series of tanks with fish, `SERIES_SQUARES`
    a frame. Fish, snails and shrimp may be in them, but for `EMPTY_SETTINGS` and the backgrounds that
    were looked through and hold nothing alive (`empty_grounds.csv`): those are *not an organism*.
    """
    boxes: dict[str, list[BoxXyxy]] = {}
    for row in rows_of(folder / "boxes.csv"):
        boxes.setdefault(row["file"], []).append(box_of(row))
    empty = {row["file"] for row in rows_of(Path(__file__).with_name("empty_grounds.csv"))}
    wanted = (*EMPTY_SETTINGS, "tank", "water", "glass")
    photos = [
        (folder / "backgrounds" / row["file"], row, each)
        for row in rows_of(folder / "backgrounds.csv")
    ]
    photos += [
        (folder / "photos" / row["file"], row, each)
        for row in rows_of(folder / "photos.csv")
        if row["setting"] in wanted
    ]
    photos += [(path, row, SERIES_SQUARES) for path, row in _series(folder)]
    examples = []
    for path, row, n in photos:
        rgb = read_photo(path, settings=PHOTO_SETTINGS).rgb
        is_empty = row["file"] in empty or row.get("setting") in EMPTY_SETTINGS
        groups = (Group.NOT_AN_ORGANISM,) if is_empty else (Group.HARMLESS, Group.NOT_AN_ORGANISM)
        about = {"label": "ground", "kind": row.get("kind", row.get("setting", ""))}
        taken = boxes.get(row["file"], [])
        squares = _free_squares(rng, rgb.shape[:2], taken, n) + _free_candidates(rng, rgb, taken, n)
        examples += [cut_example(rgb, box, allow_groups(groups), -1, row, about) for box in squares]
    return examples


EMPTY_SETTINGS = ("skin", "hand")
"""Settings of photos where whatever lives is boxed: what is left of them is no organism."""
SERIES = ("a", "b", "c", "d", "e")
"""Series of tanks with fish, seen by a camera that stands; no leech or flatworm is known in them."""
SERIES_SQUARES = 2


def _series(folder: Path) -> list[tuple[Path, dict[str, str]]]:
    """Give the frames of the series, each a row as of `backgrounds.csv`; a series is one source."""
    return [
        (
            path,
            {
                "file": f"{name}/{path.name}",
                "kind": "series",
                "source": f"series-{name}",
                "licence": "unstated",
            },
        )
        for name in SERIES
        for path in sorted((folder / "sequences" / name).glob("*.jpg"))
    ]


N_STANDING_OUT = 40
"""Of the boxes that stand out most, the tool looks at a dozen or two; those are learned as nothing."""
MIN_CANDIDATE_PX = 24
"""Smaller ones would be no more than a few colours."""


def _free_candidates(
    rng: np.random.Generator, rgb: U8, taken: Sequence[BoxXyxy], each: int
) -> list[BoxXyxy]:
    """Take boxes of what stands out, clear of every box: what the tool itself would look at."""
    small = reduced(rgb, STAND_OUT_PX)
    scale = np.divide(rgb.shape[:2], small.shape[:2])[::-1]
    found = find_candidates(measure_salience(small)).boxes_xyxy_px * np.tile(scale, 2)
    sides = np.maximum(found[:, 2] - found[:, 0], found[:, 3] - found[:, 1])
    boxes = [
        (float(x0), float(y0), float(x1), float(y1))
        for x0, y0, x1, y1 in found[sides >= MIN_CANDIDATE_PX][:N_STANDING_OUT]
    ]
    free = [box for box in boxes if all(box_iou(box, other) == 0 for other in _grown(taken))]
    return [free[int(index)] for index in rng.permutation(len(free))[:each]]


def _grown(boxes: Sequence[BoxXyxy]) -> list[BoxXyxy]:
    return [(x0 - 6, y0 - 6, x1 + 6, y1 + 6) for x0, y0, x1, y1 in boxes]


def _free_squares(
    rng: np.random.Generator, size: tuple[int, ...], taken: Sequence[BoxXyxy], each: int
) -> list[BoxXyxy]:
    height, width = size
    found: list[BoxXyxy] = []
    for _ in range(each * 6):
        if len(found) == each:
            break
        side = float(np.exp(rng.uniform(np.log(0.08), np.log(0.95))) * min(height, width))
        x, y = rng.uniform(0, width - side), rng.uniform(0, height - side)
        box = (x, y, x + side, y + side)
        if all(box_iou(box, other) == 0 for other in _grown(taken)):
            found.append(box)
    return found


def cut_example(
    rgb: U8, box: BoxXyxy, allowed: Bool, group: int, photo: dict[str, str], row: dict[str, str]
) -> Example:
    """Cut one example out of a picture.

    `photo` gives `source`, `file`, `licence` and, where it is not a ground, `setting`; `row` gives `label`
    and `kind`.
    """
    return Example(
        canvas=cut_crop(rgb, box, size_px=CANVAS_PX, grow=CANVAS_GROW),
        crop=cut_crop(rgb, box),
        allowed=allowed,
        group=group,
        source=photo["source"],
        file=photo["file"],
        label=row["label"],
        kind=row["kind"],
        setting=photo.get("setting", "ground"),
        licence=photo["licence"],
        length_px=max(box[2] - box[0], box[3] - box[1]),
    )


@dataclass(frozen=True, slots=True)
class GroundPhoto:
    """A photograph without leech or flatworm to draw on, and who took it."""

    path: Path
    source: str


def ground_photos(folder: Path) -> list[GroundPhoto]:
    """Give the photographs of `backgrounds/`."""
    rows = rows_of(folder / "backgrounds.csv")
    return [GroundPhoto(folder / "backgrounds" / row["file"], row["source"]) for row in rows]


def draw_examples(
    n_each: int,
    *,
    seed: int,
    workers: int = 1,
    grounds: Sequence[GroundPhoto] = (),
    with_empty: bool = False,
) -> list[Example]:
    """Draw `n_each` crops of every fine class; the same seed draws the same pictures.

    `with_empty` adds half as many with nothing in them.

    With `grounds`, `ON_PHOTO_SHARE` of them are drawn on a square of one of these photographs; such a
    drawing has the photograph's source, so that a fold that may not see the source leaves it out.
    """
    seeds = [seed * 1_000_003 + index for index in range(n_each)]
    wanted = [(fine, own) for fine in FINE_NAMES for own in seeds]
    wanted += [(EMPTY, own) for own in seeds[::2] if with_empty]
    jobs = [(fine, own, _ground_of(own, fine, grounds)) for fine, own in wanted]
    if workers == 1:
        return [_draw(job) for job in jobs]
    # a forked child would inherit OpenCV's threads in an unknown state and can hang: start afresh
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        return list(pool.map(_draw, jobs, chunksize=32))


def _ground_of(seed: int, fine: str, grounds: Sequence[GroundPhoto]) -> GroundPhoto | None:
    """Choose what a drawing is drawn on: a photograph, or None for a drawn tank."""
    rng = np.random.default_rng([seed, _number_of(fine), 1])
    if not grounds or rng.random() >= ON_PHOTO_SHARE:
        return None
    return grounds[int(rng.integers(len(grounds)))]


def _number_of(fine: str) -> int:
    return len(FINE_NAMES) if fine == EMPTY else FINE_NAMES.index(fine)


def draw_once(
    n_each: int,
    *,
    seed: int,
    workers: int,
    cache: Path,
    grounds: Sequence[GroundPhoto] = (),
    with_empty: bool = False,
) -> list[Example]:
    """Draw examples, or take those that an earlier run of the same drawings left in `cache`."""
    path = cache / f"drawn-{seed}-{n_each}-{len(grounds)}-{int(with_empty)}.npz"
    if not path.is_file():
        examples = draw_examples(
            n_each, seed=seed, workers=workers, grounds=grounds, with_empty=with_empty
        )
        cache.mkdir(parents=True, exist_ok=True)
        np.savez(
            path,
            canvases=np.stack([item.canvas for item in examples]),
            crops=np.stack([item.crop for item in examples]),
            labels=np.array([item.label for item in examples]),
            kinds=np.array([item.kind for item in examples]),
            lengths=np.array([item.length_px for item in examples]),
            sources=np.array([item.source for item in examples]),
        )
    with np.load(path) as saved:
        parts = {name: saved[name] for name in saved.files}
    return [
        Example(
            canvas=canvas,
            crop=crop,
            allowed=_allowed_of(str(label)),
            group=_group_of(str(label)),
            source=str(source),
            file=f"drawn-{index}",
            label=str(label),
            kind=str(kind),
            setting=DRAWN,
            licence=DRAWN,
            length_px=float(length),
        )
        for index, (canvas, crop, label, kind, length, source) in enumerate(
            zip(
                parts["canvases"],
                parts["crops"],
                parts["labels"],
                parts["kinds"],
                parts["lengths"],
                parts["sources"],
                strict=True,
            )
        )
    ]


def _allowed_of(label: str) -> Bool:
    return allow_groups([Group.NOT_AN_ORGANISM]) if label == EMPTY else allow_fine(label)


def _group_of(label: str) -> int:
    return GROUPS.index(Group.NOT_AN_ORGANISM if label == EMPTY else GROUP_OF_FINE[label])


def _draw(job: tuple[str, int, GroundPhoto | None]) -> Example:
    from training.scenes import draw_crop, draw_empty

    fine, seed, ground = job
    cv2.setNumThreads(1)
    torch.set_num_threads(1)  # there are as many of this process as cores
    rng = np.random.default_rng([_number_of(fine), seed])
    square = None if ground is None else _square_of(read_ground(ground.path), seed)
    if fine == EMPTY:
        rgb, pose = draw_empty(rng, CANVAS_PX, ground=square), EMPTY
        edge = CANVAS_PX * CANVAS_GROW / (1 + 2 * CANVAS_GROW)
        box = (edge, edge, CANVAS_PX - edge, CANVAS_PX - edge)
    else:
        drawn = draw_crop(rng, fine, ground=square, size_px=CANVAS_PX)
        rgb, pose = drawn.rgb, str(drawn.pose)
        rows, cols = np.nonzero(drawn.mask)
        box = (float(cols.min()), float(rows.min()), float(cols.max() + 1), float(rows.max() + 1))
    about = {"label": fine, "kind": pose}
    source = DRAWN if ground is None else ground.source
    photo = {"source": source, "file": f"{fine}-{seed}", "licence": DRAWN, "setting": DRAWN}
    return cut_example(rgb, box, _allowed_of(fine), _group_of(fine), photo, about)


@lru_cache(maxsize=256)
def read_ground(path: Path) -> U8:
    """Read a photograph to draw on, once in a process."""
    return read_photo(path, settings=PHOTO_SETTINGS).rgb


def _square_of(rgb: U8, seed: int) -> U8:
    """Cut a random square of a photograph, a third of its short side or more."""
    rng = np.random.default_rng([seed, 2])
    short = min(rgb.shape[:2])
    side = int(rng.uniform(0.33, 1.0) * short)
    top, left = (int(rng.integers(0, size - side + 1)) for size in rgb.shape[:2])
    return rgb[top : top + side, left : left + side]


def fold_of_source(examples: Sequence[Example], *, n_folds: int = 5) -> dict[str, int]:
    """Share the sources among folds: groups spread evenly, a source never split.

    Sources are taken from the largest to the smallest; each goes to the fold that has least of the
    source's rarest group, ties to the fold with fewest examples. No random number is involved.
    """
    counts: dict[str, np.ndarray] = {}
    for item in examples:
        if item.group >= 0:
            counts.setdefault(item.source, np.zeros(len(GROUPS)))[item.group] += 1
    total = np.maximum(sum(counts.values(), np.zeros(len(GROUPS))), 1)
    load = np.zeros((n_folds, len(GROUPS)))
    n_sources = np.zeros((n_folds, len(GROUPS)))
    folds = {}
    for source in sorted(counts, key=lambda name: (-float((counts[name] / total).max()), name)):
        main = int(np.argmax(counts[source] / total))
        fold = min(
            range(n_folds),
            key=lambda f: (n_sources[f, main], float((load[f] / total).sum()), f),
        )
        load[fold] += counts[source]
        n_sources[fold, main] += 1
        folds[source] = fold
    rest = sorted({item.source for item in examples} - set(folds))
    return folds | {source: index % n_folds for index, source in enumerate(rest)}
