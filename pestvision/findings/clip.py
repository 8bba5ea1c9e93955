"""Check a clip or burst: follow what moves, judge it by its clearest crops, read its gait, measure it."""

from __future__ import annotations

from dataclasses import dataclass
from operator import itemgetter
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pestvision.arrays import box_iou
from pestvision.findings.check import DEFAULTS, check_photo, distinct
from pestvision.findings.clip_result import ClipCheck
from pestvision.findings.clip_told import Judged, middling, told_of, worth_telling
from pestvision.findings.evidence import gait_cue, size_cue, track_cue
from pestvision.findings.judge import costs_note, head_notes, judge, rules_of, worry
from pestvision.findings.memory import give_back_large_arrays, give_back_what_is_free
from pestvision.findings.sharp_frames import SharpFrames, sharpness_of
from pestvision.findings.sizes import body_in_crop
from pestvision.findings.track_cue import between
from pestvision.motion.chase import Look, chase
from pestvision.motion.gait import read_gait
from pestvision.organisms.crops import cut_crop
from pestvision.organisms.outline_net import sure_of
from pestvision.organisms.propose import propose, reduced
from pestvision.photos.burst import Burst, open_burst
from pestvision.photos.exif import NO_TIME
from pestvision.photos.read import Photo
from pestvision.photos.video import Clip, open_clip
from pestvision.size.measure import measure

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from pestvision.arrays import F64, U8, BoxXyxy
    from pestvision.findings.finding import Judgement
    from pestvision.motion.chase import Chased, Mark
    from pestvision.motion.trail import Trail
    from pestvision.organisms.classify import Classifier, Scores
    from pestvision.organisms.weights import Rules
    from pestvision.photos.video import ClipFrame
    from pestvision.settings import Settings
    from pestvision.size.records import BodyLine, Scale

MAX_ANIMALS = 12  # more tracks than that help nobody
BODIES_EACH = (
    3  # frames on which an animal is outlined anew, as in the drawings that were learned from
)
BODIES_S = (
    3.0  # over fewer seconds a body that draws out may not have done so: as in those drawings
)
CROPS_EACH = 5  # crops of an animal that are judged: more are alike, and each takes time
PICTURE_SIDE_PX = 1600
MOST_OF_A_FRAME = 0.5  # own choice
N_PROPOSALS = 12  # boxes looked at in a stretch for animals that do not move
THIS_ONE = (
    0.1  # a track shares so much with the person's box, or more, to be the one that was meant
)
TAKEN_TO_STAND = "Where nothing steady shows, the camera was taken to have stood, as you said: if it moved, the ways told are wrong."
IN_PIECES = "One animal may have been followed in pieces, each told as one: what was followed is no count of animals."


def check_clip(
    source: Path | Sequence[Path] | Clip | Burst,
    classifier: Classifier,
    *,
    scale: Scale | None = None,
    box: BoxXyxy | None = None,
    after_irritant: bool = False,
    on_a_stand: bool = False,
    seconds_apart: float | None = None,
    settings: Settings = DEFAULTS,
) -> ClipCheck:
    """Follow and judge the animals of a clip or burst.

    Parameters
    ----------
    source
        A clip's path, a folder of photos, several photos, or one of them opened.
    classifier
        Loaded once, asked for a few crops of each animal.
    scale
        Of the first frame, in the animal's plane.
    box
        The animal that is meant, in pixels of the first frame; None follows all that moves.
    after_irritant
        Whether it was poked, dipped or dosed within the last hour: looping then says nothing.
    on_a_stand
        Whether the camera is known to have stood: where nothing steady shows it kept still then.
    seconds_apart
        Between two photos of a burst; None reads it from the photos.
    settings
        The sections `clip`, `photos` and `check`.

    Raises
    ------
    ClipError, PhotoError, FolderError
        If it cannot be used.
    """
    give_back_large_arrays()
    give_back_what_is_free()  # of an earlier clip
    clip = open_source(source, seconds_apart=seconds_apart, settings=settings)
    rules = rules_of(classifier.card.rules, settings.check)
    kept = SharpFrames.of_size(clip.width, clip.height)
    first: list[ClipFrame] = []

    def looks() -> Iterator[Look]:
        for number, frame in enumerate(clip.frames()):
            if not first:
                first.append(frame)
            kept.offer(number, frame)
            yield Look(frame.time_s, frame.rgb, frame.scale)

    marks = _marks(classifier, rules, box)
    chased = chase(looks(), marks=marks, sure=sure_of, on_a_stand=on_a_stand)
    notes = list(clip.notes)
    trails = _meant(chased, box, notes)
    asked = _Asked(rules, scale, after_irritant)
    animals = _animals(trails, kept, classifier, asked)
    if box is None:
        animals = worth_telling(animals, rules, notes)
    animals.sort(key=lambda item: worry(item.judgement), reverse=True)
    told = tuple(
        told_of(number, item, scale) for number, item in enumerate(animals[:MAX_ANIMALS], start=1)
    )
    if on_a_stand:
        notes.append(TAKEN_TO_STAND)
    if chased.n_lost:
        notes.append(
            f"On {chased.n_lost} of {len(chased.times_s)} frames nothing steady shows, so how the camera "
            "moved there is not known: film with a corner, a plant or a mark in the picture, or from a stand, "
            "and say so."
        )
    if len(animals) > 1:
        notes.append(IN_PIECES)
    if len(animals) > MAX_ANIMALS:
        notes.append(
            f"{len(animals)} animals were followed; the {MAX_ANIMALS} most worrying are told."
        )
    picture, shrunk = _picture(first[0].full())
    verdict = told[0].judgement if told else _of_a_frame(clip, kept, classifier, settings, notes)
    notes += [costs_note(rules), *head_notes(classifier.head)]
    return ClipCheck(
        clip=clip.name,
        width=clip.width,
        height=clip.height,
        n_frames=clip.n_frames,
        seconds=clip.seconds_read,
        times_s=chased.times_s,
        verdict=verdict,
        animals=told,
        picture_rgb=picture,
        picture_scale=shrunk,
        notes=tuple(notes),
        is_burst=clip.is_burst,
    )


