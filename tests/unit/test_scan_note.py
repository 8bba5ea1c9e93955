"""From a scanned night to the log."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from pestvision.findings.finding import NightResult, ViewResult
from pestvision.findings.scan_note import OF_THE_TOOL, notes_of_scan
from pestvision.tanks.nights import nights_of
from pestvision.tanks.records import Judge, Means, Pest, check_note

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def view(name: str, taken: tuple[str | None, ...], **seen: int) -> ViewResult:
    most = {key.replace("_", "-"): number for key, number in seen.items()}
    photos = tuple(f"{name}{rank}.jpg" for rank in range(len(taken)))
    return ViewResult(name, photos, taken, (), (), most)


def night(*views: ViewResult) -> NightResult:
    return NightResult("glass", views)


def test_the_most_seen_on_one_photo_is_noted_not_the_sum_of_views() -> None:
    late = "2026-03-02T03:00:00+00:00"
    found = night(
        view("left", ("2026-03-01T23:00:00+00:00", None), leech_like=3, cant_tell=2),
        view("right", (late,), leech_like=2, flatworm_like=1),
    )
    leeches, flatworms = notes_of_scan(found, "Amber", now=NOW)
    assert (leeches.pest, leeches.seen, flatworms.pest, flatworms.seen) == (
        Pest.LEECH,
        3,
        Pest.FLATWORM,
        1,
    )
    assert leeches.at == datetime.fromisoformat(late)
    assert (leeches.judge, leeches.means) == (Judge.TOOL, Means.PHOTO)
    assert leeches.remark is not None
    assert leeches.remark.startswith(OF_THE_TOOL)
    assert "2 things that it cannot tell" in leeches.remark
    for note in (leeches, flatworms):
        check_note(note, now=NOW)


def test_a_night_without_leeches_is_noted_too_and_counts_as_no_look_yet() -> None:
    notes = notes_of_scan(night(view("left", (None,))), "Amber", now=NOW)
    assert [(note.pest, note.seen, note.at) for note in notes] == [(Pest.LEECH, 0, NOW)]
    assert nights_of(notes, "Amber") == ()


def test_photos_of_a_clock_that_runs_ahead_are_noted_now() -> None:
    ahead = (NOW + timedelta(days=1)).isoformat()
    (note,) = notes_of_scan(night(view("left", (ahead, "no time"))), "Amber", now=NOW)
    assert note.at == NOW


def test_a_scan_without_photos_is_no_look() -> None:
    with pytest.raises(ValueError, match="without photos"):
        notes_of_scan(night(), "Amber", now=NOW)
