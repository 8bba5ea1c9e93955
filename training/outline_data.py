"""Windows to learn outlines from: drawn animals with exact masks, and real ones laid on other grounds.

    PESTVISION_PHOTOS=... python -m training.outline_data FILE

packs what is taken from the real photographs (grounds, and animals cut out of the photos of two thirds of
the sources) into one file, so that it can be carried to where the training runs.
"""

from __future__ import annotations

import argparse
import zlib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, U8, Bool, BoxXyxy, as_u8
from pestvision.organisms.crops import cut_crop
from pestvision.organisms.outline_net import SEEN_PX, framed
from pestvision.size.outline import padded_box
from training.scenes.camera import draw_camera, photograph
from training.scenes.crops import draw_crop
from training.scenes.paint import f32

if TYPE_CHECKING:
    from collections.abc import Mapping

SHARES = {
    "leech": 0.26,
    "flatworm": 0.2,
    "thin-worm": 0.12,
    "midge-larva": 0.1,
    "snail": 0.12,
    "small-crustacean": 0.06,
    "shrimp-or-fish": 0.04,
    "hydra": 0.04,
    "limpet": 0.03,
    "snail-eggs": 0.03,
}
"""How often each class is drawn: those whose length is asked for most often come most often."""
REAL_SHARE = 0.2  # windows with a real animal, laid on another real ground
GROUND_SHARE = 0.5  # drawn animals on a real ground
SIDE_PX = (64, 300)  # of the picture an animal is drawn in
FILL = (0.2, 0.85)
GROUND_PX = 288
CUTOUT_PX = 192


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """What the net sees, (128, 128, 4) uint8, and the truth, (128, 128) uint8 of 0 to 255."""

    picture: U8
    truth: U8


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A picture with one animal, its mask, and a box about it as a program would find it."""

    rgb: U8
    mask: Bool
    box_xyxy_px: BoxXyxy


def loose_box(rng: np.random.Generator, mask: Bool) -> BoxXyxy:
    """Give a box about a mask as proposals have them: mostly close, at times loose or cut."""
    rows, columns = np.nonzero(mask.any(axis=1))[0], np.nonzero(mask.any(axis=0))[0]
    x0, y0, x1, y1 = float(columns[0]), float(rows[0]), columns[-1] + 1.0, rows[-1] + 1.0
    long = max(x1 - x0, y1 - y0)
    off = rng.normal(0.02, 0.03, 4) if rng.random() < 0.6 else rng.uniform(-0.1, 0.2, 4)
    off = np.minimum(off, 0.24) * long
    if x1 - x0 + off[0] + off[2] < 4 or y1 - y0 + off[1] + off[3] < 4:
        off = np.abs(off)
    height, width = mask.shape
    return (
        float(np.clip(x0 - off[0], 0, width - 4)),
        float(np.clip(y0 - off[1], 0, height - 4)),
        float(np.clip(x1 + off[2], 4, width)),
        float(np.clip(y1 + off[3], 4, height)),
    )


def window_of(drawn: Drawn) -> Window:
    """Cut what the net sees out of a picture."""
    height, width = drawn.mask.shape
    left, top, right, bottom = padded_box(drawn.box_xyxy_px, height=height, width=width)
    x0, y0, x1, y1 = drawn.box_xyxy_px
    inner = (x0 - left, y0 - top, x1 - left, y1 - top)
    picture, size = framed(np.ascontiguousarray(drawn.rgb[top:bottom, left:right]), inner)
    truth = np.zeros((SEEN_PX, SEEN_PX), np.uint8)
    part = drawn.mask[top:bottom, left:right].astype(np.uint8) * np.uint8(255)
    how = cv2.INTER_AREA if max(part.shape) > SEEN_PX else cv2.INTER_LINEAR
    truth[: size[1], : size[0]] = cv2.resize(part, size, interpolation=how)
    return Window(picture, truth)


def draw(seed: int, real: Mapping[str, np.ndarray] | None) -> Drawn:
    """Draw one picture with an animal in it; the same seed gives the same."""
    rng = np.random.default_rng([77, seed])
    if real is not None and rng.random() < REAL_SHARE:
        return _laid_on(rng, real)
    fine = str(rng.choice(list(SHARES), p=list(SHARES.values())))
    side = round(float(np.exp(rng.uniform(*np.log(SIDE_PX)))))
    ground = None
    if real is not None and rng.random() < GROUND_SHARE:
        ground = _some_ground(rng, real, side)
    crop = draw_crop(rng, fine, ground=ground, size_px=side, fill=FILL)
    mask = crop.mask if crop.mask.any() else np.ones_like(crop.mask)
    return Drawn(crop.rgb, mask, loose_box(rng, mask))


def _some_ground(rng: np.random.Generator, real: Mapping[str, np.ndarray], side: int) -> U8:
    """Cut a square out of a real ground, from near or from far."""
    names = [name for name in real if name.startswith("ground")]
    whole = _decoded(real[names[int(rng.integers(len(names)))]])[..., :3]
    most = min(whole.shape[:2])
    take = int(np.clip(side * rng.uniform(0.5, 2.0), 48, most))
    top, left = (int(rng.integers(0, size - take + 1)) for size in whole.shape[:2])
    cut = whole[top : top + take, left : left + take]
    turned = np.rot90(cut, int(rng.integers(4)))
    return as_u8(np.ascontiguousarray(turned[:, ::-1] if rng.random() < 0.5 else turned))


def _laid_on(rng: np.random.Generator, real: Mapping[str, np.ndarray]) -> Drawn:
    """Lay a real animal, turned, on a real ground, and take the picture."""
    names = [name for name in real if name.startswith("animal")]
    animal = f32(_decoded(real[names[int(rng.integers(len(names)))]]).astype(np.float32) / 255)
    side = round(float(np.exp(rng.uniform(np.log(96), np.log(SIDE_PX[1])))))
    ground = _some_ground(rng, real, side)
    behind = cv2.resize(ground, (side, side), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    rows, columns = np.nonzero(animal[..., 3] > 0.5)
    long = max(np.ptp(rows), np.ptp(columns)) + 1
    scale = side * float(rng.uniform(0.3, 0.7)) / long
    middle = (float(columns.mean()), float(rows.mean()))
    turn = np.array(cv2.getRotationMatrix2D(middle, float(rng.uniform(0, 360)), scale), np.float64)
    if scale < 1:
        animal = f32(cv2.GaussianBlur(animal, (0, 0), 0.4 / scale))
    turn[:, 2] += side / 2 + rng.uniform(-0.12, 0.12, 2) * side - np.array(middle)
    laid = cv2.warpAffine(animal, turn, (side, side), flags=cv2.INTER_LINEAR)
    alpha = laid[..., 3:]
    gain = float(np.clip(behind.mean() / max(float(animal[..., :3].mean()), 0.05), 0.4, 2.0))
    gain = 1 + (gain - 1) * float(rng.uniform(0, 1))
    picture = f32(np.clip(alpha * laid[..., :3] * gain + (1 - alpha) * behind, 0, 1))
    camera = draw_camera(rng, blur_px=float(rng.uniform(0.25, 1.2)), most_noise=2.0)
    rgb = photograph(rng, picture, camera)
    mask: Bool = np.asarray(alpha[..., 0] >= 0.5)
    if not mask.any():
        mask = np.ones_like(mask)
    return Drawn(rgb, mask, loose_box(rng, mask))


def _decoded(data: np.ndarray) -> U8:
    """Decode a picture that `pack` has written: three channels, or four with opacity."""
    read = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)  # noqa: TID251 - packed by this module
    if read is None:
        raise RuntimeError("a packed picture cannot be decoded")
    return as_u8(read)


@cache
def read_pack(path: Path) -> dict[str, np.ndarray]:
    """Read what `pack` has written."""
    with np.load(path, allow_pickle=False) as file:
        return {name: file[name] for name in file.files}


def is_held_out(source: str) -> bool:
    """Tell whether a source's photos are kept for looking at afterwards: a third of the sources."""
    return zlib.crc32(source.encode()) % 3 == 0


