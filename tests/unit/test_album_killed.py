"""Processes at work on album and log are killed at any moment: what they had announced is there, and all is whole."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

REPO = Path(__file__).resolve().parents[2]

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork"),
]


def killed(folder: Path, work: str, n: int) -> dict[str, Any]:
    """Kill so many children at this work; give what was found."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.album_worker", str(folder / "album"), work, str(n), "0"],
        cwd=REPO,
        env={**os.environ, "PYTHONPATH": str(REPO), "OMP_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    found: dict[str, Any] = json.loads(done.stdout)
    return found


@pytest.mark.parametrize(
    ("work", "n"),
    [("import", 60), ("label", 50), ("adapt", 40), ("delete", 60), ("migrate", 50), ("log", 60)],
)
def test_what_was_announced_is_there_and_nothing_is_half_done(
    tmp_path: Path, work: str, n: int
) -> None:
    found = killed(tmp_path, work, n)
    assert found["faults"] == []
    assert found["n_killed"] == n
    assert found["n_acknowledged"] > 0  # some were killed after they had announced something
    if work in {"delete", "migrate"}:  # announced once, at the end
        assert found["n_acknowledged"] < n


def test_several_write_at_once_and_lose_nothing_though_others_are_killed_beside_them(
    tmp_path: Path,
) -> None:
    found = killed(tmp_path, "together", 15)
    assert found["faults"] == []
    assert found["n_killed"] == 15
    assert found["n_acknowledged"] >= 2 * 60 + 2 * 12 + 1
