"""What water and glass do to a size, where the scale did not lie at the animal's depth.

A camera in air, looking straight through a flat pane, sees what lies behind it nearer than it is: the distance
counts as A + g / 1.52 + W / 1.333 (A air, g glass, W water). Sizes read go as one over that distance. So a scale
at the animal's own depth needs no correction, and one on the glass makes animals behind it seem too SMALL.

Source: Snell's law near the axis, with the indices that are standard for water (1.333), soda-lime glass (1.52)
and acrylic (1.49). At 20 degrees off the axis it is off by about one per cent, at 30 by two and a half.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import product
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.errors import ScaleError

if TYPE_CHECKING:
    from pestvision.size.records import Scale

WATER_INDEX: Final = 1.333
GLASS_INDEX: Final = 1.52
ACRYLIC_INDEX: Final = 1.49

CAMERA_RANGE_MM: Final = (150.0, 400.0)
DEPTH_RANGE_MM: Final = (0.0, 150.0)
GLASS_RANGE_MM: Final = (4.0, 12.0)
"""Taken where a distance is not given: a telephone before a tank, an animal anywhere from the pane to the
middle of a tank 30 cm deep, panes as tanks have them. Own choice, printed with the result."""
MOST_MM: Final = 5000.0
"""A distance beyond that was given in another unit."""
DISTANCE_SD: Final = 0.1
"""How well a person knows the distances given, over them: 2 cm in 20. Own reading; no source."""
OFF_AXIS_SD: Final = 0.01
"""What is left within 20 degrees of the axis."""
RULE: Final = "If the scale was on the glass, sizes are too small, by a third or more for animals deep in the tank."


class ScaleAt(StrEnum):
    """Where the scale was, seen from the camera."""

    OUTER_GLASS = "outer-glass"
    INNER_GLASS = "inner-glass"
    ANIMAL_DEPTH = "animal-depth"


@dataclass(frozen=True, slots=True)
class Path:
    """The way from the camera to the animal, straight through the pane, in millimetres."""

    camera_mm: float
    glass_mm: float
    depth_mm: float
    glass_index: float = GLASS_INDEX

    @property
    def apparent_mm(self) -> float:
        """The distance in air at which the animal would look as large."""
        return self.to_pane_mm + self.depth_mm / WATER_INDEX

    @property
    def to_pane_mm(self) -> float:
        """The same for something on the inner side of the pane."""
        return self.camera_mm + self.glass_mm / self.glass_index

    @property
    def true_mm(self) -> float:
        """The distance that a ruler would measure."""
        return self.camera_mm + self.glass_mm + self.depth_mm


def read_over_true(path: Path, scale_at: ScaleAt) -> float:
    """Give the size read over the true size: below 1 where the scale is nearer than the animal."""
    if scale_at is ScaleAt.OUTER_GLASS:
        return path.camera_mm / path.apparent_mm
    if scale_at is ScaleAt.INNER_GLASS:
        return path.to_pane_mm / path.apparent_mm
    return 1.0


def read_over_true_in_air(camera_mm: float, behind_mm: float) -> float:
    """Give the size read over the true size of something in air that lies behind its scale."""
    return camera_mm / (camera_mm + behind_mm)


def off_axis_departure(angle_deg: float, path: Path) -> float:
    """Give where a ray really comes from over where the rule for the axis has it, seen so far off the axis.

    `angle_deg` is in air, from the line straight through the pane.
    """
    outside = np.sin(np.deg2rad(angle_deg))
    slope = float(np.tan(np.arcsin(outside)))
    if slope == 0.0:
        return 1.0
    in_glass = float(np.tan(np.arcsin(outside / path.glass_index)))
    in_water = float(np.tan(np.arcsin(outside / WATER_INDEX)))
    reach = path.camera_mm * slope + path.glass_mm * in_glass + path.depth_mm * in_water
    return reach / (path.apparent_mm * slope)


def through_glass(
    scale: Scale,
    *,
    scale_at: ScaleAt,
    animal_depth_mm: float | None = None,
    glass_mm: float | None = None,
    camera_mm: float | None = None,
    is_acrylic: bool = False,
) -> Scale:
    """Correct a scale for where it was, or widen it to one side where distances are not known.

    Parameters
    ----------
    scale
        As it was found, in the plane where it lay.
    scale_at
        Where that was.
    animal_depth_mm
        How far behind the inner side of the pane the animal is; 0 if it sits on the pane.
    glass_mm
        How thick the pane is.
    camera_mm
        How far the lens was from the pane.
    is_acrylic
        Whether the pane is acrylic rather than glass.

    Returns
    -------
    Scale
        With all three distances, corrected for them. Else `too_small_by` says by how much lengths may still
        be too small, for the distances of a stated range; what is too small in any case is corrected.

    Raises
    ------
    ScaleError
        If a distance is none.
    """
    if scale_at is ScaleAt.ANIMAL_DEPTH:
        return replace(
            scale,
            notes=(
                *scale.notes,
                "The scale was at the animal's depth, so water and glass change nothing.",
            ),
        )
    given = {
        "The animal's distance behind the pane": animal_depth_mm,
        "The thickness of the pane": glass_mm,
        "The distance from the camera to the pane": camera_mm,
    }
    for (what, distance), least in zip(given.items(), (0.0, 0.0, 1.0), strict=True):
        _check(what, distance, least=least)
    index = ACRYLIC_INDEX if is_acrylic else GLASS_INDEX
    paths = [
        Path(*distances, index)
        for distances in product(
            CAMERA_RANGE_MM if camera_mm is None else (camera_mm,),
            GLASS_RANGE_MM if glass_mm is None else (glass_mm,),
            DEPTH_RANGE_MM if animal_depth_mm is None else (animal_depth_mm,),
        )
    ]
    # The factor only grows or only falls with each distance: its extremes lie at the ends of the ranges.
    factors = [1.0 / read_over_true(path, scale_at) for path in paths]
    sure, most = min(factors), max(factors)
    if len(paths) == 1:
        return _corrected(scale, paths[0], scale_at)
    return _widened(scale, sure, most, given)


def _check(what: str, distance: float | None, *, least: float) -> None:
    if distance is None or least <= distance <= MOST_MM:
        return
    raise ScaleError(
        f"{what} was given as {distance:g} mm, and it can be {least:g} to {MOST_MM:g}.",
        advice="Measure it roughly and give it in millimetres, or leave it out.",
    )


def _corrected(scale: Scale, path: Path, scale_at: ScaleAt) -> Scale:
    factor = 1.0 / read_over_true(path, scale_at)
    moved = (
        replace(path, camera_mm=path.camera_mm * (1 + DISTANCE_SD)),
        replace(path, glass_mm=path.glass_mm * (1 + DISTANCE_SD)),
        replace(path, depth_mm=path.depth_mm * (1 + DISTANCE_SD)),
    )
    doubts = [1.0 / read_over_true(other, scale_at) / factor - 1.0 for other in moved]
    where = "outer" if scale_at is ScaleAt.OUTER_GLASS else "inner"
    return scale.enlarged(
        factor,
        relative_sd=float(np.hypot(np.linalg.norm(doubts), OFF_AXIS_SD)),
        note=(
            f"Corrected for glass and water: the scale was on the {where} side of the pane, so lengths read "
            f"were multiplied by {factor:.2f}. Keep the camera straight before the pane, and the animal within "
            "20 degrees of straight ahead."
        ),
    )


def _widened(scale: Scale, sure: float, most: float, given: dict[str, float | None]) -> Scale:
    """Correct by what is too small in any case, and say how much more it may be."""
    ranges = (DEPTH_RANGE_MM, GLASS_RANGE_MM, CAMERA_RANGE_MM)
    missing = [
        f"{what[0].lower()}{what[1:]} ({low:g} to {high:g} mm is taken)"
        for (what, distance), (low, high) in zip(given.items(), ranges, strict=True)
        if distance is None
    ]
    note = (
        f"{RULE} Not known: {' and '.join(missing)}. So true lengths are from as long as read here to "
        f"{most / sure:.2f} times as long."
    )
    wider = scale.enlarged(sure, relative_sd=OFF_AXIS_SD, note=note)
    low, high = scale.too_small_by
    return replace(wider, too_small_by=(low, high * most / sure))