def open_source(
    source: Path | Sequence[Path] | Clip | Burst,
    *,
    seconds_apart: float | None = None,
    settings: Settings = DEFAULTS,
) -> Clip | Burst:
    """Open a clip, or put photos together as a burst; what is opened already is given back.

    Raises
    ------
    ClipError, FolderError
        If it cannot be used.
    """
    if isinstance(source, Clip | Burst):
        return source
    paths = [source] if isinstance(source, Path) else list(source)
    if len(paths) == 1 and not paths[0].is_dir():
        return open_clip(paths[0], settings=settings.clip)
    return open_burst(paths, seconds_apart=seconds_apart, settings=settings.photos)


def _marks(
    classifier: Classifier, rules: Rules, box: BoxXyxy | None
) -> Callable[[Sequence[Look]], Sequence[Mark]]:
    """Give what marks animals in a stretch: the person's box in the first, and what looks alive."""
    asked: list[bool] = []

    def marks(looks: Sequence[Look]) -> Sequence[Mark]:
        is_first = not asked
        asked.append(True)
        if not is_first:
            give_back_what_is_free()
        if box is not None:
            scale = looks[0].scale
            x0, y0, x1, y1 = (value * scale for value in box)
            return [(0, (x0, y0, x1, y1))] if is_first else []
        number = int(
            np.argmax([sharpness_of(look.rgb) for look in looks[:: max(1, len(looks) // 8)]])
        )
        number *= max(1, len(looks) // 8)
        return [(number, found) for found in _look_alive(looks[number].rgb, classifier, rules)]

    return marks


def _look_alive(rgb: U8, classifier: Classifier, rules: Rules) -> list[BoxXyxy]:
    """Give boxes of what looks alive on one frame; what fills most of it cannot be told from the ground."""
    most = MOST_OF_A_FRAME * rgb.shape[0] * rgb.shape[1]
    boxes = [
        (x0, y0, x1, y1)
        for x0, y0, x1, y1 in (
            item.box_xyxy_px
            for item in propose(rgb, classifier.organism_map, max_proposals=N_PROPOSALS)
        )
        if (x1 - x0) * (y1 - y0) <= most
    ]
    scores = classifier.classify([cut_crop(rgb, one) for one in boxes])
    return [boxes[index] for index in distinct(boxes, scores, rules=rules)]


def _meant(chased: Chased, box: BoxXyxy | None, notes: list[str]) -> list[Trail]:
    """Give the trails that are asked for: all, or the one in the person's box."""
    if box is None:
        return list(chased.trails)
    best: tuple[float, Trail] | None = None
    for trail in chased.trails:
        early = trail.boxes_xyxy_px[trail.seen & (trail.times_s <= trail.times_s[0] + 1.0)][:1]
        share = max((box_iou(_as_box(row), box) for row in early), default=0.0)
        if share >= THIS_ONE and (best is None or share > best[0]):
            best = share, trail
    if best is None:
        notes.append(
            "Nothing could be followed from the box: the clearest frame was judged instead."
        )
        return []
    return [best[1]]


def _as_box(row: F64) -> BoxXyxy:
    x0, y0, x1, y1 = (float(value) for value in row)
    return x0, y0, max(x1, x0 + 1), max(y1, y0 + 1)


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """By which rules is judged, the scale of the first frame, and whether the animals were irritated."""

    rules: Rules
    scale: Scale | None
    after_irritant: bool


def _animals(
    trails: Sequence[Trail], kept: SharpFrames, classifier: Classifier, asked: _Asked
) -> list[Judged]:
    """Judge every trail by its clearest crops, its gait and its length."""
    wanted: list[list[int]] = []
    spread: list[list[int]] = []
    for trail in trails:
        there = [(n, sharp) for n, sharp, _ in kept.frames if trail.seen[n]]
        inside = [item for item in there if not trail.at_edge[item[0]]] or there
        spread.append(_spread(trail, [n for n, _ in inside]))
        inside.sort(key=lambda item: -item[1] * float(trail.lengths_px[item[0]]))
        wanted.append([n for n, _ in inside[:CROPS_EACH]])
    crops: dict[tuple[int, int], U8] = {}
    bodies: list[list[BodyLine]] = [[] for _ in trails]
    for n, frame in sorted(
        ((n, frame) for n, _, frame in kept.frames), key=itemgetter(0)
    ):  # one at full size at a time
        looked_at = [i for i in range(len(trails)) if n in wanted[i] or n in spread[i]]
        rgb = frame.full() if looked_at else frame.rgb
        for index in looked_at:
            box = _as_box(trails[index].boxes_xyxy_px[n])
            crop = cut_crop(rgb, box)
            if n in wanted[index]:
                crops[index, n] = crop
            if n in spread[index]:
                body = body_in_crop(crop, box, photo_shape=(rgb.shape[0], rgb.shape[1]))
                bodies[index] += [] if body is None else [body]
    asked_for = [(index, n) for index, some in enumerate(wanted) for n in some]
    scores = dict(
        zip(asked_for, classifier.classify([crops[key] for key in asked_for]), strict=True)
    )
    found = []
    for index, some in enumerate(wanted):
        if some:
            cut, mine = [crops[index, n] for n in some], [scores[index, n] for n in some]
            found.append(_judged(trails[index], some, cut, mine, asked, bodies=bodies[index]))
    return found


def _spread(trail: Trail, numbers: Sequence[int]) -> list[int]:
    """Choose frames in which its body is outlined, evenly over the middle; none where it was seen briefly."""
    if not numbers:
        return []
    places = np.linspace(0, len(numbers) - 1, BODIES_EACH + 2)[1:-1].round().astype(int)
    chosen = sorted({sorted(numbers)[place] for place in places})
    seconds = trail.times_s[chosen[-1]] - trail.times_s[chosen[0]]
    return chosen if seconds >= BODIES_S else []


def _judged(
    trail: Trail,
    numbers: Sequence[int],
    crops: Sequence[U8],
    scores: Sequence[Scores],
    asked: _Asked,
    *,
    bodies: Sequence[BodyLine],
) -> Judged:
    boxes = trail.boxes_xyxy_px[list(numbers)]
    sides = np.maximum(boxes[:, 2] - boxes[:, 0], boxes[:, 3] - boxes[:, 1])
    clearest = int(np.argmax([item.sharpness for item in scores]))
    scale, per_px = asked.scale, None
    if scale is not None and not scale.is_rough:
        middle = np.nanmean(trail.midlines_xy_px[numbers[clearest]], axis=0)
        per_px = scale.mm_per_px((float(middle[0]), float(middle[1])))
    gait = read_gait(trail, mm_per_px=per_px, after_irritant=asked.after_irritant)
    line = middling(trail)
    length = None if per_px is None or scale is None or line is None else measure(line, scale)
    built = between(None, bodies)
    said = (
        gait_cue(gait),
        None if built is None else track_cue(built),
        None if length is None else size_cue(length),
    )
    judgement = judge(
        scores,
        rules=asked.rules,
        lengths_px=[float(side) for side in sides],
        cues=[cue for cue in said if cue is not None],
    )
    return Judged(trail, judgement, gait, length, per_px, crops[clearest], numbers[clearest])


def _picture(rgb: U8) -> tuple[U8, float]:
    small = reduced(rgb, PICTURE_SIDE_PX) if max(rgb.shape[:2]) > PICTURE_SIDE_PX else rgb
    return small, small.shape[1] / rgb.shape[1]


def _of_a_frame(
    clip: Clip | Burst,
    kept: SharpFrames,
    classifier: Classifier,
    settings: Settings,
    notes: list[str],
) -> Judgement:
    """Judge the clearest frame like a photo, where nothing was followed."""
    frame = max(kept.frames, key=lambda item: item[1])[2]
    photo = Photo(rgb=frame.full(), name=clip.name, path=None, format_name="frame", taken=NO_TIME)
    notes.append(
        f"Nothing was seen to move by itself; the clearest frame, at {frame.time_s:.1f} s, was checked "
        "like a photo."
    )
    return check_photo(photo, classifier, settings=settings).verdict
