"""The program as a whole: help, version, selftest, page, and how it ends."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import typer.main
from pretended import sentences

import pestvision
from pestvision.cli import app
from pestvision.cli.album import album
from pestvision.cli.tank import tank
from pestvision.cli.text import percent, printable
from pestvision.errors import WeightsError
from pestvision.organisms.classify import Classifier, Scores

if TYPE_CHECKING:
    from collections.abc import Callable

    from pretended import Stages
    from typer.testing import Result

    TypeIn = Callable[..., Result]

REPO = Path(__file__).resolve().parents[2]
COMMANDS = sorted(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
OF_ALBUM = typer.main.get_command(album).commands  # type: ignore[attr-defined]
OF_TANK = typer.main.get_command(tank).commands  # type: ignore[attr-defined]
IN_GROUPS = [
    *(("album", name, command) for name, command in sorted(OF_ALBUM.items())),
    *(("tank", name, command) for name, command in sorted(OF_TANK.items())),
]


def run_program(*words: str, **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "pestvision", *words],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        **options,
    )


def test_there_are_the_commands_that_there_should_be() -> None:
    assert COMMANDS == [
        "album", "backup", "check", "clip", "night", "page", "restore", "scale-card", "selftest", "tank",
    ]  # fmt: skip
    assert sorted(OF_ALBUM) == sorted(
        [
            "add",
            "adapt",
            "agree",
            "delete",
            "export",
            "find",
            "import",
            "label",
            "next",
            "tank",
            "trust",
            "undo",
        ]
    )


@pytest.mark.parametrize(("group", "name", "command"), IN_GROUPS)
def test_every_command_of_a_group_has_help_and_stands_in_the_readme(
    type_in: TypeIn, group: str, name: str, command: Any
) -> None:
    result = type_in(group, name, "--help")
    assert result.exit_code == 0
    assert "Exit status:" in result.stdout
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert f"pestvision {group} {name}" in (REPO / "README.md").read_text(encoding="utf-8")
    for parameter in command.params:
        assert parameter.help, f"{name} {parameter.name}"


def test_the_log_is_asked_by_the_commands_that_there_should_be() -> None:
    assert sorted(OF_TANK) == sorted(
        [
            "add", "advice", "change", "contacts", "correct", "delete", "export", "forecast", "history",
            "import", "note", "remind", "report", "status", "undo",
        ]
    )  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_and_stands_in_the_readme(type_in: TypeIn, command: str) -> None:
    result = type_in(command, "--help")
    assert result.exit_code == 0
    assert f"pestvision {command}" in result.stdout
    assert "Exit status:" in result.stdout
    assert f"pestvision {command}" in (REPO / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_option_says_what_it_does(command: str) -> None:
    for parameter in typer.main.get_command(app).commands[command].params:  # type: ignore[attr-defined]
        assert parameter.help, f"{command} {parameter.name}"


def test_help_is_short_enough_for_a_narrow_terminal(type_in: TypeIn) -> None:
    in_groups = ([group, name] for group, name, _ in IN_GROUPS)
    for words in ([], *([command] for command in COMMANDS), *in_groups):
        text = type_in(*words, "--help").stdout
        assert max(len(line) for line in text.splitlines()) <= 80
        assert "..." not in re.sub(
            r"\{?(FILE|PHOTO|NUMBER)\}?\.\.\.|\[ARGS\]\.\.\.", "", text
        )  # no help cut off


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["chek"], "chek"),
        (["check"], "PHOTO"),
        (["check", "a.jpg", "--colour"], "--colour"),
        (["night"], "FOLDER"),
        (["night", "a", "b"], "b"),
    ],
)
def test_wrong_usage_names_the_fault_and_the_help_with_status_2(
    type_in: TypeIn, words: list[str], named: str
) -> None:
    result = type_in(*words)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert named in result.stderr.splitlines()[-1]
    assert "--help" in result.stderr
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize(
    "port", ["abc", "", "80", "1023", "65536", "8e3", "-8000", "８０００", "9" * 5000]
)
def test_a_port_that_is_none_is_wrong_usage(page: Stages, type_in: TypeIn, port: str) -> None:
    result = type_in("page", f"--port={port}")
    assert result.exit_code == 2
    (sentence,) = sentences(result.stderr)
    assert f"'{port}'" in sentence
    assert "from 1024 to 65535" in sentence
    assert page.calls == []


def test_nothing_typed_shows_the_help(type_in: TypeIn) -> None:
    result = type_in()
    assert result.exit_code == 2
    assert "check" in result.output


def test_the_version_tells_the_checksum_of_the_weights(
    type_in: TypeIn, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from pestvision.organisms import weights

    (tmp_path / weights.WEIGHTS_NAME).write_bytes(b"abc")
    monkeypatch.setattr(weights, "find_models", lambda: tmp_path)
    result = type_in("--version")
    assert result.exit_code == 0
    # SHA-256 of "abc": FIPS 180-2, appendix B.1.
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert result.stdout.splitlines() == [
        f"pestvision {pestvision.__version__}",
        f"weights sha256 {digest}",
    ]


def test_the_version_is_told_without_weights_too(
    type_in: TypeIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pestvision.organisms import weights

    def missing() -> None:
        raise WeightsError("The trained weights are missing.", advice="Install again.")

    monkeypatch.setattr(weights, "find_models", missing)
    result = type_in("--version")
    assert result.exit_code == 0
    assert result.stdout.splitlines()[1] == "The trained weights are missing. Install again."


class PretendedNet:
    """A net that answers what it is told to."""

    def __init__(self, *answers: float) -> None:
        self.answers = list(answers)
        self.card = type("Card", (), {"sha256": "ab" * 32})()

    def classify(self, crops: list[Any]) -> list[Scores]:
        p = self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]
        p_fine = np.full(14, (1 - p) / 13, np.float32)
        p_fine[0] = p
        return [Scores(p_fine, np.array([p, 1 - p, 0, 0], np.float32)) for _ in crops]


def use_net(stages: Stages, net: PretendedNet) -> None:
    stages.monkeypatch.setattr(Classifier, "load", classmethod(lambda _cls: net))


def test_selftest_tells_versions_and_what_works(stages: Stages, type_in: TypeIn) -> None:
    use_net(stages, PretendedNet(0.7))
    result = type_in("selftest")
    assert result.exit_code == 0
    assert f"pestvision {pestvision.__version__}" in result.stdout
    assert re.search(r"^torch \d", result.stdout, re.MULTILINE)
    assert "ab" * 32 in result.stdout
    assert result.stdout.count("works: ") == 3
    (asked,) = stages.asked("read_photo")
    assert not asked["path"].exists()  # the drawn photo is cleared away


@pytest.mark.parametrize(
    ("answers", "words"),
    [((float("nan"),), "no probability"), ((0.7, 0.2), "in two ways")],
)
def test_selftest_finds_a_net_that_does_not_work(
    stages: Stages, type_in: TypeIn, answers: tuple[float, ...], words: str
) -> None:
    use_net(stages, PretendedNet(*answers))
    result = type_in("selftest")
    assert result.exit_code == 4
    (sentence,) = sentences(result.stderr)
    assert words in sentence
    assert "Everything" not in result.stdout


def test_selftest_names_a_missing_package(stages: Stages, type_in: TypeIn) -> None:
    from pestvision.cli import selftest

    stages.monkeypatch.setattr(selftest, "PACKAGES", ("numpy", "not-a-package-of-ours"))
    result = type_in("selftest")
    assert result.exit_code == 4
    (sentence,) = sentences(result.stderr)
    assert "not-a-package-of-ours is not installed" in sentence


@pytest.fixture
def page(stages: Stages) -> Stages:
    stages.put("pestvision.web.serve", "run_page", lambda **_all: None)
    return stages


def test_the_page_stays_on_this_computer_unless_asked(page: Stages, type_in: TypeIn) -> None:
    result = type_in("page", "--port", "8123", "--no-open")
    assert result.exit_code == 0
    assert result.output == ""
    (asked,) = page.asked("run_page")
    assert asked["lan_password"] is None
    assert asked["port"] == 8123
    assert asked["open_browser"] is False


def test_the_page_for_the_network_warns_and_wants_a_password(page: Stages, type_in: TypeIn) -> None:
    result = type_in("page", "--lan", input="snails on glass\nsnails on glass\n")
    assert result.exit_code == 0
    assert "every device on your network" in result.stderr
    assert "snails on glass" not in result.output
    (asked,) = page.asked("run_page")
    assert asked["lan_password"] == "snails on glass"  # noqa: S105 - typed by this test
    assert asked["open_browser"] is True


def test_without_a_password_there_is_no_page_for_the_network(page: Stages, type_in: TypeIn) -> None:
    result = type_in("page", "--lan", input="")
    assert result.exit_code == 130
    assert sentences(result.stderr)[-1].startswith("Stopped")
    assert page.asked("run_page") == []


def test_a_short_password_is_refused_by_the_page(stages: Stages, type_in: TypeIn) -> None:
    result = type_in("page", "--lan", "--no-open", input="short\nshort\n")
    assert result.exit_code == 3
    assert "password" in sentences(result.stderr)[-1]
    assert stages.asked("run_page") == []


def test_names_are_shown_as_they_are_unless_they_would_steer_the_terminal() -> None:
    for plain in ("glass 3.jpg", "Müller’s Becken – 1.jpg", "水槽.jpg", "a\u202fb", "🐌"):
        assert printable(plain) == plain
    assert printable("a\nb\tc\x1b[0m\x9b\u2028\u202e\udcff") == (
        r"a\nb\tc\x1b[0m\x9b\u2028\u202e\udcff"
    )


def test_per_cent_never_claims_a_certainty_that_is_not_there() -> None:
    assert [percent(p) for p in (0.0, 0.004, 0.01, 0.5, 0.943, 0.99, 0.996, 1.0)] == [
        "0 %",
        "under 1 %",
        "1 %",
        "50 %",
        "94 %",
        "99 %",
        "over 99 %",
        "100 %",
    ]


def test_a_bad_file_in_a_real_run_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text("[chek]\n")
    result = run_program("check", "a.jpg", "--settings", "own.toml", cwd=tmp_path)
    assert (result.returncode, result.stdout) == (3, "")
    assert len(sentences(result.stderr)) == 1


def test_a_terminal_that_lacks_a_letter_gets_its_code_instead(tmp_path: Path) -> None:
    result = run_program(
        "night", "glass 水", cwd=tmp_path, env=os.environ | {"PYTHONIOENCODING": "latin-1"}
    )
    assert result.returncode == 3
    assert r"glass \u6c34" in result.stderr
    assert "Traceback" not in result.stderr


@pytest.mark.skipif(os.name != "posix", reason="pipes that close early are tested on POSIX")
def test_a_reader_that_goes_away_ends_the_program_quietly(tmp_path: Path) -> None:
    program = tmp_path / "program.py"
    program.write_text(
        "import sys, time\n"
        "from pestvision.cli import selftest, main\n"
        "selftest.versions = lambda: [('line', str(i)) for i in range(100_000)]\n"
        "sys.argv = ['pestvision', 'selftest']\n"
        "main()\n"
    )
    with subprocess.Popen(
        [sys.executable, str(program)], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline() == b"line 0\n"
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(timeout=60) == 141


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the full device is Linux's own")
def test_an_output_without_space_is_one_sentence() -> None:
    with Path("/dev/full").open("w") as full:
        result = subprocess.run(
            [sys.executable, "-m", "pestvision", "--version"],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
            check=False,
        )
    assert result.returncode == 3
    (sentence,) = sentences(result.stderr)
    assert "no space left" in sentence


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="Ctrl+C is sent as a signal, which is POSIX only")
def test_the_page_answers_on_this_computer_until_it_is_stopped(tmp_path: Path) -> None:
    environment = os.environ | {"XDG_DATA_HOME": str(tmp_path), "PYTHONUNBUFFERED": "1"}
    with subprocess.Popen(
        [sys.executable, "-m", "pestvision", "page", "--no-open"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment,
    ) as process:
        try:
            assert process.stdout is not None
            url = re.search(r"http://127\.0\.0\.1:\d+/", process.stdout.readline())
            assert url is not None
            with urllib.request.urlopen(url.group(), timeout=60) as answer:  # noqa: S310
                assert answer.status == 200
            process.send_signal(signal.SIGINT)
            said, errors = process.communicate(timeout=60)
            assert "stopped" in said
            assert errors == ""
            assert process.returncode == 0
        finally:
            process.kill()
