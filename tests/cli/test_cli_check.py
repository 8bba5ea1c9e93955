"""`check`: the answer in words, as JSON Lines, and the ways in which it can go wrong."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from contract import assert_keeps_contract
from made_answers import CROP, checked, judged
from PIL import Image
from pretended import flat, sentences

from pestvision.errors import PersonError, WeightsError
from pestvision.findings.words import CAUTION, LOOK_FOR
from pestvision.organisms.classes import LABELS
from pestvision.organisms.classify import Classifier

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pretended import Stages
    from typer.testing import Result

    TypeIn = Callable[..., Result]

pytestmark = pytest.mark.usefixtures("stages")


def test_a_photo_is_answered_with_verdict_reasons_and_what_to_look_for(
    stages: Stages, type_in: TypeIn
) -> None:
    result = type_in("check", "glass.jpg")
    assert result.exit_code == 0
    assert result.stderr == ""
    text = flat(result.stdout)
    assert "glass.jpg (640 × 480 pixels, taken 2026-03-01T22:14:03)" in text
    assert "Verdict: leech-like, 90 % sure" in text
    assert "A reason for leech-like." in text
    assert "box 10,20,110,80" in text
    assert "It was turned upright." in text
    for sentence in LOOK_FOR["leech-like"]:
        assert sentence in text
    assert "looks most like: leech" in text
    assert len(stages.asked("check_photo")) == 1


@pytest.mark.parametrize("label", LABELS)
def test_the_caution_ends_every_answer_whatever_the_label(
    stages: Stages, type_in: TypeIn, label: str
) -> None:
    stages.put(
        "pestvision.findings.check", "check_photo", lambda **_all: checked("a.jpg", label, 0)
    )
    result = type_in("check", "a.jpg")
    text = flat(result.stdout)
    assert text.endswith(CAUTION)
    assert text.count(CAUTION) == 1
    assert ("take-off: Taking a leech off" in text) == (label == "leech-like")
    for sentence in LOOK_FOR[label]:
        assert sentence in text


def test_several_photos_share_one_net_and_one_caution(stages: Stages, type_in: TypeIn) -> None:
    loads: list[int] = []
    stages.monkeypatch.setattr(Classifier, "load", classmethod(lambda _cls: loads.append(1)))
    result = type_in("check", "a.jpg", "b.jpg", "c.jpg")
    assert result.exit_code == 0
    assert len(loads) == 1
    assert flat(result.stdout).count("Verdict:") == 3
    assert flat(result.stdout).count(CAUTION) == 1


def test_what_cannot_be_told_names_the_likeliest_and_is_not_called_sure(
    stages: Stages, type_in: TypeIn
) -> None:
    stages.put("pestvision.findings.check", "check_photo", lambda **_all: checked("a", "cant-tell"))
    text = flat(type_in("check", "a.jpg").stdout)
    assert "Verdict: can't tell (likeliest: leech-like, 90 %)" in text
    assert "sure" not in text.split("Look for by eye")[0]


def test_json_keeps_the_contract(stages: Stages, type_in: TypeIn) -> None:
    labels = iter(LABELS)
    stages.put(
        "pestvision.findings.check",
        "check_photo",
        lambda photo, **_others: checked(photo.name, next(labels), 2),
    )
    result = type_in("check", "--json", *(f"{label}.jpg" for label in LABELS))
    assert result.exit_code == 0
    assert result.stderr == ""
    lines = result.stdout.splitlines()
    assert len(lines) == len(LABELS)
    for line, label in zip(lines, LABELS, strict=True):
        assert_keeps_contract(json.loads(line))
        assert json.loads(line)["verdict"]["label"] == label


def test_a_bad_photo_is_named_on_the_error_stream_and_the_others_go_on(type_in: TypeIn) -> None:
    result = type_in("check", "--json", "good.jpg", "bad.jpg", "fine.jpg")
    assert result.exit_code == 0
    assert [json.loads(line)["photo"] for line in result.stdout.splitlines()] == [
        "good.jpg",
        "fine.jpg",
    ]
    assert sentences(result.stderr) == ["bad.jpg is damaged. Take it again."]


def test_the_status_is_3_only_when_no_photo_could_be_used(type_in: TypeIn) -> None:
    result = type_in("check", "bad.jpg", "bad-too.jpg")
    assert result.exit_code == 3
    assert result.stdout == ""
    assert len(sentences(result.stderr)) == 2
    assert "Traceback" not in result.output


def test_a_folder_is_answered_with_the_command_that_takes_folders(
    type_in: TypeIn, tmp_path: Path
) -> None:
    result = type_in("check", tmp_path)
    assert result.exit_code == 3
    (sentence,) = sentences(result.stderr)
    assert f"{tmp_path} is a folder, and a photo was expected. " in sentence
    assert f"run: pestvision night {tmp_path}" in sentence


def test_a_marked_region_reaches_the_check_as_numbers(stages: Stages, type_in: TypeIn) -> None:
    assert type_in("check", "a.jpg", "--box", "1,2,30.5,40").exit_code == 0
    assert stages.asked("check_photo")[0]["box_xyxy_px"] == (1.0, 2.0, 30.5, 40.0)
    assert type_in("check", "a.jpg").exit_code == 0
    assert stages.asked("check_photo")[1]["box_xyxy_px"] is None


@pytest.mark.parametrize(
    "text",
    [
        "1,2,3",  # three numbers
        "1,2,3,4,5",  # five
        "1,2,three,4",  # a word
        "",
        "30,2,1,40",  # right before left
        "1,40,30,2",  # bottom above top
        "1,2,1,40",  # no width
        "-1,2,30,40",  # outside
        "nan,nan,nan,nan",
        "0,0,inf,inf",
    ],
)
def test_a_box_that_is_no_box_is_wrong_usage(stages: Stages, type_in: TypeIn, text: str) -> None:
    result = type_in("check", "a.jpg", f"--box={text}")
    assert result.exit_code == 2
    assert result.stdout == ""
    (sentence,) = sentences(result.stderr)
    assert f"'{text}'" in sentence
    assert "--box 120,340,560,700" in sentence
    assert stages.calls == []


def test_a_box_with_two_photos_is_wrong_usage(type_in: TypeIn) -> None:
    result = type_in("check", "a.jpg", "b.jpg", "--box", "1,2,3,4")
    assert result.exit_code == 2
    (sentence,) = sentences(result.stderr)
    assert "2 were given" in sentence


@pytest.mark.parametrize("text", ["640,0,700,10", "0,480,10,500"])
def test_a_box_beside_the_photo_is_refused_and_one_on_its_edge_is_not(
    type_in: TypeIn, text: str
) -> None:
    result = type_in("check", "a.jpg", "--box", text)
    assert result.exit_code == 3
    (sentence,) = sentences(result.stderr)
    assert "640 pixels wide and 480 high" in sentence
    assert type_in("check", "a.jpg", "--box", "639,479,700,500").exit_code == 0


def test_settings_from_a_file_reach_the_stages(
    stages: Stages, type_in: TypeIn, tmp_path: Path
) -> None:
    (tmp_path / "own.toml").write_text("[check]\nmax_findings = 3\n[photos]\nmax_megapixels = 9\n")
    assert type_in("check", "a.jpg", "--settings", "own.toml").exit_code == 0
    assert stages.asked("check_photo")[0]["settings"].check.max_findings == 3
    assert stages.asked("read_photo")[0]["settings"].max_megapixels == 9


@pytest.mark.parametrize(
    ("text", "words"),
    [("[chek]\n", "'check'"), ("[check\n", "not valid TOML"), (None, "cannot be read")],
)
def test_wrong_settings_are_one_sentence(
    stages: Stages, type_in: TypeIn, tmp_path: Path, text: str | None, words: str
) -> None:
    if text is not None:
        (tmp_path / "own.toml").write_text(text)
    result = type_in("check", "a.jpg", "--settings", "own.toml")
    assert result.exit_code == 3
    (sentence,) = sentences(result.stderr)
    assert words in sentence
    assert stages.calls == []


def test_crops_are_saved_under_names_that_are_free(
    stages: Stages, type_in: TypeIn, tmp_path: Path
) -> None:
    stages.put(
        "pestvision.findings.check", "check_photo", lambda **_all: checked("a.jpg", n_findings=2)
    )
    for _ in range(2):
        assert type_in("check", "a.jpg", "--crops", "crops/new").exit_code == 0
    names = sorted(path.name for path in (tmp_path / "crops/new").iterdir())
    assert names == [
        "a-1-leech-like-2.png",
        "a-1-leech-like.png",
        "a-2-leech-like-2.png",
        "a-2-leech-like.png",
    ]
    with Image.open(tmp_path / "crops/new" / names[0]) as saved:
        assert np.array_equal(np.asarray(saved), CROP)


def test_a_place_for_crops_that_is_a_file_stops_before_the_work(
    stages: Stages, type_in: TypeIn, tmp_path: Path
) -> None:
    (tmp_path / "taken").write_text("mine")
    result = type_in("check", "a.jpg", "--crops", "taken")
    assert result.exit_code == 3
    (sentence,) = sentences(result.stderr)
    assert "not a folder" in sentence
    assert stages.calls == []
    assert (tmp_path / "taken").read_text() == "mine"


def test_crops_that_cannot_be_written_do_not_hide_the_answer(
    stages: Stages, type_in: TypeIn
) -> None:
    def full(*_args: Any, **_kwargs: Any) -> None:
        raise OSError(28, "No space left on device")

    stages.monkeypatch.setattr(Image.Image, "save", full)
    result = type_in("check", "a.jpg", "b.jpg", "--crops", "crops")
    assert result.exit_code == 3
    assert "Verdict: leech-like" in result.stdout
    assert flat(result.stdout).endswith(CAUTION)
    (sentence,) = sentences(result.stderr)
    assert "No space left on device" in sentence


def test_damaged_weights_are_status_4(stages: Stages, type_in: TypeIn) -> None:
    def damaged(_cls: type) -> None:
        raise WeightsError("The weights are damaged.", advice="Install pestvision again.")

    stages.monkeypatch.setattr(Classifier, "load", classmethod(damaged))
    result = type_in("check", "a.jpg")
    assert result.exit_code == 4
    assert sentences(result.stderr) == ["The weights are damaged. Install pestvision again."]


@pytest.mark.parametrize(
    ("error", "status", "words"),
    [
        (PersonError("It is odd.", advice="Try another."), 3, "It is odd. Try another."),
        (KeyboardInterrupt(), 130, "Stopped"),
        (MemoryError(), 3, "not enough memory"),
        (ValueError("a\nb"), 1, "pestvision itself made a mistake (ValueError: a b)"),
    ],
)
def test_whatever_goes_wrong_is_one_sentence_and_a_status(
    stages: Stages, type_in: TypeIn, error: BaseException, status: int, words: str
) -> None:
    def fails(**_all: Any) -> None:
        raise error

    stages.put("pestvision.findings.check", "check_photo", fails)
    result = type_in("check", "a.jpg")
    assert result.exit_code == status
    assert result.stdout == ""
    (sentence,) = sentences(result.stderr)
    assert words in sentence


def test_interrupted_after_an_answer_the_caution_still_ends_it(
    stages: Stages, type_in: TypeIn
) -> None:
    def second_is_stopped(photo: Any, **_others: Any) -> Any:
        if photo.name == "b.jpg":
            raise KeyboardInterrupt
        return checked(photo.name)

    stages.put("pestvision.findings.check", "check_photo", second_is_stopped)
    result = type_in("check", "a.jpg", "b.jpg", "c.jpg")
    assert result.exit_code == 130
    assert flat(result.stdout).endswith(CAUTION)


def test_a_mistake_of_ours_shows_its_place_when_asked(stages: Stages, type_in: TypeIn) -> None:
    def fails(**_all: Any) -> None:
        raise ValueError("ours")

    stages.put("pestvision.findings.check", "check_photo", fails)
    result = type_in("check", "a.jpg", env={"PESTVISION_TRACEBACK": "1"})
    assert isinstance(result.exception, ValueError)


def test_a_file_name_cannot_steer_the_terminal(stages: Stages, type_in: TypeIn) -> None:
    nasty = "a\x1b[2J\x07\u202e\r\nb[red]c.jpg"
    stages.put("pestvision.findings.check", "check_photo", lambda **_all: checked(nasty))
    for words in (("check", nasty), ("check", "--json", nasty), ("check", f"bad{nasty}")):
        result = type_in(*words)
        for raw in "\x1b\x07\u202e\r":
            assert raw not in result.output
    shown = type_in("check", nasty).stdout
    assert r"a\x1b[2J\x07\u202e\r\nb[red]c.jpg" in shown
    assert json.loads(type_in("check", "--json", nasty).stdout)["photo"] == nasty


def test_a_finding_that_differs_from_the_verdict_gives_its_own_reasons(
    stages: Stages, type_in: TypeIn
) -> None:
    from dataclasses import replace

    base = checked("a.jpg", n_findings=2)
    other = replace(base.findings[1], judgement=judged("harmless", 0.999))
    answer = replace(base, findings=(base.findings[0], other))
    stages.put("pestvision.findings.check", "check_photo", lambda **_all: answer)
    text = flat(type_in("check", "a.jpg").stdout)
    assert "2. harmless, over 99 % sure" in text
    assert text.count("A reason for harmless.") == 1
    assert text.count("A reason for leech-like.") == 1


def test_what_a_missed_leech_costs_can_be_typed_and_wins_over_the_file(
    stages: Stages, type_in: TypeIn, tmp_path: Path
) -> None:
    own = tmp_path / "own.toml"
    own.write_text("[check]\nmissed_leech_costs = 4\n", encoding="utf-8")
    for words, costs in (
        ((), 9.0),
        (("--settings", own), 4.0),
        (("--settings", own, "--missed-leech-costs", "20"), 20.0),
    ):
        assert type_in("check", "a.jpg", *words).exit_code == 0
        asked = stages.asked("check_photo")[-1]
        assert asked["settings"].check.missed_leech_costs == costs
    assert type_in("night", tmp_path, "--missed-leech-costs", "2.5").exit_code == 0
    assert stages.asked("scan_night")[-1]["settings"].check.missed_leech_costs == 2.5


@pytest.mark.parametrize("typed", ["0", "-3", "nan", "inf", "much", ""])
def test_costs_that_are_no_number_over_0_are_refused_in_one_sentence(
    type_in: TypeIn, typed: str
) -> None:
    result = type_in("check", "a.jpg", "--missed-leech-costs", typed)
    assert result.exit_code == 2
    (sentence,) = sentences(result.stderr)
    assert f"given as '{typed}'" in sentence
    assert "--missed-leech-costs 20" in sentence


def test_the_answer_says_what_would_settle_it(type_in: TypeIn) -> None:
    text = flat(type_in("check", "a.jpg").stdout)
    assert "What would settle it:" in text
    for sentence in checked().verdict.why.settled_by:
        assert sentence in text
