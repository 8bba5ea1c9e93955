"""Follow what moved over the photos of a view: from looks at pairs to tracks and counts."""

from __future__ import annotations

import dataclasses
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, U8, BoxXyxy, as_u8
from pestvision.findings.evidence import track_cue
from pestvision.findings.finding import Judgement, Moved, PairResult, TrackResult
from pestvision.findings.judge import judge, worry
from pestvision.findings.sizes import displacement_mm, group_of, size_over_photos
from pestvision.findings.track_cue import between
from pestvision.findings.travel import UNKNOWN, travel_of
from pestvision.motion.links import link_movers
from pestvision.organisms.classes import CANT_TELL, GROUPS, LABELS, Group

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pestvision.findings.cues import Cue
    from pestvision.findings.track_cue import Between
    from pestvision.findings.travel import Travel
    from pestvision.motion.tracks import Mover
    from pestvision.organisms.classify import Scores
    from pestvision.organisms.weights import Rules
    from pestvision.photos.exif import TakenAt
    from pestvision.size.measure import Size
    from pestvision.size.records import BodyLine, Scale

ANIMAL_CROP_PX = 128
"""Side of a kept crop. 24 movers in each of 40 more pairs then take 47 MB, 6 % of the 770 MB that a
night of 12-megapixel photos peaks at: memory does not follow the number of photos."""

OTHER_CROP_PX = 64  # of one judged not an organism: many a night, and all are kept

NEAR_SHARE = 0.5
"""Boxes on one photo that touch once each is grown by this share of its long side are counted as one
animal. A broken track, or an animal whose ends moved and whose middle did not, shows as pieces; on
drawn nights they lay up to 0.6 of the animal's length apart. They must not raise a count that is
called a lower bound. Two animals within a length of each other are then one, and the bound holds."""

EMPTY_PLACE_P = 0.5
"""Probability of *not an organism* from which a look shows an empty place. What changed may be the
place an animal left: that crop shows ground, and is no evidence about the animal."""

FULL_LENGTH_PX = 48.0
FULL_SHARPNESS = 0.05
"""From this length and this sharpness of its crop on a look counts in full, below in proportion. Over 145
drawn animals the mean loss was 0.67 with all looks alike, 0.65 by length and 0.63 by both."""
LEAST_WEIGHT = 0.01

NOT_AN_ORGANISM = GROUPS.index(Group.NOT_AN_ORGANISM)


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """A mover on one photo, what the net says of it, and its body's line where its outline was found."""

    photo: str
    box_xyxy_px: BoxXyxy
    scores: Scores
    body: BodyLine | None = None

    @property
    def length_px(self) -> float:
        """The box's long side."""
        x0, y0, x1, y1 = self.box_xyxy_px
        return max(x1 - x0, y1 - y0)


@dataclass(frozen=True, slots=True, eq=False)
class MoverLooks:
    """One mover of a pair: its judgement, one or two looks at it, and the clearer one's crop."""

    mover: Mover
    judgement: Judgement
    looks: tuple[Look, ...]
    crop_rgb: U8


def judge_mover(
    mover: Mover, looks: Sequence[Look], crops: Sequence[U8], *, rules: Rules
) -> MoverLooks:
    """Judge a mover by its looks, and keep one crop no larger than it will be shown.

    Parameters
    ----------
    mover
        From `motion.tracks.pair_movers`.
    looks, crops
        One or two, for each photo that shows it, with their crops.
    rules
        Thresholds of the model card.
    """
    judgement = judgement_of(mover, looks, rules=rules)
    clearest = max(range(len(looks)), key=lambda rank: _clearness(looks[rank], judgement))
    is_animal = judgement.label != Group.NOT_AN_ORGANISM
    side_px = ANIMAL_CROP_PX if is_animal else OTHER_CROP_PX
    crop_rgb = reduced(crops[clearest], max_side_px=side_px)[0]
    return MoverLooks(mover, judgement, tuple(looks), crop_rgb)


def judgement_of(mover: Mover, looks: Sequence[Look], *, rules: Rules) -> Judgement:
    """Judge a mover by those of its looks that show something alive, or by all where none does.

    How it went counts as well, where its body was outlined on both photos.
    """
    between = _between(mover, looks)
    return _judged(_telling(looks), rules, cues=() if between is None else (track_cue(between),))


