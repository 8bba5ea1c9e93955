"""What every test shares: two threads, no network, and the real photographs."""

from __future__ import annotations

import os
import shutil
import socket
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

REPO = Path(__file__).resolve().parent.parent

os.environ.setdefault("GRADIO_ANALYTICS_ENABLED", "False")
os.environ.setdefault("HF_HUB_OFFLINE", "1")
cv2.setNumThreads(2)

QUIET_CHROMIUM = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session", autouse=True)
def _two_torch_threads() -> None:
    import torch

    torch.set_num_threads(2)


@pytest.fixture(autouse=True)
def _own_data_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Keep every test away from the album of whoever runs it."""
    monkeypatch.setenv("PESTVISION_DATA", str(tmp_path / "nobody's data"))


@pytest.fixture(autouse=True)
def _no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    """Refuse every connection that leaves this computer."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: object) -> None:
        is_local = self.family == getattr(socket, "AF_UNIX", None) or (
            isinstance(address, tuple) and address[0] in {"127.0.0.1", "::1", "localhost"}
        )
        if not is_local:
            pytest.fail(f"a connection left this computer: {address}")
        connect(self, address)

    monkeypatch.setattr(socket.socket, "connect", guarded)


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(0)


@pytest.fixture(scope="session")
def real_photos() -> Path:
    """The folder of real photographs, or a skip with the reason."""
    folder = os.environ.get("PESTVISION_PHOTOS")
    if not folder:
        pytest.skip(
            "PESTVISION_PHOTOS is not set: the real photographs are not part of the project"
        )
    return Path(folder)


@pytest.fixture(scope="session")
def samples() -> Path:
    """The drawn sample images that the project ships."""
    return REPO / "sample_images"


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args: dict[str, Any]) -> dict[str, Any]:
    """How Chromium is started: this system's own, headless, kept from talking to anybody else."""
    names = ("chromium", "chromium-browser", "google-chrome")
    chromium = next((path for name in names if (path := shutil.which(name))), None)
    if chromium is None:
        pytest.skip("no Chromium is found on this system (Debian's package is called chromium)")
    return {**browser_type_launch_args, "executable_path": chromium, "args": QUIET_CHROMIUM}
