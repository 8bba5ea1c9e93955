"""The README: its two commands are there, each on one line, and what they name exists."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[2]
ROOMS = ("sample_images", "models", "training", "tests", "pestvision")


def fenced(text: str) -> list[str]:
    """Give what stands between fences, without the fences."""
    return [
        block.strip()
        for block in re.findall(r"^```\w*\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    ]


def named_paths(command: str) -> list[str]:
    """Give the words of a command that begin with a room of this repository."""
    words = shlex.split(command, comments=True)
    return [
        word.removeprefix("./").rstrip(";,")
        for word in words
        if word.removeprefix("./").split("/")[0] in ROOMS and "/" in word
    ]


@pytest.fixture(scope="module")
def one_liners() -> list[str]:
    blocks = fenced((REPO / "README.md").read_text(encoding="utf-8"))
    return [block for block in blocks if "\n" not in block]


def test_one_line_installs_and_checks_the_sample_images(one_liners: list[str]) -> None:
    (line,) = [line for line in one_liners if "venv" in line and "pytest" not in line]
    for part in ("pip install", "pestvision check", "pestvision night", "sample_images/"):
        assert part in line
    assert line.index("pip install") < line.index("pestvision check")
    assert line.count("sample_images/") >= 2


def test_one_line_installs_the_test_group_and_tests(one_liners: list[str]) -> None:
    (line,) = [line for line in one_liners if "pytest" in line]
    assert "--group test" in line
    groups = tomllib.loads((REPO / "pyproject.toml").read_text(encoding="utf-8"))[
        "dependency-groups"
    ]
    assert any(item.startswith("pytest>") for item in groups["test"])


def test_what_the_readme_names_in_commands_exists() -> None:
    text = (REPO / "README.md").read_text(encoding="utf-8")
    paths = [path for block in fenced(text) for path in named_paths(block)]
    assert paths
    assert [path for path in paths if not any(REPO.glob(path.rstrip("/")))] == []


def test_pictures_and_pages_that_the_readme_links_to_exist() -> None:
    text = (REPO / "README.md").read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#]+)[^)]*\)", text)
    local = [link for link in links if "://" not in link]
    assert [link for link in local if not (REPO / link).exists()] == []


def test_that_a_path_in_a_command_is_seen_and_an_option_is_not() -> None:
    command = (
        "python -m venv .venv && .venv/bin/pestvision check sample_images/a/*.jpg --json # all"
    )
    assert named_paths(command) == ["sample_images/a/*.jpg"]
    assert fenced("text\n```sh\none\n```\nmore\n```\ntwo\nthree\n```\n") == ["one", "two\nthree"]
