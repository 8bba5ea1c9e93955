"""Which of what was followed on a clip is told, and how: as an animal with its length, or as one of so many."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.findings.clip_result import ClipAnimal
from pestvision.findings.judge import LEECH
from pestvision.motion.trail import STILL
from pestvision.organisms.classes import CANT_TELL, Group
from pestvision.size.measure import size_of
from pestvision.size.outline import relative_sd_of
from pestvision.size.records import BodyLine

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import U8
    from pestvision.findings.finding import Judgement
    from pestvision.motion.trail import GaitReading, Trail
    from pestvision.organisms.weights import Rules
    from pestvision.size.records import Length, Scale

NOTHING = str(Group.NOT_AN_ORGANISM)
FRAME_BLUR = 0.1
"""A frame of a clip is softer than a photo: as soft as the softest drawn animals. Own choice, not measured."""
IN_PLACE = 0.25  # of its length, by which the middle of what rests goes about; own choice
NO_SCALE = "No scale was given, so its length is told in pixels only."


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """A trail with what its crops, its gait and its length come to; the clearest crop and its frame."""

    trail: Trail
    judgement: Judgement
    gait: GaitReading
    length: Length | None
    mm_per_px: float | None
    crop_rgb: U8
    number: int


def worth_telling(animals: Sequence[Judged], rules: Rules, notes: list[str]) -> list[Judged]:
    """Choose what is told as an animal; `notes` grows by what is only counted.

    Things that are none are counted only. So is, beside animals that can be told, what is too small to tell
    and went in no way that can be told, and what looked alive, kept still and cannot be told, a leech being
    ruled out.
    """
    alive = [item for item in animals if item.judgement.label != NOTHING]
    if n := len(animals) - len(alive):
        notes.append(f"{n} more that moved {_were(n)} judged not to be an animal.")
    small = [item for item in alive if _is_too_small(item, rules)]
    resting = [item for item in alive if item not in small and _only_rests(item, rules)]
    clear = [item for item in alive if item not in small and item not in resting]
    if not clear:
        return alive
    if n := len(small):
        notes.append(
            f"{n} more that moved {_were(n)} shorter than {rules.min_length_px:.0f} pixels, too small to "
            "tell. Young leeches are small too: film from closer."
        )
    if n := len(resting):
        notes.append(
            f"{n} more that looked a little like an animal kept still and cannot be told; check "
            f"{'it' if n == 1 else 'them'} on a close-up."
        )
    return clear


def _were(n: int) -> str:
    return "was" if n == 1 else "were"


def _is_too_small(item: Judged, rules: Rules) -> bool:
    if item.judgement.label != CANT_TELL or item.gait.gait is not None:
        return False
    boxes = item.trail.boxes_xyxy_px[item.trail.seen]
    sides = np.maximum(boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1])
    return float(np.median(sides)) < rules.min_length_px


def _only_rests(item: Judged, rules: Rules) -> bool:
    is_leech_out = item.judgement.p_groups[LEECH] < rules.leech_look_again
    rests = item.gait.gait == STILL or (item.gait.gait is None and _keeps_its_place(item.trail))
    return item.judgement.label == CANT_TELL and rests and is_leech_out


def _keeps_its_place(trail: Trail) -> bool:
    """Tell whether its middle went about by no more than a small part of its length."""
    middles = trail.midlines_xy_px[trail.seen].mean(axis=1)
    low, high = np.percentile(middles, [5, 95], axis=0)
    return bool(np.hypot(*(high - low)) <= IN_PLACE * np.median(trail.lengths_px[trail.seen]))


def told_of(number: int, item: Judged, scale: Scale | None) -> ClipAnimal:
    """Give a judged trail its number, and say why it has no length where it has none."""
    return ClipAnimal(
        track=number,
        trail=item.trail,
        gait=item.gait,
        judgement=item.judgement,
        crop_rgb=item.crop_rgb,
        crop_time_s=float(item.trail.times_s[item.number]),
        length=item.length,
        length_note=_length_note(item, scale),
        mm_per_px=item.mm_per_px,
    )


def middling(trail: Trail) -> BodyLine | None:
    """Give its line in the frame in which it is of middling length; None where none shows it all."""
    usable = np.flatnonzero(trail.seen & ~trail.at_edge)
    if not len(usable):
        return None
    order = usable[np.argsort(trail.lengths_px[usable])]
    at = int(order[len(order) // 2])
    near = usable[np.abs(usable - at) == 1]
    beside = [float(length) for length in trail.lengths_px[near]]
    return BodyLine(
        midline_xy_px=trail.midlines_xy_px[at],
        length_px=float(trail.lengths_px[at]),
        relative_sd=relative_sd_of(float(trail.lengths_px[at]), beside, blur=FRAME_BLUR),
    )


def _length_note(item: Judged, scale: Scale | None) -> str:
    if scale is None:
        return NO_SCALE
    line = middling(item.trail)
    if line is None:
        return "It touches the edge of every frame, so its length is not known."
    if scale.is_rough:
        return " ".join(size_of(line, scale, group=item.judgement.label).words)
    return "The length is that of the frame in which it was of middling length."
