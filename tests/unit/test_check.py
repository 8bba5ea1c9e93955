"""Check of one photo, with a classifier that reads its answer from the paint."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from contract import assert_keeps_contract
from made_scores import SHIPPED_LIKE, PaintReader, painted_photo, scores_of, sure_of

from pestvision.arrays import BoxXyxy, box_iou
from pestvision.errors import ShapeError
from pestvision.findings.check import OF_MANY, SMALL_PX, check_photo, distinct, shared
from pestvision.findings.judge import costs_note, worry
from pestvision.organisms.classes import CANT_TELL, Group
from pestvision.settings import CheckSettings, Settings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import U8
    from pestvision.organisms.classify import Scores

SNAIL: tuple[BoxXyxy, Group] = ((60, 60, 140, 120), Group.HARMLESS)
LEECH: tuple[BoxXyxy, Group] = ((400, 250, 500, 300), Group.LEECH_LIKE)
FLATWORM: tuple[BoxXyxy, Group] = ((380, 60, 450, 110), Group.FLATWORM_LIKE)


def test_each_animal_is_found_and_the_most_worrying_comes_first() -> None:
    """An animal with plain corners may be found in pieces too; none may be missed or come late."""
    answer = check_photo(painted_photo([SNAIL, LEECH, FLATWORM]), PaintReader())
    labels = [finding.judgement.label for finding in answer.findings]
    assert labels[:3] == [Group.LEECH_LIKE, Group.FLATWORM_LIKE, Group.HARMLESS]
    assert set(labels[3:]) <= {Group.HARMLESS}
    assert [finding.id for finding in answer.findings] == list(range(1, len(labels) + 1))
    assert answer.verdict == answer.findings[0].judgement
    for box, _ in [LEECH, FLATWORM, SNAIL]:
        assert max(box_iou(finding.box_xyxy_px, box) for finding in answer.findings) > 0.4


def test_findings_are_in_the_order_of_worry() -> None:
    answer = check_photo(painted_photo([SNAIL, FLATWORM]), PaintReader())
    keys = [worry(finding.judgement) for finding in answer.findings]
    assert keys == sorted(keys, reverse=True)


def test_a_bare_pane_is_not_an_organism_and_has_no_findings() -> None:
    answer = check_photo(painted_photo([]), PaintReader())
    assert answer.findings == ()
    assert answer.verdict.label == Group.NOT_AN_ORGANISM
    assert answer.notes == ("A note.", costs_note(SHIPPED_LIKE))


def test_what_only_looks_different_is_no_finding() -> None:
    answer = check_photo(
        painted_photo([((60, 60, 140, 120), Group.NOT_AN_ORGANISM)]), PaintReader()
    )
    assert answer.findings == ()


def test_an_animal_that_fills_the_frame_is_found_by_the_whole_frame() -> None:
    photo = painted_photo([((0, 0, 600, 400), Group.FLATWORM_LIKE)])
    answer = check_photo(photo, PaintReader())
    assert [finding.box_xyxy_px for finding in answer.findings] == [(0.0, 0.0, 600.0, 400.0)]
    assert answer.verdict.label == Group.FLATWORM_LIKE


@pytest.mark.parametrize("most", [1, 2, 3])
def test_no_more_findings_than_the_setting(most: int) -> None:
    blobs = [((40 + 90 * i, 150, 90 + 90 * i, 200), Group.HARMLESS) for i in range(6)]
    settings = Settings(check=CheckSettings(max_findings=most))
    answer = check_photo(painted_photo(blobs), PaintReader(), settings=settings)
    assert 1 <= len(answer.findings) <= most


def test_a_group_stays_possible_sooner_among_many_boxes_than_in_one_that_is_marked() -> None:
    class Doubter(PaintReader):
        """Sees a flatworm in all that is not ground, and leaves a snail just out of the set."""

        def classify(self, crops: Sequence[U8]) -> list[Scores]:
            told = super().classify(crops)
            just_out = (1 - self.card.rules.set_threshold) * (1 + OF_MANY) / 2
            doubt = scores_of(0.01, 0.98 - just_out, just_out, 0.01)
            return [one if one.p_groups[-1] > 0.5 else doubt for one in told]

    photo = painted_photo([FLATWORM])
    marked = check_photo(photo, Doubter(), box_xyxy_px=FLATWORM[0])
    assert marked.verdict.label == Group.FLATWORM_LIKE
    assert check_photo(photo, Doubter()).verdict.label == CANT_TELL


@pytest.mark.parametrize(("side", "label"), [(36, CANT_TELL), (80, Group.FLATWORM_LIKE)])
def test_a_small_box_must_be_surer_of_a_pest_than_a_large_one(side: int, label: str) -> None:
    class Nearly(PaintReader):
        """Is as sure of a flatworm as a large box must be, and not as a small one."""

        def classify(self, crops: Sequence[U8]) -> list[Scores]:
            told = super().classify(crops)
            nearly = scores_of(0.005, 0.95, 0.005, 0.04)
            return [one if one.p_groups[-1] > 0.5 else nearly for one in told]

    assert side < SMALL_PX / 1.5 or side > SMALL_PX * 1.2
    box = (300.0, 100.0, 300.0 + side, 100.0 + side)
    photo = painted_photo([(box, Group.FLATWORM_LIKE)])
    assert check_photo(photo, Nearly()).verdict.label == label
    assert check_photo(photo, Nearly(), box_xyxy_px=box).verdict.label == Group.FLATWORM_LIKE


def test_a_marked_region_is_judged_alone_and_as_marked() -> None:
    reader = PaintReader()
    box = (380.0, 230.0, 520.0, 320.0)
    answer = check_photo(painted_photo([SNAIL, LEECH]), reader, box_xyxy_px=box)
    assert [finding.box_xyxy_px for finding in answer.findings] == [box]
    assert answer.verdict.label == Group.LEECH_LIKE
    assert reader.n_crops == 1


def test_a_marked_region_of_bare_pane_is_answered_too() -> None:
    answer = check_photo(painted_photo([LEECH]), PaintReader(), box_xyxy_px=(20, 20, 120, 120))
    assert answer.verdict.label == Group.NOT_AN_ORGANISM
    assert len(answer.findings) == 1


def test_a_marked_region_over_the_edge_is_cut_to_the_frame() -> None:
    answer = check_photo(painted_photo([LEECH]), PaintReader(), box_xyxy_px=(-50, 300, 900, 500))
    assert answer.findings[0].box_xyxy_px == (0.0, 300.0, 600.0, 400.0)


@pytest.mark.parametrize(
    "box", [(50, 50, 50, 90), (90, 50, 50, 90), (0, 0, float("nan"), 9), (0, 0, float("inf"), 9)]
)
def test_an_empty_or_endless_region_is_refused(box: BoxXyxy) -> None:
    with pytest.raises(ShapeError, match="x0 < x1") as caught:
        check_photo(painted_photo([LEECH]), PaintReader(), box_xyxy_px=box)
    assert caught.value.advice


def test_boxes_on_one_animal_are_one_finding_and_the_surest_is_kept() -> None:
    boxes: list[BoxXyxy] = [(0, 0, 100, 100), (10, 10, 60, 60), (200, 200, 260, 260), (0, 0, 9, 9)]
    scores = [
        sure_of(Group.HARMLESS, 0.8),
        sure_of(Group.HARMLESS, 0.9),
        sure_of(Group.LEECH_LIKE, 0.7),
        sure_of(Group.NOT_AN_ORGANISM, 0.9),
    ]
    assert distinct(boxes, scores, rules=SHIPPED_LIKE) == [1, 2]
    assert distinct([], [], rules=SHIPPED_LIKE) == []


def test_what_may_well_be_nothing_is_listed_only_where_it_may_be_a_leech() -> None:
    boxes: list[BoxXyxy] = [(60 * k, 0, 60 * k + 50, 50) for k in range(4)]
    scores = [
        scores_of(0.01, 0.01, 0.86, 0.12),  # hardly nothing
        scores_of(0.01, 0.59, 0.10, 0.30),
        scores_of(0.25, 0.30, 0.15, 0.30),  # may be a leech
        scores_of(0.45, 0.02, 0.01, 0.52),  # but more likely nothing
    ]
    assert sorted(distinct(boxes, scores, rules=SHIPPED_LIKE)) == [0, 2]


def test_the_shared_part_is_of_the_smaller_box() -> None:
    assert shared((0, 0, 10, 10), (0, 0, 5, 5)) == 1.0
    assert shared((0, 0, 10, 10), (5, 0, 15, 10)) == 0.5
    assert shared((0, 0, 10, 10), (10, 0, 20, 10)) == 0.0


def test_the_answer_keeps_the_contract_in_json() -> None:
    photo = painted_photo([SNAIL, LEECH])
    answer = json.loads(json.dumps(check_photo(photo, PaintReader()).as_json()))
    assert_keeps_contract(answer)
    assert (answer["width"], answer["height"]) == (600, 400)
    assert len(answer["findings"]) >= 2
