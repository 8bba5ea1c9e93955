"""An exam for lengths: drawn animals of known length in a plane with a known scale, measured in millimetres.

    python -m training.size_exam [--animals N] [--seed S] [--real N]

Each picture shows one animal, 40 pixels long or more, lying in a plane that leans by 0 to 30 degrees away
from the camera. Where the animal lies is told by a box that is loose or cut as proposals have them; the
scale is that of the plane, off by one draw of its own `relative_sd`, up to 3 %. The truth is the drawn
middle of the body, from tip to tip, in millimetres of the plane; only classes whose drawings keep that
middle are asked. Nothing here asks whether an animal is found, nor whether a card is.

`error` is of the length, over the true one, among those measured; `held` is how often the range of 95 in 100
holds the true length; `not measured` is the share for which the program says that it cannot.

With `--real` (and `PESTVISION_PHOTOS` set), so many animals, 40 pixels long or more, on photographs of the
third of sources that no outline was learned from: a box made looser than the annotated one is given, and the
box of the outline is compared with the annotated one. No true length is known of them.

Seeds from TUNE_SEED on were looked at while the ranges were set; those from EXAM_SEED on were not.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import as_u8
from pestvision.organisms.outline_net import find_outline
from pestvision.size.measure import measure
from pestvision.size.outline import NoOutline
from pestvision.size.records import TWO_POINTS, Scale
from training.outline_data import is_held_out, loose_box
from training.scenes.crops import draw_crop
from training.scenes.tips import line_length, tip_to_tip

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64, U8, BoxXyxy
    from pestvision.size.records import Length

TUNE_SEED = 30_000
EXAM_SEED = 880_000
CLASSES = ("leech", "flatworm", "thin-worm", "midge-larva")
SHARES = (0.4, 0.3, 0.15, 0.15)
SIDE_PX = (96, 420)
FILL = (0.25, 0.8)
LEAST_PX = 40.0
MOST_TILT_DEG = 30.0
FOCAL = (1.5, 6.0)
"""Focal length over the picture's side: the picture is a part of a photo taken with a usual lens."""
MM_PER_PX = (0.02, 0.3)
SCALE_SD = (0.003, 0.03)
LENGTHS_PX = ((40, 80), (80, 160), (160, 10_000))


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One animal to be measured, and the truth."""

    fine: str
    rgb: U8
    box_xyxy_px: BoxXyxy
    scale: Scale
    true_mm: float
    length_px: float


@dataclass(frozen=True, slots=True)
class Mark:
    """What came of one: `length` is None where none was given, with its reason."""

    fine: str
    true_mm: float
    length_px: float
    length: Length | None
    reason: str = ""

    @property
    def error(self) -> float:
        """How far the length is off, over the true one; 0 where none was given."""
        return 0.0 if self.length is None else abs(self.length.mm / self.true_mm - 1.0)

    @property
    def is_held(self) -> bool:
        """Tell whether the range holds the true length."""
        return self.length is not None and self.length.low_mm <= self.true_mm <= self.length.high_mm


def drawn(seed: int) -> Case:
    """Draw one animal in its plane; the same seed gives the same."""
    rng = np.random.default_rng([41, seed])
    fine = str(rng.choice(CLASSES, p=SHARES))
    while True:
        side = round(float(np.exp(rng.uniform(*np.log(SIDE_PX)))))
        crop = draw_crop(rng, fine, size_px=side, fill=FILL)
        if crop.line_xy_px is None or not crop.mask.any():
            continue
        line = tip_to_tip(crop.line_xy_px, crop.mask)
        to_photo = _leaning(rng, side)
        rgb, mask = (
            _seen(crop.rgb, to_photo),
            _seen(as_u8(crop.mask * np.uint8(255)), to_photo) > 127,
        )
        length_px = line_length(_moved(line, to_photo))
        if length_px >= LEAST_PX and mask.any():
            break
    mm_per_px = float(np.exp(rng.uniform(*np.log(MM_PER_PX))))
    sd = float(np.exp(rng.uniform(*np.log(SCALE_SD))))
    off = mm_per_px * float(np.exp(rng.normal(0, sd)))
    to_mm = np.diag([off, off, 1.0]) @ np.linalg.inv(to_photo)
    return Case(
        fine=fine,
        rgb=rgb,
        box_xyxy_px=loose_box(rng, np.asarray(mask)),
        scale=Scale(TWO_POINTS, to_mm / to_mm[2, 2], sd, np.zeros((0, 2))),
        true_mm=line_length(line) * mm_per_px,
        length_px=length_px,
    )


def _leaning(rng: np.random.Generator, side: int) -> F64:
    """Give the matrix from the plane, seen from straight above, to the photo of a leaning camera."""
    focal = side * float(np.exp(rng.uniform(*np.log(FOCAL))))
    way = float(rng.uniform(0, 2 * np.pi))
    lean = np.deg2rad(float(rng.uniform(0, MOST_TILT_DEG)))
    axis = np.array([np.cos(way), np.sin(way), 0.0]) * lean
    turn = np.asarray(cv2.Rodrigues(axis)[0], np.float64)
    middle = side / 2
    lens = np.array([[focal, 0.0, middle], [0.0, focal, middle], [0.0, 0.0, 1.0]])
    flat = np.array([[1.0, 0.0, -middle], [0.0, 1.0, -middle], [0.0, 0.0, 1.0]])
    matrix = lens @ np.column_stack([turn[:, 0], turn[:, 1], [0.0, 0.0, focal]]) @ flat
    return np.asarray(matrix / matrix[2, 2], np.float64)


_HALF = np.array([[1.0, 0.0, 0.5], [0.0, 1.0, 0.5], [0.0, 0.0, 1.0]])


def _seen(picture: U8, to_photo: F64) -> U8:
    centres = np.linalg.inv(_HALF) @ to_photo @ _HALF
    height, width = picture.shape[:2]
    return as_u8(
        cv2.warpPerspective(
            picture,
            centres,
            (width, height),
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REPLICATE,
        )
    )


def _moved(points: F64, matrix: F64) -> F64:
    full = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return np.asarray(full[:, :2] / full[:, 2:], np.float64)


def marked(case: Case) -> Mark:
    """Measure one animal."""
    outline = find_outline(case.rgb, case.box_xyxy_px)
    if isinstance(outline, NoOutline):
        return Mark(case.fine, case.true_mm, case.length_px, None, outline.reason)
    return Mark(case.fine, case.true_mm, case.length_px, measure(outline, case.scale))


def row_of(name: str, marks: Sequence[Mark]) -> str:
    """Give a row of the table: number, errors, how often the range holds, and the share not measured."""
    told = [mark for mark in marks if mark.length is not None]
    if not told:
        return f"| {name} | {len(marks)} | | | | 100 % |"
    middle, most = np.quantile([mark.error for mark in told], [0.5, 0.95])
    held = float(np.mean([mark.is_held for mark in told]))
    width = float(np.median([m.length.high_mm / m.length.low_mm for m in told if m.length]))
    return (
        f"| {name} | {len(marks)} | {middle:.1%} | {most:.1%} | {held:.1%} | {width:.2f} | "
        f"{1 - len(told) / len(marks):.1%} |"
    )


def table_of(marks: Sequence[Mark]) -> tuple[str, ...]:
    """Give the table, by class and by length on the photo."""
    rows = [
        "| | animals | error, median | error, 95th | held | high over low, median | not measured |",
        "|---|---|---|---|---|---|---|",
        row_of("all", marks),
    ]
    rows += [row_of(fine, [m for m in marks if m.fine == fine]) for fine in CLASSES]
    for low, high in LENGTHS_PX:
        name = f"{low} to {high} px" if high < 10_000 else f"over {low} px"
        rows.append(row_of(name, [m for m in marks if low <= m.length_px < high]))
    return tuple(rows)


@dataclass(frozen=True, slots=True)
class Overlap:
    """One real animal: how much its annotated box shares with the one given, and with its outline's."""

    group: str
    given: float
    found: float | None


