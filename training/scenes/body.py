"""A painted body, the kinds there are, and one animal of a kind."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np

if TYPE_CHECKING:
    from pestvision.arrays import F32, F64
    from training.scenes.paint import Sheet
    from training.scenes.records import Pose

Gait = Literal["loop", "glide", "creep", "wriggle", "swim", "stay"]
"""How a kind gets about: leech steps; cilia; a snail's foot; whole-body waves; anywhere; not."""


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """A painted body, unlit, head towards +x, on a sheet of its own.

    `rgb` is premultiplied by `alpha`; for `cover` and `height` see `Sheet`. `origin_px` is the
    sheet pixel of the body's middle. `gloss` 0 to 1 is how wet it shines. `is_lit` is False for what
    is light itself or a stain on the pane. `shadow` 0 to 1 is how strongly it shades its ground.
    `ends` are tail and head in units, and `line` (N, 2) the middle of the body between them as it is
    seen, for bodies along one. `normal` (h, w, 3), times `cover`, is where the surface faces
    (x, y in the sheet, z towards the eye); a flat body has none and is lit by the slope of `height`.
    """

    rgb: F32
    alpha: F32
    cover: F32
    height: F32
    origin_px: tuple[float, float]
    px_per_unit: float
    gloss: float
    is_lit: bool
    shadow: float
    length_units: float
    ends: tuple[tuple[float, float], tuple[float, float]]
    normal: F32 | None = None
    line: F64 | None = None


def finish(
    sheet: Sheet,
    *,
    gloss: float,
    length_units: float = 1.0,
    is_lit: bool = True,
    shadow: float = 1.0,
    ends: tuple[tuple[float, float], tuple[float, float]] = ((-0.5, 0.0), (0.5, 0.0)),
    line: F64 | None = None,
) -> Body:
    """Take a painted sheet as a body."""
    return Body(
        rgb=sheet.rgb,
        alpha=sheet.alpha,
        cover=sheet.cover,
        height=sheet.height,
        origin_px=sheet.origin,
        px_per_unit=sheet.px_per_unit,
        gloss=gloss,
        is_lit=is_lit,
        shadow=shadow,
        length_units=length_units,
        ends=ends,
        line=line,
    )


class Painter(Protocol):
    """Paints one individual: everything about it is drawn from `rng`, its posture from `pose`."""

    def __call__(self, rng: np.random.Generator, pose: Pose, px_per_unit: float, /) -> Body:
        """Paint it."""
        ...


class Poser(Protocol):
    """Draws a posture that the kind takes."""

    def __call__(self, rng: np.random.Generator, /) -> Pose:
        """Draw one."""
        ...


@dataclass(frozen=True, slots=True)
class Kind:
    """One form within a fine class.

    `share` is how often it is drawn within its class, `length_mm` its length at rest, `is_solid`
    whether it is rendered in three dimensions rather than painted flat.
    """

    name: str
    share: float
    paint: Painter
    pose: Poser
    gait: Gait
    length_mm: tuple[float, float]
    is_solid: bool = False


@dataclass(frozen=True, slots=True)
class Animal:
    """One individual: the same seed gives the same colours, marks and proportions in any pose."""

    fine: str
    kind: Kind
    seed: int

    def paint(self, pose: Pose, px_per_unit: float) -> Body:
        """Paint it in a pose, `px_per_unit` pixels for its length at rest."""
        return self.kind.paint(np.random.default_rng(self.seed), pose, px_per_unit)
