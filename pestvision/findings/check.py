"""Check one photo: propose, crop, classify, and give the answer."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import BoxXyxy, as_u8, checked_box, clipped_box
from pestvision.findings.evidence import size_cue
from pestvision.findings.finding import Finding, Judgement, PhotoCheck
from pestvision.findings.judge import (
    LEECH,
    WARNINGS,
    costs_note,
    head_notes,
    judge,
    rules_of,
    worry,
)
from pestvision.findings.memory import give_back_large_arrays
from pestvision.findings.sizes import scale_words, sized
from pestvision.organisms.classes import GROUPS, Group
from pestvision.organisms.crops import crop_square, cut_crop
from pestvision.organisms.net import INPUT_PX
from pestvision.organisms.propose import propose, reduced
from pestvision.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pestvision.arrays import U8
    from pestvision.findings.cues import Cue
    from pestvision.organisms.classify import Classifier, Scores
    from pestvision.organisms.proposal_weights import ProposalWeights
    from pestvision.organisms.weights import Rules
    from pestvision.photos.read import Photo
    from pestvision.size.records import Scale

DEFAULTS = Settings()
NOTHING = GROUPS.index(Group.NOT_AN_ORGANISM)
SAME_SHARE = 0.5
"""Two boxes are one animal when they share this much of the smaller one. Of 0.6, 0.5 and 0.4, tried on the
real photos out of fold: 0.6 gets one flatworm photo fewer right, 0.4 calls one leech photo more harmless."""
MOST_NOTHING = 0.15
"""A box is listed when *not an organism* is less likely than this: most boxes looked at lie on ground, far
more than in the pictures the net has learned from. Of 0.5, 0.35, 0.25 and 0.15, tried on the real photos
out of fold: 60, 60, 62 and 64 of 174 right, 9 wrong with each."""
OF_MANY = 0.8
"""Of a dozen boxes the most worrying is told, so a group that one crop would rule out stays possible down to
this share of the usual probability. Of 1, 0.9, 0.85, 0.8, 0.75 and 0.7, tried on the real photos out of fold:
14, 11, 10, 9, 9 and 9 of 174 wrong, 67, 66, 65, 64, 64 and 63 right."""
SMALL_PX = 64.0
SURELY = 0.98
"""A box shorter than `SMALL_PX` is called leech-like or flatworm-like only where every other group is less
likely than one minus `SURELY`: most small boxes are spots of algae and stones. On the real photos out of fold
that takes 9 wrong verdicts to 7 and 7 false warnings on backgrounds to 3, and no right one. Of 48, 64, 80 and
96 pixels the longest without a loss; 0.97 to 0.99 do alike."""
N_AT_ONCE = 12
"""Boxes looked at together, the strongest first; each takes 23 to 31 ms of one core. With 6 or 8, one or two
more leech photos of the first 161 were called harmless."""
OVERVIEW_PX = 1152
"""Long side of the reduced copy on which boxes are sought and large crops are cut: twice the widest
picture the net is run over. A large photo is read through once, and not again for every crop."""
CROWDED = 6
"""Animals found in one round from which another round follows: a tray holds more than a pane does. With
fewer, more boxes brought more doubtful ones: seen on the eight sample close-ups, not measured further."""


def check_photo(
    photo: Photo,
    classifier: Classifier,
    *,
    settings: Settings = DEFAULTS,
    box_xyxy_px: BoxXyxy | None = None,
    ranking: ProposalWeights | None = None,
    scale: Scale | None = None,
) -> PhotoCheck:
    """Find and label organisms on one photo, or judge the region the person marked.

    Parameters
    ----------
    photo
        Decoded and upright.
    classifier
        Loaded once, asked for every crop.
    settings
        The section `check`.
    box_xyxy_px
        The marked region in pixels of the photo, or None to search the whole photo.
    ranking
        How proposals are ranked; None takes the shipped weights.
    scale
        On this photo's pixels; None leaves lengths out.

    Returns
    -------
    PhotoCheck
        Up to `max_findings` findings, the most worrying first, and the verdict: the most worrying
        finding's judgement. With no finding the verdict is that of the whole frame.

    Raises
    ------
    ShapeError
        If the marked box is empty or not finite.
    """
    give_back_large_arrays()
    rules = rules_of(classifier.card.rules, settings.check)
    if box_xyxy_px is not None:
        marked = clipped_box(checked_box(box_xyxy_px), photo.height, photo.width)
        looks = _look([marked], _sight(photo.rgb), classifier)
        chosen = [0]
    else:
        n_most = max(N_AT_ONCE, settings.check.max_findings + 1)
        rules = replace(rules, set_threshold=1 - OF_MANY * (1 - rules.set_threshold))
        looks = _search(photo, classifier, rules, n_most=n_most, ranking=ranking)
        chosen = distinct(looks.boxes, looks.scores, rules=rules)
    boxes, scores, crops = looks.boxes, looks.scores, looks.crops

    def judged(index: int, cues: Sequence[Cue] = ()) -> Judgement:
        x0, y0, x1, y1 = boxes[index]
        long_px = max(x1 - x0, y1 - y0)
        answer = judge([scores[index]], rules=rules, lengths_px=[long_px], cues=cues)
        if box_xyxy_px is not None or long_px >= SMALL_PX or answer.label not in WARNINGS:
            return answer
        surer = replace(rules, set_threshold=max(SURELY, rules.set_threshold))
        return judge([scores[index]], rules=surer, lengths_px=[long_px], cues=cues)

    answers = sorted(((judged(index), index) for index in chosen), key=lambda a: worry(a[0]))[::-1]
    answers = answers[: settings.check.max_findings]
    findings = _findings(answers, boxes, crops)
    on_size: tuple[str, ...] = ()
    if scale is not None:
        findings = _with_size_cues(sized(findings, photo.rgb, scale), answers, judged)
        on_size = scale_words(scale, photo.rgb.shape[:2], least_px=rules.min_length_px)
    return PhotoCheck(
        photo=photo.name,
        width=photo.width,
        height=photo.height,
        taken=photo.taken.iso(),
        verdict=findings[0].judgement if findings else judged(looks.whole),
        findings=findings,
        notes=(*photo.notes, *on_size, costs_note(rules), *head_notes(classifier.head)),
    )


@dataclass(slots=True)
class _Looks:
    """Boxes looked at, with their crops and scores, in the same order; `whole` is the frame's index."""

    boxes: list[BoxXyxy]
    crops: list[U8]
    scores: list[Scores]
    whole: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class _Sight:
    """A photo with its overview; `scale` is overview over photo, 1 where the photo is small."""

    full: U8
    overview: U8
    scale: float

    def crop(self, box: BoxXyxy) -> U8:
        """Cut a crop from the overview where that is fine enough, else from the photo."""
        x0, _, x1, _ = crop_square(box)
        if (x1 - x0) * self.scale < INPUT_PX:
            return cut_crop(self.full, box)
        left, top, right, bottom = (value * self.scale for value in box)
        return cut_crop(self.overview, (left, top, right, bottom))