def _between(mover: Mover, looks: Sequence[Look]) -> Between | None:
    """Say how a mover went and what became of its length; None where one body was not outlined."""
    bodies = [look.body for look in looks if look.body is not None]
    if mover.displacement_px is None:
        return None
    return between(mover.displacement_px / max(look.length_px for look in looks), bodies)


def _usual_cue(seen: Sequence[_Seen]) -> tuple[Cue, ...]:
    """Give what a track's pairs say of how it went: that of the pair with the middling stretch."""
    found = [_between(item.mover, item.looks) for _pair, item in seen]
    known = sorted((one for one in found if one is not None), key=lambda one: one.stretch)
    return (track_cue(known[len(known) // 2]),) if known else ()


def _telling(looks: Sequence[Look]) -> list[Look]:
    """Give the looks that show something alive, or all where none does."""
    alive = [look for look in looks if shows_something(look.scores)]
    return alive or list(looks)


def shows_something(scores: Scores) -> bool:
    """Tell whether a look shows something alive rather than an empty place."""
    return bool(scores.p_groups[NOT_AN_ORGANISM] < EMPTY_PLACE_P)


def _judged(
    looks: Sequence[Look], rules: Rules, travel: Travel = UNKNOWN, cues: Sequence[Cue] = ()
) -> Judgement:
    return judge(
        [look.scores for look in looks],
        rules=rules,
        lengths_px=[look.length_px for look in looks],
        weights=[_weight(look) for look in looks],
        travel=travel,
        cues=cues,
    )


def _weight(look: Look) -> float:
    """Say how much a look counts among those of its track: small and blurred ones count less."""
    by_length = min(1.0, look.length_px / FULL_LENGTH_PX)
    by_sharpness = min(1.0, look.scores.sharpness / FULL_SHARPNESS)
    return max(LEAST_WEIGHT, by_length * by_sharpness)


def _clearness(look: Look, judgement: Judgement) -> float:
    """Say how much a look speaks for a judgement; where it cannot be told, how large it is."""
    if judgement.label == CANT_TELL:
        return look.length_px
    return float(look.scores.p_groups[GROUPS.index(Group(judgement.label))])


@dataclass(frozen=True, slots=True, eq=False)
class PairLooks:
    """What is kept of two neighbouring photos once they are let go.

    `matrix` is the pair's, (3, 3) float32, first's (x, y, 1) to second's, and `misplaced_px` the median
    error of what was matched; None where it could not be aligned.
    """

    first: str
    second: str
    reason: str
    matrix: F32 | None = None
    movers: tuple[MoverLooks, ...] = ()
    misplaced_px: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Followed:
    """A view's pairs and tracks, the most of each label at once, and the photo that shows most."""

    pairs: tuple[PairResult, ...]
    tracks: tuple[TrackResult, ...]
    at_once_max: dict[str, int]
    busiest: str | None


def reduced(rgb: U8, *, max_side_px: int) -> tuple[U8, float]:
    """Give a picture with at most `max_side_px` on its long side, and the factor, 1 or less."""
    height, width = rgb.shape[:2]
    scale = max_side_px / max(height, width)
    if scale >= 1.0:
        return rgb, 1.0
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    return as_u8(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)), scale


def follow(
    pairs: Sequence[PairLooks],
    *,
    max_gap_photos: int,
    rules: Rules,
    taken: Mapping[str, TakenAt] | None = None,
    scales: Mapping[str, Scale] | None = None,
) -> Followed:
    """Link the movers of neighbouring pairs into tracks, and judge each track as a whole.

    Parameters
    ----------
    pairs
        A view's neighbouring photos in order; a pair that could not be aligned has no movers.
    max_gap_photos
        A mover unseen for more photos than this starts a new track.
    rules
        Thresholds of the model card.
    taken
        When each photo was taken, by its name. Left out: nothing is known of how fast anything went.
    scales
        The scale on each photo that has one, by its name.

    Returns
    -------
    Followed
        Tracks of animals only, numbered from 1, the most worrying first. What was judged not an
        organism stays in its pair, with track 0.
    """
    linked = link_movers(
        [[item.mover for item in pair.movers] for pair in pairs],
        matrices=[pair.matrix for pair in pairs],
        max_gap_photos=max_gap_photos,
        seen_as=[[np.array(item.judgement.p_groups) for item in pair.movers] for pair in pairs],
    )
    tracks = _tracks(pairs, linked, rules, taken or {})
    known = scales or {}
    tracks = {link: _with_size(track, known) for link, track in tracks.items()}
    results = tuple(
        PairResult(
            first=pair.first,
            second=pair.second,
            aligned=pair.matrix is not None,
            reason=pair.reason,
            moved=_moved(pair, [tracks.get(mover.track) for mover in movers], known),
            misplaced_px=pair.misplaced_px,
        )
        for pair, movers in zip(pairs, linked, strict=True)
    )
    seen: dict[str, list[tuple[str, BoxXyxy]]] = defaultdict(list)
    for track in tracks.values():
        for look in track.sure_looks:
            seen[look.photo].append((track.result.judgement.label, look.box_xyxy_px))
    return Followed(
        pairs=results,
        tracks=tuple(track.result for track in tracks.values()),
        at_once_max=seen_at_once(seen),
        busiest=_busiest(seen),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Track:
    """A track's result, those of its looks that by themselves speak for its label, and all of them."""

    result: TrackResult
    sure_looks: tuple[Look, ...]
    looks: tuple[Look, ...]


_Seen = tuple[PairLooks, MoverLooks]  # a mover, and the pair that it is of


def _tracks(
    pairs: Sequence[PairLooks],
    linked: Sequence[Sequence[Mover]],
    rules: Rules,
    taken: Mapping[str, TakenAt],
) -> dict[int, _Track]:
    """Give the tracks of animals by their link, numbered from 1, the most worrying first."""
    members: dict[int, list[_Seen]] = defaultdict(list)
    for pair, movers in zip(pairs, linked, strict=True):
        for item, mover in zip(pair.movers, movers, strict=True):
            members[mover.track].append((pair, item))
    tracks = [(link, _joined(seen, rules, taken)) for link, seen in members.items()]
    animals = [
        (link, track)
        for link, track in tracks
        if track.result.judgement.label != Group.NOT_AN_ORGANISM
    ]
    animals.sort(key=lambda item: worry(item[1].result.judgement), reverse=True)
    return {
        link: dataclasses.replace(track, result=dataclasses.replace(track.result, id=number))
        for number, (link, track) in enumerate(animals, start=1)
    }


def _joined(seen: Sequence[_Seen], rules: Rules, taken: Mapping[str, TakenAt]) -> _Track:
    """Join the movers of one track: one look a photo, the one with the stronger change."""
    items = [item for _pair, item in seen]
    by_photo: dict[str, tuple[float, Look]] = {}
    for item in items:
        for look in item.looks:
            strength, _look = by_photo.get(look.photo, (-np.inf, look))
            if item.mover.z_peak > strength:
                by_photo[look.photo] = (item.mover.z_peak, look)
    looks = _telling([look for _strength, look in by_photo.values()])
    travel = travel_of(
        [(pair.first, pair.second, item.mover.displacement_px) for pair, item in seen],
        length_px=max(look.length_px for item in items for look in item.looks),
        taken=taken,
    )
    judgement = _judged(looks, rules, travel, _usual_cue(seen))
    clearest = max(items, key=lambda i: max(_clearness(look, judgement) for look in i.looks))
    result = TrackResult(
        id=0,
        sightings=tuple((look.photo, look.box_xyxy_px) for look in looks),
        judgement=judgement,
        crop_rgb=clearest.crop_rgb,
    )
    sure = tuple(look for look in looks if _speaks_for(look, judgement))
    return _Track(result, sure, tuple(looks))


def _with_size(track: _Track, scales: Mapping[str, Scale]) -> _Track:
    """Put its length to a track, as far as its photos have a scale."""
    size = _size_of(track.looks, scales, track.result.judgement)
    if size is None:
        return track
    result = dataclasses.replace(track.result, length=size.length, size_words=size.words)
    return dataclasses.replace(track, result=result)


def _size_of(
    looks: Sequence[Look], scales: Mapping[str, Scale], judgement: Judgement
) -> Size | None:
    if judgement.label == Group.NOT_AN_ORGANISM:
        return None
    bodies = [(look.photo, look.body) for look in looks]
    return size_over_photos(bodies, scales, group=group_of(judgement))


def _speaks_for(look: Look, judgement: Judgement) -> bool:
    """Tell whether a look's likeliest group is its track's.

    Where two animals met, a track may have changed from one to the other; a look that shows the other
    is not counted for the label. With *can't tell*, every look counts.
    """
    if judgement.label == CANT_TELL:
        return True
    return GROUPS[int(look.scores.p_groups.argmax())] == judgement.label


def _moved(
    pair: PairLooks, tracks: Sequence[_Track | None], scales: Mapping[str, Scale]
) -> tuple[Moved, ...]:
    """Give a pair's movers as results, the most worrying first.

    Those of a track share its clearest crop: a night has hundreds of them.
    """
    moved = [
        _moved_one(item, track, (pair.first, pair.second), scales)
        for item, track in zip(pair.movers, tracks, strict=True)
    ]
    return tuple(sorted(moved, key=lambda item: worry(item.judgement), reverse=True))


def _moved_one(
    item: MoverLooks, track: _Track | None, photos: tuple[str, str], scales: Mapping[str, Scale]
) -> Moved:
    mover = item.mover
    boxes = (mover.box_first_xyxy_px, mover.box_second_xyxy_px)
    size = _size_of(_telling(item.looks), scales, item.judgement)
    return Moved(
        track=0 if track is None else track.result.id,
        box_first_xyxy_px=boxes[0],
        box_second_xyxy_px=boxes[1],
        judgement=item.judgement,
        displacement_px=mover.displacement_px,
        crop_rgb=item.crop_rgb if track is None else track.result.crop_rgb,
        displacement_mm=displacement_mm(boxes, (scales.get(photos[0]), scales.get(photos[1]))),
        length=None if size is None else size.length,
        size_words=() if size is None else size.words,
    )


def seen_at_once(seen: Mapping[str, Sequence[tuple[str, BoxXyxy]]]) -> dict[str, int]:
    """Give for each label the largest number seen on one photo: a lower bound of how many there are.

    Parameters
    ----------
    seen
        Labels and boxes by photo. Boxes of one label near each other count once.

    Returns
    -------
    dict
        By label in the order of `LABELS`, without those not seen and without *not an organism*.
    """
    most = {
        label: max((count_places(label, found) for found in seen.values()), default=0)
        for label in LABELS
        if label != Group.NOT_AN_ORGANISM
    }
    return {str(label): count for label, count in most.items() if count}


def count_places(label: str, found: Sequence[tuple[str, BoxXyxy]]) -> int:
    """Count the places on one photo where a label was seen: a lower bound of how many there are.

    Boxes near each other, over any number of steps, are one place. What cannot be told may be a piece between two others: it joins them, and is not counted itself.
    """
    groups: list[list[tuple[str, BoxXyxy]]] = []
    for of, box in found:
        if of not in {label, CANT_TELL}:
            continue
        near = [group for group in groups if any(_is_near(box, other) for _of, other in group)]
        groups = [group for group in groups if group not in near]
        groups.append([(of, box), *(item for group in near for item in group)])
    return sum(any(of == label for of, _box in group) for group in groups)


def _is_near(one: BoxXyxy, other: BoxXyxy) -> bool:
    one, other = _grown(one), _grown(other)
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


def _grown(box: BoxXyxy) -> BoxXyxy:
    by = NEAR_SHARE * max(box[2] - box[0], box[3] - box[1])
    return (box[0] - by, box[1] - by, box[2] + by, box[3] + by)


def _busiest(seen: Mapping[str, Sequence[tuple[str, BoxXyxy]]]) -> str | None:
    """Choose the photo to be shown: the most leech-like, then the most of everything."""

    def shows(photo: str) -> tuple[int, int]:
        labels = [label for label, _box in seen[photo]]
        return (labels.count(Group.LEECH_LIKE), len(labels))

    return max(seen, key=shows, default=None)
