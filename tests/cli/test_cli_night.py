"""`night`: the summary, the JSON Lines, the report's place, and the progress bar."""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from made_answers import checked, judged, scanned
from pretended import flat, sentences
from rich.console import Console

from pestvision.cli.bar import shown_progress
from pestvision.cli.text import night_text
from pestvision.errors import FolderError, OutputError
from pestvision.findings.finding import NightResult
from pestvision.findings.words import CAUTION, LOOK_FOR
from pestvision.organisms.classes import LABELS
from pestvision.photos.series import Skipped
from pestvision.progress import silent

if TYPE_CHECKING:
    from collections.abc import Callable

    from pretended import Stages
    from typer.testing import Result

    TypeIn = Callable[..., Result]

pytestmark = pytest.mark.usefixtures("stages")


@pytest.fixture(autouse=True)
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "shelf"
    made.mkdir()
    return made


def test_a_night_is_summed_up_by_view_and_a_report_written(type_in: TypeIn, tmp_path: Path) -> None:
    result = type_in("night", "shelf")
    assert result.exit_code == 0
    assert result.stderr == ""
    text = flat(result.stdout)
    assert "shelf: 3 photos used" in text
    assert "View left tank: 3 photos, 2026-03-01T22:00:00 to 2026-03-01T23:00:00" in text
    assert "Compared: 1 of 2 pairs" in text
    assert "b.jpg and c.jpg: Too dark. Use a lamp." in text
    assert "1. harmless, 90 % sure; seen on 2 photos, from a.jpg to b.jpg" in text
    assert "2. leech-like, 70 % sure; seen on 1 photo, on a.jpg" in text
    assert text.index("2. leech-like") < text.index("1. harmless")  # the most worrying first
    assert "Most seen on one photo (there may be more): leech-like 1, harmless 1" in text
    assert "The order is that of the file names." in text
    for sentence in LOOK_FOR["leech-like"]:
        assert sentence in text
    assert text.endswith(CAUTION)
    assert text.count(CAUTION) == 1
    report = tmp_path / "pestvision-night-shelf" / "report.html"
    assert report.is_file()
    assert "pestvision-night-shelf/report.html" in result.stdout


def test_the_report_goes_where_out_says(type_in: TypeIn, tmp_path: Path) -> None:
    assert type_in("night", "shelf", "--out", "reports/today").exit_code == 0
    assert (tmp_path / "reports/today/report.html").is_file()
    assert not (tmp_path / "pestvision-night-shelf").exists()


def test_a_second_report_leaves_the_first_alone(type_in: TypeIn, tmp_path: Path) -> None:
    assert type_in("night", "shelf").exit_code == 0
    first = (tmp_path / "pestvision-night-shelf/report.html").read_bytes()
    result = type_in("night", "shelf")
    assert result.exit_code == 0
    assert (tmp_path / "pestvision-night-shelf/report.html").read_bytes() == first
    assert "pestvision-night-shelf-2/report.html" in result.stdout


