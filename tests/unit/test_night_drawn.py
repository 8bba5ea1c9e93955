"""The scan of drawn nights, every stage real but the net: an oracle says what is at a place."""

from __future__ import annotations

from collections import Counter
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from made_scores import sure_of_fine
from PIL import Image

from pestvision.findings import stretch as stretch_module
from pestvision.findings.night import scan_night
from pestvision.organisms.classes import FINE_NAMES, GROUP_OF_FINE
from pestvision.organisms.weights import Rules
from pestvision.report.write import write_report
from training.scenes.nights import draw_night
from training.scenes.records import TRIPOD, HandHeld, NightPhoto

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pestvision.arrays import U8, BoxXyxy
    from pestvision.findings.finding import NightResult, ViewResult
    from pestvision.organisms.classify import Scores

SIZE = {"height_px": 900, "width_px": 1200}
N_PHOTOS = 6
ABOUT = ("leech", "leech", "flatworm", "snail", "snail")
SURE = 0.974  # what the oracle claims of the class at a place
REACH_PX = 8.0  # a blob's middle may lie that far outside the animal's own box

pytestmark = pytest.mark.slow


class Oracle:
    """Knows what every photo shows, as the perfect net would."""

    card = SimpleNamespace(rules=Rules())
    head = None

    def __init__(self, photos: Sequence[NightPhoto]) -> None:
        self._photos = photos

    def cut(self, rgb: U8, box: BoxXyxy) -> U8:
        """Give a crop that holds nothing but the class at the box's middle."""
        photo = min(self._photos, key=lambda one: _difference(one.rgb, rgb))
        x, y = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
        fine = "plant-or-debris"
        for animal in photo.animals:
            x0, y0, x1, y1 = animal.truth.box_xyxy_px
            if x0 - REACH_PX <= x <= x1 + REACH_PX and y0 - REACH_PX <= y <= y1 + REACH_PX:
                fine = animal.truth.fine
        return np.full((224, 224, 3), FINE_NAMES.index(fine), dtype=np.uint8)

    def classify(self, crops: Sequence[U8]) -> list[Scores]:
        return [sure_of_fine(FINE_NAMES[crop[0, 0, 0]], SURE) for crop in crops]


def _difference(one: U8, other: U8) -> float:
    return float(np.abs(one[::20, ::20].astype(np.int16) - other[::20, ::20]).mean())


def scanned(
    photos: Sequence[NightPhoto], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> NightResult:
    folder.mkdir()
    for rank, photo in enumerate(photos):
        Image.fromarray(photo.rgb).save(folder / f"{rank:03d}.jpg", quality=92)
    oracle = Oracle(photos)
    monkeypatch.setattr(stretch_module, "cut_crop", oracle.cut)
    return scan_night(folder, oracle)  # type: ignore[arg-type]


def drawn(seed: int, about: Sequence[str], hand_held: HandHeld) -> tuple[NightPhoto, ...]:
    rng = np.random.default_rng([seed, 21])
    return draw_night(rng, {"front": about}, N_PHOTOS, hand_held=hand_held, **SIZE)


@pytest.fixture(
    params=[(0, TRIPOD), (1, HandHeld()), (2, HandHeld())], ids=["tripod", "one", "two"]
)
def night(
    request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> tuple[ViewResult, tuple[NightPhoto, ...], Path]:
    seed, hand_held = request.param
    photos = drawn(seed, ABOUT, hand_held)
    result = scanned(photos, tmp_path / "night", monkeypatch)
    files = write_report(result, tmp_path / "report")
    (view,) = result.views
    return view, photos, files.html


def test_a_drawn_night_is_told_and_its_counts_are_lower_bounds(
    night: tuple[ViewResult, tuple[NightPhoto, ...], Path],
) -> None:
    view, photos, html = night
    true_most: Counter[str] = Counter()
    for photo in photos:
        on_it = Counter(str(GROUP_OF_FINE[animal.truth.fine]) for animal in photo.animals)
        true_most |= on_it  # the larger of each
    assert len(view.photos) == N_PHOTOS
    assert all(pair.aligned for pair in view.pairs)
    assert view.seen_at_once_max["leech-like"] >= 1
    assert {
        label: count
        for label, count in view.seen_at_once_max.items()
        if label != "cant-tell" and count > true_most[label]
    } == {}
    assert view.tracks[0].judgement.label == "leech-like"
    assert html.stat().st_size < 1_500_000


def test_a_drawn_tank_without_animals_has_no_track(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (view,) = scanned(drawn(3, (), HandHeld()), tmp_path / "night", monkeypatch).views
    assert view.tracks == ()
    assert view.seen_at_once_max == {}
    assert view.busiest is None