def _sight(rgb: U8) -> _Sight:
    side = max(rgb.shape[:2])
    if side <= OVERVIEW_PX:
        return _Sight(rgb, rgb, 1.0)
    return _Sight(rgb, reduced(_halved(rgb), OVERVIEW_PX), OVERVIEW_PX / side)


def _halved(rgb: U8) -> U8:
    """Halve a photo while it is over twice the overview's side; an odd last row or column is left out.

    OpenCV averages 2 x 2 pixels far sooner than uneven areas.
    """
    while max(rgb.shape[:2]) >= 2 * OVERVIEW_PX and min(rgb.shape[:2]) > 1:
        height, width = rgb.shape[0] // 2, rgb.shape[1] // 2
        even = rgb[: 2 * height, : 2 * width]
        rgb = as_u8(cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA))
    return rgb


def _look(boxes: Sequence[BoxXyxy], sight: _Sight, classifier: Classifier) -> _Looks:
    crops = [sight.crop(box) for box in boxes]
    return _Looks(list(boxes), crops, classifier.classify(crops))


def _search(
    photo: Photo,
    classifier: Classifier,
    rules: Rules,
    *,
    n_most: int,
    ranking: ProposalWeights | None,
) -> _Looks:
    """Look at proposals and the whole frame, round by round while they show many new animals."""
    sight = _sight(photo.rgb)
    ask = classifier.organism_map
    proposals = propose(sight.overview, ask, max_proposals=n_most, weights=ranking)
    boxes = [_scaled(item.box_xyxy_px, 1 / sight.scale, photo) for item in proposals]
    # the whole frame belongs to the first round, behind every box that shows the same more closely
    boxes.insert(min(N_AT_ONCE, len(boxes)) - 1, boxes.pop())
    seen = _Looks([], [], [], whole=min(N_AT_ONCE, len(boxes)) - 1)
    n_known = 0
    for start in range(0, len(boxes), N_AT_ONCE):
        looks = _look(boxes[start : start + N_AT_ONCE], sight, classifier)
        seen.boxes += looks.boxes
        seen.crops += looks.crops
        seen.scores += looks.scores
        n_found = len(distinct(seen.boxes, seen.scores, rules=rules))
        if n_found - n_known < CROWDED:
            break
        n_known = n_found
    return seen


