"""The exam of scales, in small: the card is found, its millimetres are right, its range is honest."""

from __future__ import annotations

import numpy as np
import pytest

from training import scale_exam
from training.scale_exam import Marked, coverage, marks_of, table

SEED = 55_000  # neither the exam's nor one that the finder was made with


@pytest.mark.slow
def test_the_card_is_found_and_its_millimetres_are_right() -> None:
    marked = marks_of("whole", 6, seed=SEED)
    assert all(one.is_found for one in marked)
    assert max(abs(one.geometry or 0.0) for one in marked) < 0.02
    assert np.median([abs(one.geometry or 0.0) for one in marked]) < 0.001
    inside = coverage([one.every or 0.0 for one in marked], [one.every_sd or 0.0 for one in marked])
    assert inside >= 0.8


def test_a_card_that_leans_too_much_is_refused() -> None:
    assert not any(one.is_found for one in marks_of("leaning", 2, seed=SEED))


def test_the_table_counts_what_it_is_given() -> None:
    marked = [
        Marked(is_found=True, geometry=0.01, geometry_sd=0.01, every=-0.03, every_sd=0.01),
        Marked(is_found=False),
    ]
    text = table("whole", marked)
    assert "found 1/2 = 0.500" in text
    assert "median 1.000%" in text
    assert "largest 3.000%; range holds the truth in 0.000" in text
    assert coverage([0.01, 0.05], [0.02, 0.02]) == 0.5


def test_nothing_is_asked_of_real_photos_where_there_are_none(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("PESTVISION_PHOTOS", raising=False)
    assert scale_exam.main(["--only", "real", "--photos", "1"]) == 0
    assert "0 of 0" in capsys.readouterr().out
