"""Put sizes to what was found: an outline in each box, and its length where a scale is known."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.organisms.classes import Group
from pestvision.organisms.crops import crop_square
from pestvision.organisms.outline_net import find_outline
from pestvision.size.measure import Size, least_seen_words, length_words, size_of
from pestvision.size.outline import AT_FRAME, LEAVES_BOX, NoOutline
from pestvision.size.records import (
    CARD_OUTLINE,
    COIN,
    DUCKWEED,
    MARKER_CARD,
    RULER,
    TWO_POINTS,
    BodyLine,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from pestvision.arrays import F64, U8, BoxXyxy
    from pestvision.findings.finding import Finding, Judgement
    from pestvision.findings.follow import PairLooks
    from pestvision.size.records import Scale

NO_SCALE_HERE = (
    "Its photos could not be laid on the one that shows the scale, so its length is not known."
)
_HALF = np.array([[1.0, 0.0, 0.5], [0.0, 1.0, 0.5], [0.0, 0.0, 1.0]])


@dataclass(frozen=True, slots=True, eq=False)
class ViewScale:
    """The scale of a view, and the name of the photo whose pixels it is of."""

    photo: str
    scale: Scale


SCALE_NAMES = {
    MARKER_CARD: "the printed card with markers",
    COIN: "the coin",
    CARD_OUTLINE: "the outline of the card",
    RULER: "the ruler",
    TWO_POINTS: "the two points",
    DUCKWEED: "the duckweed",
}


def scale_words(scale: Scale, shape: tuple[int, ...], *, least_px: float) -> tuple[str, ...]:
    """Say what the lengths on a photo rest on, and how small an animal may be to be seen.

    Parameters
    ----------
    scale
        On the photo's pixels.
    shape
        Height and width of the photo.
    least_px
        Nothing shorter is looked for.
    """
    middle = (float(shape[1]) / 2, float(shape[0]) / 2)
    return (
        f"Lengths are by {SCALE_NAMES[scale.kind]}, and hold for animals in the same plane.",
        *scale.notes,
        least_seen_words(scale, middle, least_px=least_px),
    )


def group_of(judgement: Judgement) -> str:
    """Give the group whose ages are told: the label's, or the likeliest where it cannot be told."""
    return str(judgement.likeliest)


def sized(findings: Sequence[Finding], rgb: U8, scale: Scale) -> tuple[Finding, ...]:
    """Put a length to each finding of a photo that is an organism, or may be one.

    Parameters
    ----------
    findings
        Of the photo.
    rgb
        (H, W, 3) uint8: the photo.
    scale
        On its pixels.
    """
    return tuple(_sized(finding, rgb, scale) for finding in findings)


def _sized(finding: Finding, rgb: U8, scale: Scale) -> Finding:
    if finding.judgement.label == Group.NOT_AN_ORGANISM:
        return finding
    outline = find_outline(rgb, finding.box_xyxy_px)
    size = size_of(outline, scale, group=group_of(finding.judgement))
    line = None if isinstance(outline, NoOutline) else outline.midline_xy_px
    return dataclasses.replace(
        finding, length=size.length, size_words=size.words, midline_xy_px=line
    )


def body_in_crop(
    crop: U8, box_xyxy_px: BoxXyxy, *, photo_shape: tuple[int, int]
) -> BodyLine | None:
    """Find the line of a body in the crop that was cut about its box, in pixels of the photo.

    One that is rough is given too: how the animal went can be told by it, not its length.

    Parameters
    ----------
    crop
        (S, S, 3) uint8, by `organisms.crops.cut_crop`.
    box_xyxy_px
        The box on the photo.
    photo_shape
        Height and width of the photo.
    """
    left, top, right, _bottom = crop_square(box_xyxy_px)
    scale = crop.shape[1] / max(round(right - left), 1)
    x0, y0, x1, y1 = box_xyxy_px
    inner = ((x0 - left) * scale, (y0 - top) * scale, (x1 - left) * scale, (y1 - top) * scale)
    found = find_outline(crop, inner)
    body = found.rough if isinstance(found, NoOutline) else found
    if body is None:
        return None
    doubts = tuple(LEAVES_BOX if doubt == AT_FRAME else doubt for doubt in body.doubts)
    if x0 <= 0 or y0 <= 0 or x1 >= photo_shape[1] or y1 >= photo_shape[0]:
        doubts = (*doubts, AT_FRAME)
    return BodyLine(
        midline_xy_px=body.midline_xy_px / scale + np.array([left, top]),
        length_px=body.length_px / scale,
        relative_sd=body.relative_sd,
        doubts=doubts,
        widths_px=body.widths_px / scale,
        is_rough=body is not found,
    )