def test_the_folder_one_stands_in_gives_the_report_its_name(
    type_in: TypeIn, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    assert type_in("night", ".").exit_code == 0
    assert (folder / "pestvision-night-shelf/report.html").is_file()


def test_json_is_one_view_a_line_and_nothing_else_on_the_output(
    stages: Stages, type_in: TypeIn
) -> None:
    two = (*scanned().views, *scanned(view="right tank").views)

    def scan(on_view: Any, **_others: Any) -> NightResult:
        for view in two:
            on_view(view)
        return NightResult("shelf", two)

    stages.put("pestvision.findings.night", "scan_night", scan)
    result = type_in("night", "shelf", "--json")
    assert result.exit_code == 0
    views = [json.loads(line) for line in result.stdout.splitlines()]
    assert [view["view"] for view in views] == ["left tank", "right tank"]
    for view in views:
        assert {
            "view",
            "photos",
            "pairs",
            "tracks",
            "seen_at_once_max",
            "skipped",
        } <= set(view)
        assert set(view["seen_at_once_max"]) <= set(LABELS)
        assert view["caution"] == CAUTION
    (sentence,) = sentences(result.stderr)
    assert sentence.startswith("The report is written: ")


def test_skipped_photos_are_named_and_the_status_stays_0(stages: Stages, type_in: TypeIn) -> None:
    view = scanned(skipped=(Skipped("y.jpg", "y.jpg is cut short. Copy it again."),)).views[0]
    found = NightResult("shelf", (view,), (Skipped("x\x1b.jpg", "It is empty. Copy it again."),))
    stages.put("pestvision.findings.night", "scan_night", lambda **_all: found)
    result = type_in("night", "shelf")
    assert result.exit_code == 0
    assert sentences(result.stderr) == [
        r"Skipped: x\x1b.jpg: It is empty. Copy it again.",
        "Skipped: y.jpg is cut short. Copy it again.",
    ]


def test_a_night_without_a_photo_is_status_3(
    stages: Stages, type_in: TypeIn, tmp_path: Path
) -> None:
    stages.put("pestvision.findings.night", "scan_night", lambda **_all: NightResult("shelf", ()))
    result = type_in("night", "shelf")
    assert result.exit_code == 3
    (sentence,) = sentences(result.stderr)
    assert "shelf holds no photo" in sentence
    assert not (tmp_path / "pestvision-night-shelf").exists()


def test_a_scan_that_refuses_the_folder_is_one_sentence(stages: Stages, type_in: TypeIn) -> None:
    def refuses(**_all: Any) -> None:
        raise FolderError("shelf holds no photo.", advice="Give another folder.")

    stages.put("pestvision.findings.night", "scan_night", refuses)
    result = type_in("night", "shelf")
    assert result.exit_code == 3
    assert sentences(result.stderr) == ["shelf holds no photo. Give another folder."]


def test_a_missing_folder_a_file_and_an_endless_name_are_named(
    stages: Stages, type_in: TypeIn, tmp_path: Path
) -> None:
    (tmp_path / "a.jpg").write_bytes(b"")
    for given, words in (
        ("nowhere", "There is no folder nowhere"),
        ("a.jpg", "run: pestvision check a.jpg"),
        ("n" * 5000, "There is no folder nnn"),
    ):
        result = type_in("night", given)
        assert result.exit_code == 3
        (sentence,) = sentences(result.stderr)
        assert words in sentence
    assert stages.calls == []


def test_a_place_for_the_report_that_cannot_be_is_refused_before_the_scan(
    stages: Stages, type_in: TypeIn, tmp_path: Path
) -> None:
    (tmp_path / "taken").write_text("mine")
    for out in ("taken", "taken/below"):
        result = type_in("night", "shelf", "--out", out)
        assert result.exit_code == 3
        (sentence,) = sentences(result.stderr)
        assert f"Results cannot be written to {out}" in sentence
    assert stages.calls == []
    assert (tmp_path / "taken").read_text() == "mine"


@pytest.mark.parametrize("as_json", [False, True])
def test_a_report_that_cannot_be_written_does_not_hide_what_was_found(
    stages: Stages, type_in: TypeIn, as_json: bool
) -> None:
    def full(**_all: Any) -> None:
        raise OutputError("The disk is full.", advice="Free some space.")

    stages.put("pestvision.report.write", "write_report", full)
    result = type_in("night", "shelf", *(["--json"] if as_json else []))
    assert result.exit_code == 3
    assert "leech-like" in result.stdout
    assert sentences(result.stderr)[-1] == "The disk is full. Free some space."


def test_settings_and_a_silent_progress_reach_the_scan(
    stages: Stages, type_in: TypeIn, tmp_path: Path
) -> None:
    (tmp_path / "own.toml").write_text("[night]\nmin_mover_px = 30\n")
    assert type_in("night", "shelf", "--settings", "own.toml").exit_code == 0
    (asked,) = stages.asked("scan_night")
    assert asked["settings"].night.min_mover_px == 30
    assert asked["progress"] is silent  # no terminal here, so no bar
    assert asked["executor"] is None  # one process, unless more are asked for
    assert asked["resume"] is False


def test_a_single_photo_and_a_still_night_have_words_of_their_own() -> None:
    still = scanned(photos=("a.jpg",), taken=(None,), pairs=(), tracks=(), still=checked("a.jpg"))
    assert "The photo by itself: leech-like, 90 % sure" in flat(night_text(still))
    nothing = scanned(tracks=(), seen_at_once_max={}, notes=())
    text = flat(night_text(nothing))
    assert "no animal was seen to move" in text
    assert "Look for by eye" not in text
    assert "Most seen" not in text


def test_the_night_tells_what_to_look_for_of_the_most_worrying_label() -> None:
    text = flat(night_text(scanned(label="cant-tell")))
    assert LOOK_FOR["cant-tell"][0] in text
    assert LOOK_FOR["harmless"][0] not in text
    assert judged("cant-tell").label == "cant-tell"


def test_the_bar_shows_the_step_the_count_and_the_time_left() -> None:
    screen, now = io.StringIO(), [0.0]
    console = Console(
        file=screen, force_terminal=True, width=120, color_system=None, get_time=lambda: now[0]
    )
    with shown_progress(is_wanted=True, console=console) as progress:
        for done in range(4):  # ten seconds a step by a clock moved by hand, one step to come
            now[0] = 10.0 * done
            progress(done, 4, "comparing [bold]x\x1b[2J.jpg")
    shown = screen.getvalue()
    assert r"comparing [bold]x\x1b[2J.jpg" in shown
    assert "3/4" in shown
    assert "time left 0:00:10" in shown


def test_without_a_terminal_the_bar_is_silent() -> None:
    with shown_progress(is_wanted=False) as progress:
        assert progress is silent


PROGRAM = """
import json, sys
from pestvision.cli import main
from pestvision.findings import night
from pestvision.organisms.classify import Classifier
from made_answers import scanned

def scan(folder, classifier, *, progress, on_view, **_others):
    found = scanned(folder.name)
    progress(1, 3, "comparing")
    on_view(found.views[0])
    progress(2, 3, "comparing")
    return found

Classifier.load = lambda: None
night.scan_night = scan
sys.argv = ["pestvision", "night", "shelf", "--json"]
main()
"""


@pytest.mark.skipif(os.name != "posix", reason="a terminal is made with pty, which is POSIX only")
@pytest.mark.parametrize("is_output_terminal", [False, True])
def test_the_bar_goes_to_a_terminal_alone_and_never_among_the_json(
    tmp_path: Path, folder: Path, is_output_terminal: bool
) -> None:
    import pty

    assert folder.is_dir()
    leader, follower = pty.openpty()
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1]), "TERM": "xterm"}
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM],
        cwd=tmp_path,
        env=environment,
        stdout=follower if is_output_terminal else subprocess.PIPE,
        stderr=follower,
    ) as process:
        os.close(follower)
        output = b"" if process.stdout is None else process.stdout.read()
        seen = b""
        with contextlib.suppress(OSError):  # Linux ends a closed terminal with an error
            while part := os.read(leader, 4096):
                seen += part
        assert process.wait(timeout=60) == 0
    os.close(leader)
    assert b"The report is written" in seen
    if is_output_terminal:
        assert b"time left" not in seen
        assert b'{"view": "left tank"' in seen
    else:
        assert b"time left" in seen
        assert json.loads(output)["view"] == "left tank"
