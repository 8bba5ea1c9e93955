"""Headless Chromium from this system, kept from talking to anybody but the page."""

from __future__ import annotations

import shutil
from typing import Any

import pytest

QUIET_CHROMIUM = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if chromium is None:
        pytest.skip("no Chromium is found on this system (Debian's package is called chromium)")
    return {**browser_type_launch_args, "executable_path": chromium, "args": QUIET_CHROMIUM}
