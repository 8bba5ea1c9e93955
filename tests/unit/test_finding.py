"""The records a person is answered with: what they refuse, and their JSON form."""

from __future__ import annotations

import json
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from contract import assert_keeps_contract
from hypothesis import given
from hypothesis import strategies as st
from made_answers import (
    CROP,
    bare_view,
    checked,
    compared,
    followed,
    found,
    judged,
    moved,
    not_compared,
    viewed,
)

from pestvision.errors import ShapeError
from pestvision.findings.finding import Finding, Moved, NightResult
from pestvision.findings.words import CAUTION
from pestvision.organisms.classes import GROUPS, LABELS
from pestvision.photos.series import Skipped


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


def test_a_checked_photo_keeps_the_contract() -> None:
    one = found(1, judged(), (1.0, 2.0, 30.04, 40.06))
    answer = json.loads(json.dumps(checked(findings=(one,)).as_json(), allow_nan=False))
    assert_keeps_contract(answer)
    assert answer["findings"][0]["box_xyxy_px"] == [1.0, 2.0, 30.0, 40.1]
    assert answer["findings"][0]["length_mm"] is None


def test_numbers_straight_from_the_net_can_be_written_as_json() -> None:
    net_like = judged(
        confidence=np.float32(0.9),
        p_groups=tuple(np.array([0.9, 0.05, 0.03, 0.02], np.float32)),
    )
    box = tuple(np.array([1, 2, 3, 4], np.float32))
    answer = checked(verdict=net_like, findings=(found(1, net_like, box),))
    mover = moved(1, net_like, first=box, displacement_px=np.float32(3.2))
    track = followed(1, net_like, [("a.jpg", box)])
    for record in (answer, mover, track):
        assert json.loads(json.dumps(record.as_json(), allow_nan=False))


def test_a_mover_needs_a_box_on_one_of_the_two_photos() -> None:
    with pytest.raises(ShapeError, match="at least one box"):
        Moved(1, None, None, judged(), None, CROP)
    came = moved(1, judged(), second=(0.0, 0.0, 9.0, 9.0)).as_json()
    assert came["box_first_xyxy_px"] is None
    assert came["displacement_mm_or_px"] is None


def test_a_view_has_the_keys_of_the_contract() -> None:
    box = (0.0, 0.0, 9.0, 9.0)
    mover = moved(1, judged(), first=box, second=(5.0, 0.0, 14.0, 9.0), displacement_px=5.0)
    view = viewed(
        pairs=(compared("a.jpg", "b.jpg", mover), not_compared("b.jpg", "c.jpg")),
        skipped=(Skipped("c.txt", "It is a text file. Give photos."),),
    )
    said = json.loads(json.dumps(view.as_json(), allow_nan=False))
    required = {"view", "photos", "pairs", "tracks", "seen_at_once_max", "skipped", "caution"}
    assert required <= set(said)
    assert {"first", "second", "aligned", "reason", "misplaced_px", "moved"} == set(
        said["pairs"][0]
    )
    assert {
        "track",
        "box_first_xyxy_px",
        "box_second_xyxy_px",
        "label",
        "confidence",
        "probabilities",
        "displacement_mm_or_px",
    } <= set(said["pairs"][0]["moved"][0])
    assert said["pairs"][0]["moved"][0]["displacement_mm_or_px"] == {"value": 5.0, "unit": "px"}
    assert said["pairs"][1]["moved"] == []
    assert said["skipped"] == [{"photo": "c.txt", "reason": "It is a text file. Give photos."}]
    assert said["caution"] == CAUTION


def test_a_night_counts_the_photos_of_all_its_views() -> None:
    views = (bare_view("left", ["a", "b"]), bare_view("right", ["c"]))
    assert NightResult("night", views).n_photos == 3
    assert NightResult("night", ()).n_photos == 0
