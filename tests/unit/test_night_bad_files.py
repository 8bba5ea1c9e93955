"""A folder of many small photos of which some are bad: each bad one is named, no good one is lost.

For a thousand photos of two megapixels, write a folder with `draw_spoilt_night` and the larger numbers
below, and scan it by hand.
"""

from __future__ import annotations

import os
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from drawn_glasses import draw_night
from made_scores import PaintReader

from pestvision.findings.night import scan_night

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

N_PHOTOS = 40  # by hand: 1000
HEIGHT, WIDTH = 320, 400  # by hand: 1200, 1600
BAD_SHARE = 0.05
SEED = 8


def empty(path: Path) -> None:
    path.write_bytes(b"")


def cut_off(path: Path) -> None:
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def text(path: Path) -> None:
    path.write_text("A photo was to be here.\n", encoding="utf-8")


def folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def unreadable(path: Path) -> None:
    """A link to nowhere: no permission keeps out a superuser, who runs tests in many a container."""
    path.unlink()
    path.symlink_to(path.with_name("a card that is not in its slot.jpg"))


def forbidden(path: Path) -> None:
    path.chmod(0)


SPOILERS: tuple[Callable[[Path], None], ...] = (empty, cut_off, text, folder, unreadable)
WORDS = {
    "empty": "is empty",
    "cut_off": "is cut off",
    "text": "which is not read",
    "folder": "folder",
    "unreadable": "",
    "forbidden": "permission",
}


def draw_spoilt_night(
    where: Path, n_photos: int, *, height: int, width: int
) -> tuple[set[str], dict[str, str]]:
    """Write a night of two panes and spoil some; give the names of the good, and how the bad are."""
    n_left = n_photos // 2
    paths = draw_night(
        where, {"left": n_left, "right": n_photos - n_left}, height=height, width=width
    )
    names = [path.relative_to(where).as_posix() for path in paths]
    spoilers = list(SPOILERS)
    if os.name == "posix" and os.geteuid() != 0:
        spoilers.append(forbidden)
    n_bad = max(len(spoilers), round(BAD_SHARE * n_photos))
    rng = np.random.default_rng(SEED)
    bad = {}
    for rank, place in enumerate(rng.permutation(n_photos)[:n_bad]):
        spoil = spoilers[rank % len(spoilers)]
        spoil(paths[place])
        bad[names[place]] = spoil.__name__
    return set(names) - set(bad), bad


@pytest.mark.slow
def test_each_bad_file_is_named_and_no_good_photo_is_lost(tmp_path: Path) -> None:
    good, bad = draw_spoilt_night(tmp_path / "night", N_PHOTOS, height=HEIGHT, width=WIDTH)
    night = scan_night(tmp_path / "night", PaintReader())  # type: ignore[arg-type]
    assert {name for view in night.views for name in view.photos} == good
    assert night.n_photos == len(good)  # none twice
    skipped = [*night.skipped, *(item for view in night.views for item in view.skipped)]
    assert sorted(item.name for item in skipped) == sorted(bad)
    for item in skipped:
        assert WORDS[bad[item.name]] in item.reason.lower()
        assert item.reason.endswith(".")
    for view in night.views:  # and their neighbours were compared across them
        couples = [(pair.first, pair.second) for pair in view.pairs]
        assert couples == list(pairwise(view.photos))