def _scaled(box: BoxXyxy, scale: float, photo: Photo) -> BoxXyxy:
    x0, y0, x1, y1 = box
    return clipped_box((x0 * scale, y0 * scale, x1 * scale, y1 * scale), photo.height, photo.width)


def distinct(boxes: Sequence[BoxXyxy], scores: Sequence[Scores], *, rules: Rules) -> list[int]:
    """Choose the boxes that hold an organism, one for each.

    A box must hardly be *not an organism* (`MOST_NOTHING`); where leech-like cannot be ruled out
    (`rules.leech_look_again`) it is enough that an organism is more likely than none. Boxes are taken
    by the probability of their likeliest organism group; a box that shares `SAME_SHARE` of the smaller
    area with a taken one shows the same animal.
    """

    def most_nothing(item: Scores) -> float:
        return 0.5 if item.p_groups[LEECH] >= rules.leech_look_again else MOST_NOTHING

    alive = [
        index for index, item in enumerate(scores) if item.p_groups[NOTHING] < most_nothing(item)
    ]
    alive.sort(key=lambda index: -float(np.max(scores[index].p_groups[:NOTHING])))
    chosen: list[int] = []
    for index in alive:
        if all(shared(boxes[index], boxes[other]) < SAME_SHARE for other in chosen):
            chosen.append(index)
    return chosen


def shared(one: BoxXyxy, other: BoxXyxy) -> float:
    """Give the common area of two boxes over the smaller one's, 0 to 1."""
    width = min(one[2], other[2]) - max(one[0], other[0])
    height = min(one[3], other[3]) - max(one[1], other[1])
    if width <= 0 or height <= 0:
        return 0.0
    smaller = min(
        (one[2] - one[0]) * (one[3] - one[1]), (other[2] - other[0]) * (other[3] - other[1])
    )
    return width * height / smaller


def _with_size_cues(
    findings: Sequence[Finding],
    answers: Sequence[tuple[Judgement, int]],
    judged: Callable[[int, Sequence[Cue]], Judgement],
) -> tuple[Finding, ...]:
    """Judge what has a length once more by that too, and put the most worrying first again."""
    again = [
        finding
        if finding.length is None
        else replace(finding, judgement=judged(index, [size_cue(finding.length)]))
        for finding, (_judgement, index) in zip(findings, answers, strict=True)
    ]
    again.sort(key=lambda finding: worry(finding.judgement), reverse=True)
    return tuple(replace(finding, id=rank) for rank, finding in enumerate(again, start=1))


def _findings(
    answers: Sequence[tuple[Judgement, int]], boxes: Sequence[BoxXyxy], crops: Sequence[U8]
) -> tuple[Finding, ...]:
    return tuple(
        Finding(id=rank, box_xyxy_px=boxes[index], judgement=judgement, crop_rgb=crops[index])
        for rank, (judgement, index) in enumerate(answers, start=1)
    )
