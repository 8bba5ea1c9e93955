"""What the lengths in a view or on a photo come to: the largest, the smallest, and those of hatchling size."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pestvision.organisms.classes import GROUP_NAMES, Group
from pestvision.size.measure import LEECH_HATCHLING_MM

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pestvision.findings.finding import Finding, TrackResult, ViewResult
    from pestvision.size.records import Length

HATCHLING_UP_TO_MM = 1.5 * LEECH_HATCHLING_MM
"""A young one is "about" as long as that; `size.measure.life_stages` calls a hatchling possible up to here."""

TOLD_OF = (Group.LEECH_LIKE, Group.FLATWORM_LIKE)
"""The labels whose sizes are put together, the most worrying first."""


@dataclass(frozen=True, slots=True)
class Sizes:
    """What the lengths of one label come to.

    Parameters
    ----------
    label
        What the animals were called.
    n_found, n_measured
        How many there were, and how many of them have a length.
    largest, smallest
        The lengths of two of them, with their ranges.
    n_hatchlings, n_maybe
        Of leeches: how many lengths are of hatchling size, and of how many others the range alone reaches
        into it. No source tells how long a flatworm is when it hatches: None.
    """

    label: str
    n_found: int
    n_measured: int
    largest: Length
    smallest: Length
    n_hatchlings: int | None = None
    n_maybe: int | None = None


def sizes_of(found: Iterable[tuple[str, Length | None]], label: str) -> Sizes | None:
    """Put the lengths of one label together; None where none of it has a length.

    Parameters
    ----------
    found
        Label and length of each animal.
    label
        The label that is asked for.
    """
    own = [length for called, length in found if called == label]
    lengths = sorted((each for each in own if each is not None), key=lambda each: each.mm)
    if not lengths:
        return None
    n_hatchlings = n_maybe = None
    if label == Group.LEECH_LIKE:
        n_hatchlings = sum(map(is_hatchling, lengths))
        n_maybe = sum(each.low_mm <= HATCHLING_UP_TO_MM for each in lengths) - n_hatchlings
    return Sizes(label, len(own), len(lengths), lengths[-1], lengths[0], n_hatchlings, n_maybe)


def is_hatchling(length: Length) -> bool:
    """Tell whether a leech of that length is of hatchling size, its range left aside."""
    return length.mm <= HATCHLING_UP_TO_MM


def animals_of(view: ViewResult) -> Sequence[TrackResult | Finding]:
    """Give everything in a view that may have a length: its tracks, or what its only photo shows."""
    return (*view.tracks, *(() if view.still is None else view.still.findings))


def view_sizes(view: ViewResult) -> tuple[Sizes, ...]:
    """Give the sizes in a view, by label; empty where nothing has a length."""
    found = [(item.judgement.label, item.length) for item in animals_of(view)]
    told = (sizes_of(found, label) for label in TOLD_OF)
    return tuple(sizes for sizes in told if sizes is not None)


def hatchlings_at_once(view: ViewResult) -> int:
    """Give the most leeches of hatchling size on one photo of a view: a lower bound, 0 where none is known."""
    if view.still is not None:
        return sum(_is_young(item) for item in view.still.findings)
    shown = Counter(
        name
        for track in view.tracks
        if _is_young(track)
        for name in {name for name, _box in track.sightings}
    )
    return max(shown.values(), default=0)


def _is_young(item: TrackResult | Finding) -> bool:
    is_leech = item.judgement.label == Group.LEECH_LIKE
    return is_leech and item.length is not None and is_hatchling(item.length)


def millimetres(mm: float) -> str:
    """Give a number of millimetres: tenths below ten, where they matter."""
    return f"{mm:.1f}" if mm < 9.95 else f"{mm:.0f}"


def length_in_short(length: Length) -> str:
    """Give a length with its range: `23 mm (20–26)`."""
    span = f"{millimetres(length.low_mm)}–{millimetres(length.high_mm)}"
    return f"{millimetres(length.mm)} mm ({span})"


def sizes_words(sizes: Sizes) -> str:
    """Say what the lengths of one label come to."""
    name = GROUP_NAMES[sizes.label]
    if sizes.n_measured == 1:
        told = length_in_short(sizes.largest)
    else:
        largest, smallest = length_in_short(sizes.largest), length_in_short(sizes.smallest)
        told = f"largest {largest}, smallest {smallest}"
    if sizes.n_hatchlings is not None:
        told += f"; {sizes.n_hatchlings or 'none'} of {sizes.n_measured} of hatchling size"
    if sizes.n_maybe:
        told += f", {sizes.n_maybe} more may be"
    words = f"Sizes are of what was called {name}: {told}."
    if sizes.n_measured < sizes.n_found:
        words += f" {sizes.n_measured} of {sizes.n_found} could be measured."
    return words
