"""Times as a report writes them, and pictures as a page carries them."""

from __future__ import annotations

import base64
import io
from datetime import datetime

import numpy as np
import pytest
from PIL import Image

from pestvision.errors import ShapeError
from pestvision.report.moments import clock_words, day_words, moment_words, span_words
from pestvision.report.pictures import jpeg_uri

MOMENT = datetime(2026, 3, 3, 22, 30, 5)  # noqa: DTZ001 - a camera's clock has no zone


def test_a_moment_is_told_by_day_and_clock() -> None:
    assert (day_words(MOMENT), day_words(MOMENT, has_year=True)) == ("3 Mar", "3 Mar 2026")
    assert (clock_words(MOMENT), clock_words(MOMENT, has_seconds=True)) == ("22:30", "22:30:05")
    assert moment_words(MOMENT) == "3 Mar 2026, 22:30"
    assert moment_words(MOMENT, has_year=False, has_seconds=True) == "3 Mar, 22:30:05"


@pytest.mark.parametrize(
    ("taken", "words"),
    [
        ([], ""),
        ([None, None], ""),  # a camera without a clock
        (["2026-03-03T22:30:05"], "3 Mar 2026, 22:30"),
        (["2026-03-03T22:30:05", None, "2026-03-03T22:30:40"], "3 Mar 2026, 22:30"),  # one minute
        (["2026-03-03T22:30:05", "2026-03-03T23:10:00"], "3 Mar 2026, 22:30 to 23:10"),
        (
            ["2026-03-03T22:30:05", "2026-03-04T06:10:00"],  # over midnight
            "3 Mar 2026, 22:30 to 4 Mar 2026, 06:10",
        ),
        (["2026-03-03T22:30:05+01:00", "2026-03-03T23:00:00+01:00"], "3 Mar 2026, 22:30 to 23:00"),
    ],
)
def test_a_span_is_told_once_where_it_is_one_and_without_the_day_twice(
    taken: list[str | None], words: str
) -> None:
    assert span_words(taken) == words


def decoded(uri: str) -> np.ndarray:
    kind, _, data = uri.partition(",")
    assert kind == "data:image/jpeg;base64"
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(data))))


@pytest.mark.parametrize(
    ("max_side_px", "size"), [(None, (60, 100)), (50, (30, 50)), (200, (60, 100))]
)
def test_a_picture_is_reduced_and_never_enlarged(
    max_side_px: int | None, size: tuple[int, int]
) -> None:
    rgb = np.full((60, 100, 3), (200, 40, 90), dtype=np.uint8)
    found = decoded(jpeg_uri(rgb, max_side_px=max_side_px))
    assert found.shape == (*size, 3)
    assert np.abs(found.astype(int) - (200, 40, 90)).max() <= 4  # red stays red, and blue blue


def test_a_finer_quality_is_nearer_to_the_picture(rng: np.random.Generator) -> None:
    rgb = rng.integers(0, 256, (64, 64, 3), dtype=np.uint8)
    coarse, fine = (
        np.abs(decoded(jpeg_uri(rgb, quality=quality)).astype(int) - rgb).mean()
        for quality in (20, 95)
    )
    assert fine < coarse


def test_a_grey_picture_is_refused() -> None:
    with pytest.raises(ShapeError, match="RGB"):
        jpeg_uri(np.zeros((9, 9), np.uint8))