def scales_by_photo(
    photos: Sequence[str], pairs: Sequence[PairLooks], of_view: ViewScale | None
) -> dict[str, Scale]:
    """Carry a view's scale to its other photos, as far as neighbours could be aligned.

    Parameters
    ----------
    photos
        Names in order.
    pairs
        One for each two neighbours.
    of_view
        The scale and its photo; None gives none.
    """
    if of_view is None or of_view.photo not in photos:
        return {}
    at = list(photos).index(of_view.photo)
    scales = {of_view.photo: of_view.scale}
    for place in range(at + 1, len(photos)):
        matrix = pairs[place - 1].matrix
        if matrix is None:
            break
        back = np.asarray(np.linalg.inv(_by_corners(matrix)), np.float64)
        scales[photos[place]] = scales[photos[place - 1]].moved(back)
    for place in range(at - 1, -1, -1):
        matrix = pairs[place].matrix
        if matrix is None:
            break
        scales[photos[place]] = scales[photos[place + 1]].moved(_by_corners(matrix))
    return scales


def _by_corners(matrix: NDArray[np.floating]) -> F64:
    """Take a matrix between pixel centres counted from 0 to one between places counted from the corner."""
    return np.asarray(_HALF @ matrix @ np.linalg.inv(_HALF), np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class _Sighting:
    photo: str
    body: BodyLine
    size: Size


def size_over_photos(
    bodies: Sequence[tuple[str, BodyLine | None]], scales: Mapping[str, Scale], *, group: str
) -> Size | None:
    """Give the size of an animal seen on several photos; None where the view has no scale.

    An animal draws itself out and together: the length told is the middle one, with its own range, and
    the least and the greatest are said.

    Parameters
    ----------
    bodies
        Photo and body line; None where no outline was found. One that is rough counts as none.
    scales
        By photo.
    group
        As for `size.measure.size_of`.
    """
    if not scales or not bodies:
        return None
    reached = [(photo, body) for photo, body in bodies if photo in scales]
    if not reached:
        return Size(None, (NO_SCALE_HERE,))
    seen = [
        _Sighting(photo, body, size_of(body, scales[photo], group=group))
        for photo, body in reached
        if body is not None and not body.is_rough
    ]
    if not seen:
        return Size(None, ("Its length is not known: its outline could not be told on any photo.",))
    known = [item for item in seen if item.size.length is not None]
    if not known:
        return seen[0].size
    known.sort(key=lambda item: item.size.length.mm if item.size.length else 0.0)
    middle = known[(len(known) - 1) // 2].size
    if len(known) == 1 or middle.length is None:
        return middle
    ends = [item.size.length for item in (known[0], known[-1])]
    told = " to ".join(f"{length.mm:.1f}" for length in ends if length is not None)
    over = f"Over {len(known)} photos its length was read as {told} mm; the middle one is told."
    first = length_words(middle.length)
    rest = tuple(word for word in middle.words if word != first)
    return Size(middle.length, (first, over, *rest))


def displacement_mm(
    boxes: tuple[BoxXyxy | None, BoxXyxy | None], scales: tuple[Scale | None, Scale | None]
) -> float | None:
    """Give how far apart the middles of two boxes lie on the plane of the scale, None where not known."""
    if boxes[0] is None or boxes[1] is None or scales[0] is None or scales[1] is None:
        return None
    if scales[0].is_rough:
        return None
    places = [
        scale.places_mm(np.array([[(box[0] + box[2]) / 2, (box[1] + box[3]) / 2]]))[0]
        for box, scale in zip(boxes, scales, strict=True)
        if box is not None and scale is not None
    ]
    return float(np.hypot(*(places[1] - places[0])))
