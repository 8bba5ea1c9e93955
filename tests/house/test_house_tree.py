"""What lies in the repository: its top level, its sizes, and words that must not be in it."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

REPO = Path(__file__).resolve().parents[2]
TOP_LEVEL = {
    ".ci",
    ".gitignore",
    "CHANGELOG.md",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "models",
    "pestvision",
    "pyproject.toml",
    "sample_images",
    "tests",
    "training",
}
MAX_BYTES = 1_000_000  # git keeps every file for ever
MAX_WEIGHTS_BYTES = 20_000_000

# Each pattern is written so that it does not match itself.
FORBIDDEN = {
    "work left undone": r"\b(TO[D]O|FIX[M]E|X[X]X|HAC[K])\b",
    "a path of one machine": (
        r"(?<![\w.~])/(wor[k]|op[t]|roo[t]|Users)/\w|\.\./share[d]|[A-Z]:\\\\?User[s]"
        r"|(?<![\w.~])/hom[e]/(?!(you|keeper)\b)\w"  # the two that examples may name
    ),
    "the host of a registry": (
        r"pypi\.or[g]|pythonhosted\.or[g]|huggingface\.c[o]|download\.pytorch\.or[g]"
        r"|registry\.npmj[s]|conda\.anaconda\.or[g]"
    ),
    "how it is developed": r"(?i)\bissue\s*#?\d|\bseed documen[t]|\btranscrip[t]\b|\bpull reques[t] #?\d",
}


def tracked() -> list[Path]:
    try:
        result = subprocess.run(
            ["git", "ls-files", "-z"], cwd=REPO, capture_output=True, check=True, text=True
        )
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("this is no git checkout, so it is not known which files belong to it")
    names = [name for name in result.stdout.split("\0") if name]
    return [Path(name) for name in names if (REPO / name).is_file()]


def faults(text: str) -> list[str]:
    return [
        f"{what}: {match.group()}"
        for what, pattern in FORBIDDEN.items()
        for match in re.finditer(pattern, text)
    ]


def test_the_top_level_holds_what_it_should_and_nothing_else() -> None:
    assert {path.parts[0] for path in tracked()} == TOP_LEVEL


def test_no_file_is_larger_than_a_megabyte_but_the_weights() -> None:
    large = {
        str(path): size
        for path in tracked()
        if (size := (REPO / path).stat().st_size)
        > (MAX_WEIGHTS_BYTES if path.parts[0] == "models" else MAX_BYTES)
    }
    assert large == {}


def test_no_file_holds_a_forbidden_word() -> None:
    found = {}
    for path in tracked():
        data = (REPO / path).read_bytes()
        if b"\0" in data[:8000]:
            continue  # a picture or the weights
        if wrong := faults(data.decode("utf-8")):
            found[str(path)] = wrong
    assert found == {}


@pytest.mark.parametrize(
    "text",  # ~ keeps them from being found in this file
    [
        "# TO~DO: later",
        "see /wor~k/main/x",
        "in /hom~e/anna/photos",
        "from ../share~d/photos",
        "https://pypi.or~g/simple",
        "as asked in issu~e #2",
    ],
)
def test_that_a_forbidden_word_would_be_found(text: str) -> None:
    assert len(faults(text.replace("~", ""))) == 1


@pytest.mark.parametrize(
    "text",
    [
        "#!/usr/bin/env bash",
        "a method of work/life",
        "the photo's own path, such as photos/opt/a.jpg",
        "pick the build on PyTorch's own page",
        "an issue with glare",
        "such as /home/you/Pictures",
    ],
)
def test_that_ordinary_words_are_let_be(text: str) -> None:
    assert faults(text) == []


def test_every_text_file_is_utf8_and_ends_with_a_line_break() -> None:
    wrong = []
    for path in tracked():
        data = (REPO / path).read_bytes()
        if path.suffix in {".py", ".md", ".toml", ".html", ".css"} and data:
            data.decode("utf-8")
            if not data.endswith(b"\n") or b"\r" in data:
                wrong.append(str(path))
    assert wrong == []
