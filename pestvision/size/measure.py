"""How long an animal is: its midline through the scale, with a range that is measured, and in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.size.outline import NoOutline
from pestvision.size.records import Length

if TYPE_CHECKING:
    from pestvision.size.records import BodyLine, Outline, Scale

_FIRST_NUMBER_MM = (
    0.05  # below it a length is no animal's that a photo shows, and rounds to nothing
)


@dataclass(frozen=True, slots=True)
class Size:
    """What is told of an animal's size: a length where there is one, and sentences either way."""

    length: Length | None
    words: tuple[str, ...]


def measure(outline: Outline | BodyLine, scale: Scale) -> Length:
    """Give the length of an animal along its midline, with the range that holds it 95 times in 100.

    Parameters
    ----------
    outline
        In pixels of the photo that the scale is of.
    scale
        Of the plane in which the animal lies. One that is rough gives a rough length: `size_of` tells
        it in words alone.
    """
    line_mm = scale.length_mm(outline.midline_xy_px)
    # The midline's few points cut its bends; its length was taken before they were chosen.
    chord_px = float(np.hypot(*np.diff(outline.midline_xy_px, axis=0).T).sum())
    mm = max(line_mm * outline.length_px / max(chord_px, 1e-9), _FIRST_NUMBER_MM)
    low_mm, high_mm = scale.range_mm(mm, relative_sd=outline.relative_sd)
    return Length(
        mm=mm,
        low_mm=low_mm,
        high_mm=high_mm,
        notes=(*outline.doubts, *scale.notes),
    )


def stretch_of(outline: Outline) -> float:
    """Give how drawn out an animal is: its length over its greatest width."""
    return outline.length_px / max(float(outline.widths_px.max()), 1e-9)


def size_of(outline: Outline | BodyLine | NoOutline, scale: Scale, *, group: str) -> Size:
    """Give what can be told of an animal's size on a photo with a scale.

    Parameters
    ----------
    outline
        Or why there is none.
    scale
        Of the animal's plane.
    group
        `leech-like`, `flatworm-like` or another: the bands of age are those of its kind.
    """
    if isinstance(outline, NoOutline):
        return Size(None, (f"Its length is not known. {outline.reason}",))
    length = measure(outline, scale)
    if scale.is_rough:
        return Size(None, (_roughly(length), *length.notes))
    return Size(length, (length_words(length), *life_stages(length, group), *length.notes))


def length_words(length: Length) -> str:
    """Give a length and its range in a sentence."""
    about = f"About {_mm(length.mm)} mm long, {_mm(length.low_mm)} to {_mm(length.high_mm)} mm"
    return f"{about}: the range holds the true length 95 times in 100."


def _mm(value: float) -> str:
    return f"{value:.1f}" if value < 10 else f"{value:.0f}"


_STEPS_MM = (1, 2, 5, 10, 20, 50, 100, 200, 500)


def _roughly(length: Length) -> str:
    """Say the order of a length, in steps of about two."""
    nearest = min(_STEPS_MM, key=lambda step: abs(float(np.log(length.mm / step))))
    return (
        f"Of the order of {nearest} mm: half or twice that is as well possible, so no length is given. "
        "Lay a coin or the printed card beside it for one."
    )


LEECH_HATCHLING_MM = 1.0
"""Young *Helobdella stagnalis* are about 1 mm long in May (Šatkauskienė & Rutkauskaitė-Sucilienė 2022,
Zootaxa 5115(1), p. 52)."""
LEECH_ADULT_MM = (10.0, 30.0)
"""*Alboglossiphonia heteroclita* and *Helobdella stagnalis* are 10 mm long (the same, pp. 49-52),
*Glossiphonia complanata* up to 30 mm (a British leech key; secondary source read). At rest."""
FLATWORM_ADULT_MM = (4.0, 36.0)
"""*Girardia tigrina* is 4 to 6 mm long (J Species Res 2023, 12:341), British planarians 12 to 36 mm
(Essex Field Club, "The British fresh-water planarians"). No length of a hatchling was found."""
_ABOUT = 1.5  # "about 1 mm" is taken as up to so many times that


def life_stages(length: Length, group: str) -> tuple[str, ...]:
    """Say which ages are possible by the sizes in the sources; nothing for a group without any.

    A band is possible where the range reaches into it. Ages overlap, for a small kind is grown at the
    size of a large kind's young.
    """
    if group == "leech-like":
        return (_leech_stages(length),)
    if group == "flatworm-like":
        return (_flatworm_stages(length),)
    return ()


def _leech_stages(length: Length) -> str:
    young, (least, most) = LEECH_HATCHLING_MM * _ABOUT, LEECH_ADULT_MM
    if length.low_mm > most:
        return (
            f"Possible: a grown leech of a larger kind; snail leeches at rest are up to {most:.0f} mm long, "
            "and longer when they stretch."
        )
    stages = [
        name
        for name, is_possible in (
            ("hatchling", length.low_mm <= young),
            ("juvenile", length.low_mm < least and length.high_mm > young),
            ("adult", length.high_mm >= least),
        )
        if is_possible
    ]
    return (
        f"Possible: {_either(stages)}. Newly free young are about {LEECH_HATCHLING_MM:.0f} mm long, grown "
        f"snail leeches {least:.0f} to {most:.0f} mm at rest; a leech that draws itself together is much "
        "shorter."
    )


def _flatworm_stages(length: Length) -> str:
    least, most = FLATWORM_ADULT_MM
    if length.low_mm > most:
        return f"Longer than the flatworms in the sources, which are up to {most:.0f} mm long."
    stages = [
        name
        for name, is_possible in (
            ("a young one", length.low_mm < least),
            ("adult", length.high_mm >= least),
        )
        if is_possible
    ]
    return (
        f"Possible: {_either(stages)}. Grown flatworms are {least:.0f} to {most:.0f} mm long, by their "
        "kind; how long they are when they hatch was not found."
    )


def _either(names: list[str]) -> str:
    return " or ".join(names) if len(names) < 3 else f"{', '.join(names[:-1])} or {names[-1]}"


def least_seen_words(scale: Scale, at_xy_px: tuple[float, float], *, least_px: float) -> str:
    """Say how small an animal may be before the program takes no notice of it on this photo.

    Parameters
    ----------
    scale, at_xy_px
        The scale, and where on the photo.
    least_px
        The length in pixels below which nothing is looked for.
    """
    mm = least_px * scale.mm_per_px(at_xy_px)
    about = f"{mm:.1f}" if mm < 10 else f"{mm:.0f}"
    return (
        f"Animals shorter than about {about} mm would not be seen on this photo: they have fewer than "
        f"{least_px:.0f} pixels."
    )
