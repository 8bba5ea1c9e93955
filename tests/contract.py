"""What `check --json` promises of every answer: the keys in their order, and what they may hold."""

from __future__ import annotations

import math
from typing import Any

from pestvision.findings.cues import LOOKS
from pestvision.findings.doubts import Doubt
from pestvision.findings.words import CAUTION
from pestvision.organisms.classes import CANT_TELL, FINE_NAMES, GROUP_OF_FINE, GROUPS, LABELS

PHOTO_KEYS = ["photo", "width", "height", "taken", "verdict", "findings", "caution"]
VERDICT_KEYS = ["label", "confidence", "reasons", "why", "cues"]
WHY_KEYS = ["seen_as", "look_alike", "look_alike_probability", "settled_by", "doubts"]
FINDING_KEYS = [
    "id",
    "box_xyxy_px",
    "label",
    "confidence",
    "probabilities",
    "fine",
    "length_mm",
    "length_mm_low",
    "length_mm_high",
    "size_words",
    "reasons",
    "why",
    "cues",
]
CUE_KEYS = ["name", "words", "fits"]


def assert_keeps_contract(answer: dict[str, Any]) -> None:
    """Fail unless an answer, read back from JSON, keeps every promise."""
    assert list(answer) == PHOTO_KEYS
    assert list(answer["verdict"]) == VERDICT_KEYS
    assert answer["verdict"]["label"] in LABELS
    assert 0 <= answer["verdict"]["confidence"] <= 1
    assert answer["verdict"]["reasons"]
    assert_says_why(answer["verdict"])
    assert_shows_its_cues(answer["verdict"])
    assert answer["caution"] == CAUTION
    assert [finding["id"] for finding in answer["findings"]] == list(
        range(1, len(answer["findings"]) + 1)
    )
    for finding in answer["findings"]:
        assert list(finding) == FINDING_KEYS
        x0, y0, x1, y1 = finding["box_xyxy_px"]
        assert 0 <= x0 < x1 <= answer["width"]
        assert 0 <= y0 < y1 <= answer["height"]
        assert finding["label"] in LABELS
        assert finding["fine"] in FINE_NAMES
        assert 0 <= finding["confidence"] <= 1
        assert_says_why(finding)
        assert_shows_its_cues(finding)
        assert list(finding["probabilities"]) == list(GROUPS)
        assert all(0 <= p <= 1 for p in finding["probabilities"].values())
        assert math.isclose(sum(finding["probabilities"].values()), 1.0, abs_tol=1e-9)


def assert_shows_its_cues(told: dict[str, Any]) -> None:
    """Fail unless every cue that was joined is shown apart, the looks first, or there is none."""
    assert all(list(cue) == CUE_KEYS and cue["words"] for cue in told["cues"])
    assert all(list(cue["fits"]) == list(GROUPS) for cue in told["cues"])
    assert all(max(cue["fits"].values()) == 1.0 for cue in told["cues"])
    assert not told["cues"] or told["cues"][0]["name"] == LOOKS


def assert_says_why(told: dict[str, Any]) -> None:
    """Fail unless a label comes with its look-alike and signs, and *can't tell* with its doubts."""
    why = told["why"]
    assert list(why) == WHY_KEYS
    assert GROUP_OF_FINE[why["seen_as"]] != GROUP_OF_FINE[why["look_alike"]]
    assert 0 <= why["look_alike_probability"] <= 1
    assert why["settled_by"]
    assert set(why["doubts"]) <= set(Doubt)
    if told["label"] == CANT_TELL:
        assert why["doubts"]
    else:
        assert why["doubts"] == []
        assert GROUP_OF_FINE[why["seen_as"]] == told["label"]
