"""An exam for scales: drawn photos of the marker card, with the exact millimetres of each.

    python -m training.scale_exam [--photos N] [--only PART]

Each part is a kind of photo. `whole`: 1 to 3 megapixels, the card leaning by 0 to 30 degrees and taking a third
to all of the width, half the time in a soft shadow, printed at 92 to 102 % and its bar read to 0.4 mm. `covered`:
the same with something over a fifth to seven tenths of it. `large`: 12 megapixels. `leaning`: 34 to 45 degrees, to be refused.
`real` (where `PESTVISION_PHOTOS` is set): photos with no card, on which none may be found.

The error is of millimetres per pixel in the middle of the card's window: *geometry* with the true bar, so by the
corners alone; *all* with the bar as it was read. Coverage is how often the truth lies in the range of 95 %: of
geometry by `lay_card` alone, of all by the scale's own `relative_sd`. Nothing here bends lines or curls the card.

Seeds from TUNE_SEED on were looked at while the finder was made; those from EXAM_SEED on were not.
"""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pestvision.size.card_fit import lay_card
from pestvision.size.card_layout import BAR_MM
from pestvision.size.card_markers import read_markers
from pestvision.size.marker_card import BAR_SD, find_marker_card
from pestvision.size.records import MARKER_CARD, SIGMAS_OF_95, Scale
from training.evaluate_motion import wilson
from training.scenes.scales import draw_scaled_photo

if TYPE_CHECKING:
    from collections.abc import Iterator

    from training.scenes.scales import ScaledPhoto

TUNE_SEED = 10_000
EXAM_SEED = 770_000
PRINTED = (0.92, 1.02)
LARGE_PX = (3024, 4032)
LEANING_DEG = (34.0, 45.0)
PARTS = ("whole", "covered", "large", "leaning", "real")
_ANIMALS = ("leech", "flatworm", "snail", None)


@dataclass(frozen=True, slots=True)
class Marked:
    """One photo's marks: None where no scale was found. Errors are relative, tilts in degrees."""

    is_found: bool
    geometry: float | None = None
    geometry_sd: float | None = None
    every: float | None = None
    every_sd: float | None = None
    tilt_off_deg: float | None = None
    n_markers: int = 0


def drawn(part: str, seed: int) -> ScaledPhoto:
    """Draw one photo of a part."""
    rng = np.random.default_rng([seed, PARTS.index(part)])
    return draw_scaled_photo(
        rng,
        scale_kind=MARKER_CARD,
        animal=_ANIMALS[seed % len(_ANIMALS)],
        size=LARGE_PX if part == "large" else None,
        tilt_deg=float(rng.uniform(*LEANING_DEG)) if part == "leaning" else None,
        is_covered=part == "covered",
        printed=float(rng.uniform(*PRINTED)),
    )


def mark(photo: ScaledPhoto, rng: np.random.Generator) -> Marked:
    """Look for the card and compare with the truth; the bar is read with an error drawn from `rng`."""
    read = BAR_MM * (photo.printed + float(rng.normal(0, BAR_SD)))
    found = find_marker_card(photo.rgb, bar_mm=read)
    if not isinstance(found, Scale):
        return Marked(is_found=False)
    every = found.mm_per_px(photo.middle_xy_px) / photo.mm_per_px - 1.0
    geometry = (1.0 + every) * photo.printed * BAR_MM / read - 1.0
    fit = lay_card(read_markers(photo.rgb), float(max(photo.rgb.shape[:2])))
    return Marked(
        is_found=True,
        geometry=geometry,
        geometry_sd=None if fit is None else fit.relative_sd,
        every=every,
        every_sd=found.relative_sd,
        tilt_off_deg=None if found.tilt_deg is None else found.tilt_deg - photo.tilt_deg,
        n_markers=0 if fit is None else fit.n_markers,
    )


def marks_of(part: str, n_photos: int, *, seed: int = EXAM_SEED) -> list[Marked]:
    """Draw and mark so many photos of a part."""
    return [
        mark(drawn(part, seed + index), np.random.default_rng([seed + index, 99]))
        for index in range(n_photos)
    ]


def coverage(errors: list[float], sds: list[float]) -> float:
    """Give the share of errors within 1.96 of their own standard deviations."""
    inside = [
        abs(np.log1p(error)) <= SIGMAS_OF_95 * sd for error, sd in zip(errors, sds, strict=True)
    ]
    return float(np.mean(inside))


def table(part: str, marked: list[Marked]) -> str:
    """Put the marks of a part in words."""
    n_found = sum(one.is_found for one in marked)
    low, high = wilson(n_found, len(marked))
    head = (
        f"{part:8s} found {n_found}/{len(marked)} = {n_found / len(marked):.3f} "
        f"(95 % {max(low, 0.0):.3f} to {high:.3f})"
    )
    lines = [head]
    for name, values, sds in (
        ("geometry", _of(marked, "geometry"), _of(marked, "geometry_sd")),
        ("all", _of(marked, "every"), _of(marked, "every_sd")),
    ):
        if values:
            size = np.abs(values)
            lines.append(
                f"         {name:8s} error: median {np.median(size):.3%}, 95th percentile "
                f"{np.quantile(size, 0.95):.3%}, largest {size.max():.3%}; "
                f"range holds the truth in {coverage(values, sds):.3f}"
            )
    if tilts := _of(marked, "tilt_off_deg"):
        off = np.abs(tilts)
        lines.append(
            f"         tilt off by: median {np.median(off):.2f}, 95th percentile "
            f"{np.quantile(off, 0.95):.2f}, largest {off.max():.2f} degrees"
        )
    return "\n".join(lines)


def _of(marked: list[Marked], name: str) -> list[float]:
    return [value for one in marked if (value := getattr(one, name)) is not None]


def real_photos() -> Iterator[Path]:
    """Give the real photos, on none of which a marker card lies."""
    folder = os.environ.get("PESTVISION_PHOTOS")
    if folder:
        for name in ("photos", "backgrounds"):
            yield from sorted(path for path in (Path(folder) / name).glob("*") if path.is_file())


def found_on_real(limit: int) -> tuple[int, int]:
    """Count the real photos looked at, and those on which a card was found."""
    from pestvision.errors import PhotoError
    from pestvision.photos.read import read_photo

    n_looked = n_found = 0
    for path in real_photos():
        if n_looked >= limit:
            break
        try:
            photo = read_photo(path)
        except PhotoError:
            continue
        n_looked += 1
        n_found += isinstance(find_marker_card(photo.rgb), Scale)
    return n_looked, n_found


def main(arguments: list[str] | None = None) -> int:
    """Print the table of each part."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--photos", type=int, default=300, help="drawn photos of `whole`")
    parser.add_argument("--only", choices=PARTS, help="only this part")
    asked = parser.parse_args(arguments)
    share = {"whole": 1.0, "covered": 1 / 3, "large": 1 / 15, "leaning": 1 / 5}
    for part in PARTS:
        if asked.only not in (None, part):
            continue
        if part == "real":
            looked, found = found_on_real(10 * asked.photos)
            print(f"real     a card found on {found} of {looked} photos without one")
            continue
        n_photos = max(1, round(asked.photos * share[part]))
        print(table(part, marks_of(part, n_photos)), flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
