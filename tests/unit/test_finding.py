"""The records a person is answered with: what they refuse, and their JSON form."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pestvision.errors import ShapeError
from pestvision.findings.finding import (
    Finding,
    Judgement,
    Moved,
    NightResult,
    PairResult,
    PhotoCheck,
    TrackResult,
    ViewResult,
)
from pestvision.findings.words import CAUTION
from pestvision.organisms.classes import GROUPS, LABELS
from pestvision.photos.series import Skipped

CROP = np.zeros((224, 224, 3), np.uint8)


def judged(**changes: Any) -> Judgement:
    values: dict[str, Any] = {
        "label": "leech-like",
        "confidence": 0.9,
        "p_groups": (0.9, 0.05, 0.03, 0.02),
        "fine": "leech",
        "reasons": ("It is long and ringed.",),
    }
    return Judgement(**(values | changes))


def checked(**changes: Any) -> PhotoCheck:
    values: dict[str, Any] = {
        "photo": "glass.jpg",
        "width": 640,
        "height": 480,
        "taken": None,
        "verdict": judged(),
        "findings": (Finding(1, (1.0, 2.0, 30.04, 40.06), judged(), CROP),),
    }
    return PhotoCheck(**(values | changes))


def test_every_label_makes_a_judgement() -> None:
    for label in LABELS:
        assert judged(label=label).label == label


@pytest.mark.parametrize(
    "wrong",
    [
        {"label": "leech"},  # a class, not a label
        {"label": ""},
        {"fine": "leech-like"},  # a label, not a class
        {"p_groups": (0.5, 0.5)},  # two groups
        {"p_groups": (0.9, 0.05, 0.03, 0.01)},  # sum 0.99
        {"p_groups": (1.2, -0.2, 0.0, 0.0)},  # sum 1, but no probabilities
        {"p_groups": (float("nan"), 0.5, 0.3, 0.2)},
        {"confidence": 1.5},
        {"confidence": -0.1},
        {"confidence": float("nan")},
    ],
)
def test_what_is_no_judgement_is_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ShapeError):
        judged(**wrong)


@st.composite
def distributions(draw: st.DrawFn) -> tuple[float, ...]:
    weights = draw(st.lists(st.floats(0, 1), min_size=4, max_size=4).filter(lambda w: sum(w) > 0))
    total = sum(weights)
    return tuple(weight / total for weight in weights)


@given(distributions(), st.sampled_from([float, np.float32, np.float64]))
def test_rounded_probabilities_sum_to_one_and_stay_close(
    p_groups: tuple[float, ...], kind: type
) -> None:
    judgement = judged(p_groups=tuple(kind(p) for p in p_groups))
    found = json.loads(json.dumps(judgement.probabilities()))
    assert list(found) == [str(group) for group in GROUPS]
    # As written, in decimal, the sum is exactly 1; as binary floats it is off by rounding alone.
    assert sum(Fraction(repr(p)) for p in found.values()) == 1
    assert sum(found.values()) == pytest.approx(1.0, abs=1e-12)
    for p, exact in zip(found.values(), p_groups, strict=True):
        assert 0.0 <= p <= 1.0
        assert p == pytest.approx(exact, abs=2.1e-4)  # 0.5e-4 each, and 3 times that on the largest


def test_a_finding_refuses_an_empty_box_and_a_grey_crop() -> None:
    with pytest.raises(ShapeError):
        Finding(1, (5.0, 5.0, 5.0, 9.0), judged(), CROP)
    with pytest.raises(ShapeError):
        Finding(1, (5.0, 5.0, 6.0, 9.0), judged(), CROP[..., 0])


def test_a_checked_photo_has_the_keys_of_the_contract() -> None:
    found = checked().as_json()
    assert list(found) == ["photo", "width", "height", "taken", "verdict", "findings", "caution"]
    assert list(found["verdict"]) == ["label", "confidence", "reasons"]
    assert list(found["findings"][0]) == [
        "id",
        "box_xyxy_px",
        "label",
        "confidence",
        "probabilities",
        "fine",
        "length_mm",
        "length_mm_low",
        "length_mm_high",
        "reasons",
    ]
    assert found["findings"][0]["box_xyxy_px"] == [1.0, 2.0, 30.0, 40.1]
    assert found["findings"][0]["length_mm"] is None
    assert found["caution"] == CAUTION


def test_numbers_straight_from_the_net_can_be_written_as_json() -> None:
    net_like = judged(
        confidence=np.float32(0.9),
        p_groups=tuple(np.array([0.9, 0.05, 0.03, 0.02], np.float32)),
    )
    box = tuple(np.array([1, 2, 3, 4], np.float32))
    answer = checked(verdict=net_like, findings=(Finding(1, box, net_like, CROP),))  # type: ignore[arg-type]
    moved = Moved(1, box, None, net_like, np.float32(3.2), CROP)  # type: ignore[arg-type]
    track = TrackResult(1, (("a.jpg", box),), net_like, CROP)  # type: ignore[arg-type]
    for record in (answer, moved, track):
        assert json.loads(json.dumps(record.as_json(), allow_nan=False))


def test_a_mover_needs_a_box_on_one_of_the_two_photos() -> None:
    with pytest.raises(ShapeError, match="at least one box"):
        Moved(1, None, None, judged(), None, CROP)
    came = Moved(1, None, (0.0, 0.0, 9.0, 9.0), judged(), None, CROP).as_json()
    assert came["box_first_xyxy_px"] is None
    assert came["displacement_mm_or_px"] is None


def test_a_view_has_the_keys_of_the_contract() -> None:
    box = (0.0, 0.0, 9.0, 9.0)
    moved = Moved(1, box, (5.0, 0.0, 14.0, 9.0), judged(), 5.0, CROP)
    view = ViewResult(
        view="left tank",
        photos=("a.jpg", "b.jpg"),
        taken=("2026-03-01T22:00:00", None),
        pairs=(
            PairResult("a.jpg", "b.jpg", aligned=True, reason="", moved=(moved,)),
            PairResult("b.jpg", "c.jpg", aligned=False, reason="Too dark. Use a lamp."),
        ),
        tracks=(TrackResult(1, (("a.jpg", box),), judged(), CROP),),
        seen_at_once_max={"leech-like": 1},
        skipped=(Skipped("c.txt", "It is a text file. Give photos."),),
    )
    found = json.loads(json.dumps(view.as_json(), allow_nan=False))
    required = {"view", "photos", "pairs", "tracks", "seen_at_once_max", "skipped", "caution"}
    assert required <= set(found)
    assert {"first", "second", "aligned", "reason", "moved"} == set(found["pairs"][0])
    assert {
        "track",
        "box_first_xyxy_px",
        "box_second_xyxy_px",
        "label",
        "confidence",
        "probabilities",
        "displacement_mm_or_px",
    } <= set(found["pairs"][0]["moved"][0])
    assert found["pairs"][0]["moved"][0]["displacement_mm_or_px"] == {"value": 5.0, "unit": "px"}
    assert found["pairs"][1]["moved"] == []
    assert found["skipped"] == [{"photo": "c.txt", "reason": "It is a text file. Give photos."}]
    assert found["caution"] == CAUTION


def test_a_night_counts_the_photos_of_all_its_views() -> None:
    def view(*photos: str) -> ViewResult:
        return ViewResult(
            view="v",
            photos=photos,
            taken=tuple(None for _ in photos),
            pairs=(),
            tracks=(),
            seen_at_once_max={},
        )

    assert NightResult("night", (view("a", "b"), view("c"))).n_photos == 3
    assert NightResult("night", ()).n_photos == 0