def pack(target: Path) -> None:
    """Pack grounds and cut-out animals of the real photographs into one file."""
    from pestvision.photos.read import read_photo
    from training.cutouts import cut_out
    from training.data import PHOTO_SETTINGS, photos_folder, rows_of

    folder = photos_folder()
    here = Path(__file__)
    packed: dict[str, np.ndarray] = {}
    for row in rows_of(here.with_name("empty_grounds.csv")):
        rgb = read_photo(folder / "backgrounds" / row["file"], settings=PHOTO_SETTINGS).rgb
        scale = GROUND_PX / min(rgb.shape[:2])
        small = cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
        packed[f"ground-{len(packed)}"] = cv2.imencode(
            ".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, 92]
        )[1]
    poor = {tuple(row.values()) for row in rows_of(here.with_name("poor_outlines.csv"))}
    for row in rows_of(folder / "boxes.csv"):
        is_animal = row["group"] in {"leech-like", "flatworm-like", "harmless"}
        if (
            not is_animal
            or is_held_out(row["source"])
            or (row["file"], row["x0"], row["y0"]) in poor
        ):
            continue
        box = (float(row["x0"]), float(row["y0"]), float(row["x1"]), float(row["y1"]))
        rgb = read_photo(folder / "photos" / row["file"], settings=PHOTO_SETTINGS).rgb
        canvas = cut_crop(rgb, box, size_px=CUTOUT_PX, grow=0.3)
        long = max(box[2] - box[0], box[3] - box[1])
        inner = _box_on_canvas(box, long)
        opacity = cut_out(canvas, inner)
        if opacity is not None:
            packed[f"animal-{len(packed)}"] = cv2.imencode(".png", np.dstack([canvas, opacity]))[1]
    np.savez(target, allow_pickle=False, **packed)


def _box_on_canvas(box: BoxXyxy, long: float) -> BoxXyxy:
    scale = CUTOUT_PX / (1.6 * long)
    wide, high = 0.5 * (box[2] - box[0]) * scale, 0.5 * (box[3] - box[1]) * scale
    middle = CUTOUT_PX / 2
    return (middle - wide, middle - high, middle + wide, middle + high)


def as_input(pictures: U8) -> F32:
    """Give pictures, (N, 128, 128, 4) uint8, as the net takes them."""
    return f32(pictures.transpose(0, 3, 1, 2).astype(np.float32) / 255 - 0.5)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("file", type=Path)
    pack(parser.parse_args().file)
