"""A page with hand-made answers: the web tests ask what is shown, not what the net thinks."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hand_made import CLASSIFIER, RunningPage, fake_check, fake_scan, picture
from PIL import Image
from played_teaching import Adapting

from pestvision.settings import Settings
from pestvision.web import album_intake, handlers
from pestvision.web.shared_log import SharedLog
from pestvision.web.tank_desk import TankDesk
from tests.made_log import Hand

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


@pytest.fixture(autouse=True)
def _album_elsewhere(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Keep every test away from the album of whoever runs it."""
    monkeypatch.setenv("PESTVISION_DATA", str(tmp_path / "data"))


@pytest.fixture(autouse=True)
def _hand_made_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(handlers, "check_photo", fake_check)
    monkeypatch.setattr(album_intake, "check_photo", fake_check)
    monkeypatch.setattr(handlers, "scan_night", fake_scan)


@pytest.fixture
def _loops_closed(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Close the event loops that the toolkit makes for its locks, and never closes itself."""
    made: list[asyncio.AbstractEventLoop] = []
    make = asyncio.new_event_loop

    def making() -> asyncio.AbstractEventLoop:
        loop = make()
        made.append(loop)
        return loop

    monkeypatch.setattr(asyncio, "new_event_loop", making)
    yield
    for loop in made:
        if not loop.is_running():
            loop.close()
    asyncio.set_event_loop(None)


@pytest.fixture
def desk(tmp_path: Path) -> handlers.Desk:
    return handlers.Desk(Settings(), handlers.ClassifierOnce(lambda: CLASSIFIER), tmp_path)


@pytest.fixture
def photo_file(tmp_path: Path) -> Path:
    path = tmp_path / "evening glass.jpg"
    Image.fromarray(picture()).save(path, quality=92)
    return path


@pytest.fixture
def clip_file(tmp_path: Path) -> Path:
    """A second of a brown bar that goes to the right over a green glass."""
    import av

    path = tmp_path / "evening glass.mp4"
    with av.open(path, "w") as container:
        stream = container.add_stream("mpeg4", rate=10)
        stream.width, stream.height, stream.pix_fmt = 320, 240, "yuv420p"
        for step in range(10):
            frame = np.full((240, 320, 3), (91, 127, 106), np.uint8)
            frame[110:125, 40 + 8 * step : 100 + 8 * step] = (74, 47, 29)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(frame)))
        container.mux(stream.encode())
    return path


@pytest.fixture
def heic_file(tmp_path: Path) -> Path:
    import pillow_heif

    path = tmp_path / "phone.heic"
    pillow_heif.from_pillow(Image.fromarray(picture())).save(path, quality=80)
    return path


@pytest.fixture
def night_folder(tmp_path: Path) -> Path:
    folder = tmp_path / "shelf-tuesday"
    folder.mkdir()
    for number in range(1, 4):
        Image.fromarray(picture()).save(folder / f"000{number}.jpg")
    return folder


@pytest.fixture
def serve(tmp_path: Path, _loops_closed: None) -> Iterator[Callable[..., RunningPage]]:
    """Start a page as `run_page` does, with hand-made answers; stopped after the test."""
    from pestvision.web.serve import start_page

    stack = contextlib.ExitStack()

    def start(**options: Any) -> RunningPage:
        work = tmp_path / "work"
        work.mkdir()
        settings = options.pop("settings", Settings())
        options.setdefault("album_folder", tmp_path / "album")
        options.setdefault("tools", Adapting().tools())
        app = start_page(settings, work, classifier_source=lambda: CLASSIFIER, **options)
        stack.callback(app.close, verbose=False)
        return RunningPage(app.local_url, work, app)

    with stack:
        yield start


@pytest.fixture
def clock() -> Hand:
    """A clock of the log that stands still until it is set."""
    return Hand()


@pytest.fixture
def shared(tmp_path: Path, clock: Hand) -> Iterator[SharedLog]:
    """The log of the page, empty."""
    log = SharedLog(tmp_path / "data", now=clock)
    yield log
    log.close()


@pytest.fixture
def tonight(shared: SharedLog) -> TankDesk:
    """The handlers that write down, over two tanks."""
    desk = TankDesk(shared)
    for name in ("Amber", "Moss"):
        assert desk.add_tank({"name": name}).is_done
    return desk
