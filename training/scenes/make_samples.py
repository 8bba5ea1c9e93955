"""Write the sample images: an invented keeper's shelf of tanks, with the truth about every picture.

Run `python -m training.scenes.make_samples` in the repository's root; with the same versions of the
libraries it writes the same bytes again.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from PIL import Image

from pestvision.organisms.classes import GROUP_OF_FINE
from training.scenes.crops import draw_close_up
from training.scenes.nights import NightPlan, draw_night
from training.scenes.organisms import FLAT_KINDS
from training.scenes.records import TRIPOD, HandHeld

if TYPE_CHECKING:
    from pestvision.arrays import F64, U8
    from training.scenes.records import DrawnObject, DrawnPhoto, NightPhoto

_IFD_EXIF = 0x8769
_DATE_TIME_ORIGINAL = 0x9003
_OFFSET_TIME_ORIGINAL = 0x9011
_SUB_SEC_TIME_ORIGINAL = 0x9291
_OFFSET = "+01:00"

CLOSE_UP_BYTES = 150_000
NIGHT_BYTES = 320_000
"""Largest sizes of the files: the whole folder stays under 6 MB."""


@dataclass(frozen=True, slots=True)
class CloseUp:
    """One close-up: its file name, what is on it, and the seed that was picked by eye."""

    name: str
    fines: tuple[str, ...]
    seed: int


CLOSE_UPS: tuple[CloseUp, ...] = (
    CloseUp("amber_on_the_pane", ("leech",), 13),
    CloseUp("moss_between_leaves", ("leech",), 9),
    CloseUp("slate_front_pane", ("flatworm",), 8),
    CloseUp("slate_in_a_dish", ("flatworm",), 13),
    CloseUp("moss_after_feeding", ("snail",), 0),
    CloseUp("amber_back_corner", ("hydra",), 12),
    CloseUp("moss_under_the_filter", ("bubble",), 9),
    CloseUp("amber_at_dusk", ("thin-worm",), 12),
)
CLOSE_UP_SIZE = (768, 1024)
CLOSE_UP_FILL = (0.3, 0.65)
_FIRST_CLOSE_UP = datetime(2025, 11, 14, 18, 41, 7, 120_000)  # noqa: DTZ001 - a camera's own clock


@dataclass(frozen=True, slots=True)
class Night:
    """One folder of a night: who is about in each view, and how the camera is held."""

    views: tuple[tuple[str, tuple[str, ...]], ...]
    photos: int
    hand_held: HandHeld
    seed: int


NIGHTS: tuple[Night, ...] = (
    Night((("amber_front", ("leech", "leech", "snail", "snail", "flatworm")),), 8, HandHeld(), 4),
    Night((("moss_side", ("flatworm", "snail", "shrimp-or-fish", "thin-worm")),), 8, TRIPOD, 7),
)
NIGHT_SIZE = (1200, 1600)

LICENCE = """# Where these pictures come from

Every picture in this folder was drawn by this project's own program
(`python -m training.scenes.make_samples`) and is under the MIT licence of the project, as is
`truth.json`. No photograph went into them.

