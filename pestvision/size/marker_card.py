"""Find the printed marker card on a photo, and the millimetres of its plane."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.arrays import as_rgb
from pestvision.errors import ScaleError
from pestvision.size.card_fit import lay_card, through
from pestvision.size.card_layout import BAR_MM, MARKERS, OUTLINE_MM
from pestvision.size.card_markers import read_markers
from pestvision.size.records import MARKER_CARD, MAX_TILT_DEG, NoScale, Scale
from pestvision.size.tilt import tilt_of

if TYPE_CHECKING:
    from pestvision.arrays import U8
    from pestvision.size.card_fit import CardFit

BAR_RANGE_MM: Final = (50.0, 200.0)
"""A card printed at half or double size is believed; a bar beyond that was measured in other units."""
BAR_SD: Final = 0.004
"""Reading a bar of 100 mm by a ruler: to half a millimetre at most, and the print is as even as that.
Own reading of what a ruler allows; common practice, no source."""
UNMEASURED_SD: Final = 0.04
"""Of a card whose bar nobody measured. Printers shrink a page by a few per cent where they fit it to the paper
(common practice, no source): one for A4 on US Letter to 279.4 / 297 = 94 %."""
FLATNESS_SD: Final = 0.004
"""A card that is not quite flat, and a lens that is not quite straight. Own guess; not measured."""

TILT_SLACK_DEG: Final = 1.0
"""A tilt is known to about a degree."""

_NO_CARD: Final = (
    "No marker card was found on this photo. Let at least one of its black squares be whole on the photo, "
    "sharp, without glare, and 30 pixels wide or more."
)


def find_marker_card(rgb: U8, *, bar_mm: float | None = None) -> Scale | NoScale:
    """Find the card and give the scale of its plane.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, upright.
    bar_mm
        What the bar on the printed card measures by a ruler. None if it was not measured: then 100 mm is
        taken, and the scale is less sure.

    Returns
    -------
    Scale
        Its `tilt_deg` takes for granted that the photo is not cut, so that the lens looks at its middle.
    NoScale
        If no marker can be read, or the card leans by more than 30 degrees.

    Raises
    ------
    ScaleError
        If `bar_mm` cannot be what the bar measures.
    ShapeError
        If `rgb` is no such picture.
    """
    photo = as_rgb(rgb)
    grow = _checked_bar(BAR_MM if bar_mm is None else bar_mm) / BAR_MM
    seen = read_markers(photo)
    if not seen:
        return NoScale(_NO_CARD)
    long_side = float(max(photo.shape[:2]))
    fit = lay_card(seen, long_side)
    if fit is None:
        return NoScale(
            "Black squares like those of the marker card were read on this photo, but they do not lie as on "
            "the card. Keep the card flat and whole, and let only one card be on the photo."
        )
    tilt = tilt_of(fit.to_px, places_mm=fit.card_mm, size=(photo.shape[0], photo.shape[1]))
    if tilt > MAX_TILT_DEG + TILT_SLACK_DEG:
        return NoScale(
            f"The marker card leans by about {tilt:.0f} degrees, and up to {MAX_TILT_DEG:.0f} can be used. "
            "Hold the camera straight above it, and do not cut the photo before it is measured."
        )
    to_mm = np.diag([grow, grow, 1.0]) @ np.linalg.inv(fit.to_px)
    outline = through(fit.to_px, np.array(OUTLINE_MM))
    printing = UNMEASURED_SD if bar_mm is None else BAR_SD
    return Scale(
        kind=MARKER_CARD,
        to_mm=np.asarray(to_mm / to_mm[2, 2], np.float64),
        relative_sd=float(min(np.sqrt(fit.relative_sd**2 + printing**2 + FLATNESS_SD**2), 0.99)),
        outline_xy_px=outline,
        tilt_deg=tilt,
        notes=_notes(fit, bar_mm),
    )


def _checked_bar(bar_mm: float) -> float:
    low, high = BAR_RANGE_MM
    if not low <= bar_mm <= high:
        raise ScaleError(
            f"The bar of the marker card was given as {bar_mm:g} mm, and it can measure {low:g} to {high:g}.",
            advice="Measure the printed bar from end to end with a ruler, and give it in millimetres.",
        )
    return float(bar_mm)


def _notes(fit: CardFit, bar_mm: float | None) -> tuple[str, ...]:
    notes = ["The animal is taken to lie in the plane of the card, at the same depth."]
    if bar_mm is None:
        notes.append(
            "The bar on the card was not measured, so 100 mm is taken for it: measure it with a ruler and "
            "give what it measures, and the range becomes narrower."
        )
    if fit.n_markers < 3:
        notes.append(
            f"Only {fit.n_markers} of the card's {len(MARKERS)} black squares could be read: show more of the "
            "card, and the range becomes narrower."
        )
    return tuple(notes)