REAL_SEED = 1
LOOSER = 0.12  # of its long side, by which each side of a real animal's box is let out at most


def real_overlaps(n_animals: int) -> list[Overlap]:
    """Outline real animals of sources that nothing was learned from."""
    from pestvision.photos.read import read_photo
    from training.data import PHOTO_SETTINGS, photos_folder, rows_of

    folder, rng = photos_folder(), np.random.default_rng(REAL_SEED)
    animals = {"leech-like", "flatworm-like", "harmless"}
    rows = [row for row in rows_of(folder / "boxes.csv") if row["group"] in animals]
    rows = [row for row in rows if is_held_out(row["source"])]
    found: list[Overlap] = []
    for place in rng.permutation(len(rows)):
        row = rows[place]
        x0, y0, x1, y1 = true = tuple(float(row[name]) for name in ("x0", "y0", "x1", "y1"))
        if max(x1 - x0, y1 - y0) < LEAST_PX or len(found) == n_animals:
            continue
        rgb = read_photo(folder / "photos" / row["file"], settings=PHOTO_SETTINGS).rgb
        out = rng.uniform(0, LOOSER, 4) * max(x1 - x0, y1 - y0)
        given = (
            float(max(x0 - out[0], 0)),
            float(max(y0 - out[1], 0)),
            float(min(x1 + out[2], rgb.shape[1])),
            float(min(y1 + out[3], rgb.shape[0])),
        )
        outline = find_outline(rgb, given)
        share = None if isinstance(outline, NoOutline) else shared(outline.box_xyxy_px, true)
        found.append(Overlap(row["group"], shared(given, true), share))
    return found


def shared(one: Sequence[float], other: Sequence[float]) -> float:
    """Give what two boxes share, over what they cover together."""
    wide = min(one[2], other[2]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[1], other[1])
    both = max(wide, 0.0) * max(high, 0.0)
    areas = [(box[2] - box[0]) * (box[3] - box[1]) for box in (one, other)]
    return both / (sum(areas) - both)


def real_table(overlaps: Sequence[Overlap]) -> tuple[str, ...]:
    """Give the table of real animals."""
    rows = [
        "| | animals | given box, median | outline's box, median | tenth | not measured |",
        "|---|---|---|---|---|---|",
    ]
    for group in (*sorted({item.group for item in overlaps}), "all"):
        ours = [item for item in overlaps if group in {item.group, "all"}]
        told = [item.found for item in ours if item.found is not None]
        middle, tenth = np.quantile(told, [0.5, 0.1]) if told else (np.nan, np.nan)
        rows.append(
            f"| {group} | {len(ours)} | {np.median([item.given for item in ours]):.2f} | {middle:.2f} | "
            f"{tenth:.2f} | {1 - len(told) / len(ours):.0%} |"
        )
    return tuple(rows)


def main() -> None:
    """Draw, measure, print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--animals", type=int, default=800)
    parser.add_argument("--seed", type=int, default=EXAM_SEED)
    parser.add_argument("--real", type=int, default=0)
    args = parser.parse_args()
    if args.real:
        print("\n".join(real_table(real_overlaps(args.real))))
        return
    marks = [marked(drawn(args.seed + index)) for index in range(args.animals)]
    print("\n".join(table_of(marks)))


if __name__ == "__main__":
    main()
