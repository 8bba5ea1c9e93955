"""Run a measuring script in an interpreter of its own, so that its peak memory is its own too."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path


def measured_apart(script: Path, argument: Path) -> dict[str, Any]:
    """Give what the script measured of itself: the JSON of its last line."""
    done = subprocess.run(
        [sys.executable, str(script), str(argument)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    measured: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return measured