The shelf, its three tanks (Amber, Moss and Slate), the night and the times in the files are
invented. The animals are drawings: good for trying the tool and for testing it, no guide to telling
one species from another.
"""


def main() -> int:
    """Write `sample_images/` in the current folder and say how large it is."""
    folder = Path("sample_images")
    write_samples(folder)
    files = [path for path in folder.rglob("*") if path.is_file()]
    print(f"{len(files)} files, {sum(path.stat().st_size for path in files) / 1e6:.2f} MB")
    return 0


def write_samples(folder: Path) -> None:
    """Draw everything and write it under a folder."""
    truth: dict[str, Any] = {
        "about": "Drawn pictures with exact truth; boxes are x0, y0, x1, y1 in pixels, right and "
        "bottom exclusive; matrices take pixels (x, y, 1) of a view's first photo to this photo.",
        "close_ups": [],
        "night": [],
    }
    for index, item in enumerate(CLOSE_UPS):
        photo = draw_sample(item)
        path = folder / "close_ups" / f"{item.name}.jpg"
        taken = _FIRST_CLOSE_UP + timedelta(minutes=7 * index, milliseconds=370 * index)
        write_jpeg(path, photo.rgb, taken, limit_bytes=CLOSE_UP_BYTES)
        truth["close_ups"].append(
            {
                "file": path.relative_to(folder).as_posix(),
                "width": CLOSE_UP_SIZE[1],
                "height": CLOSE_UP_SIZE[0],
                "objects": [_object(one) for one in photo.objects],
            }
        )
    for night in NIGHTS:
        truth["night"] += _write_night(folder, night)
    (folder / "LICENSES.md").write_text(LICENCE, encoding="utf-8")
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def draw_sample(item: CloseUp) -> DrawnPhoto:
    """Draw one close-up."""
    height, width = CLOSE_UP_SIZE
    rng = np.random.default_rng([item.seed, 5])
    return draw_close_up(
        rng, item.fines, height_px=height, width_px=width, fill=CLOSE_UP_FILL, kinds=FLAT_KINDS
    )


def draw_sample_night(night: Night) -> tuple[NightPhoto, ...]:
    """Draw the photos of one night."""
    height, width = NIGHT_SIZE
    return draw_night(
        np.random.default_rng([night.seed, 6]),
        dict(night.views),
        night.photos,
        height_px=height,
        width_px=width,
        hand_held=night.hand_held,
        plan=NightPlan(interval_s=1500.0, length_px=(50.0, 150.0)),
        kinds=FLAT_KINDS,
    )


def _write_night(folder: Path, night: Night) -> list[dict[str, Any]]:
    views: dict[str, list[dict[str, Any]]] = {}
    for photo in draw_sample_night(night):
        seen = views.setdefault(photo.view, [])
        path = folder / "night" / photo.view / f"photo_{len(seen) + 1:02d}.jpg"
        write_jpeg(path, photo.rgb, photo.taken, limit_bytes=NIGHT_BYTES)
        seen.append(
            {
                "file": path.relative_to(folder).as_posix(),
                "taken": photo.taken.isoformat(timespec="milliseconds") + _OFFSET,
                "matrix_from_first": _rows(photo.matrix),
                "animals": [
                    {"track": animal.track, **_object(animal.truth)} for animal in photo.animals
                ],
            }
        )
    return [{"view": name, "photos": photos} for name, photos in views.items()]


def _object(truth: DrawnObject) -> dict[str, Any]:
    return {
        "fine": truth.fine,
        "group": str(GROUP_OF_FINE[truth.fine]),
        "box_xyxy_px": [round(edge) for edge in truth.box_xyxy_px],
        "length_px": round(truth.length_px, 1),
        "pose": truth.pose.name,
    }


def _rows(matrix: F64) -> list[list[float]]:
    return [[float(f"{value:.10g}") for value in row] for row in matrix.tolist()]


def write_jpeg(path: Path, rgb: U8, taken: datetime, *, limit_bytes: int) -> None:
    """Write a JPEG with its time in EXIF, at the best quality that keeps under a size."""
    path.parent.mkdir(parents=True, exist_ok=True)
    exif = Image.Exif()
    exif.get_ifd(_IFD_EXIF).update(
        {
            _DATE_TIME_ORIGINAL: taken.strftime("%Y:%m:%d %H:%M:%S"),
            _OFFSET_TIME_ORIGINAL: _OFFSET,
            _SUB_SEC_TIME_ORIGINAL: f"{taken.microsecond // 1000:03d}",
        }
    )
    for quality in range(90, 30, -4):
        Image.fromarray(rgb).save(path, "JPEG", quality=quality, exif=exif)
        if path.stat().st_size <= limit_bytes:
            return
    raise RuntimeError(f"{path.name} stays over {limit_bytes} bytes at the lowest quality")


if __name__ == "__main__":
    sys.exit(main())
