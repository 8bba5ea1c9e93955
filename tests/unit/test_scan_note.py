"""From a scanned night to the log."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from made_answers import found, judged

from pestvision.findings.finding import NightResult, PhotoCheck, ViewResult
from pestvision.findings.scan_note import OF_THE_TOOL, notes_of_close_up, notes_of_scan
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


def close_up(*labels: str, taken: str | None = None) -> PhotoCheck:
    findings = tuple(found(rank, judged(label)) for rank, label in enumerate(labels, start=1))
    return PhotoCheck("glass.jpg", 900, 600, taken, judged(labels[0]), findings)


def test_a_close_up_counts_each_pest_on_it_as_the_keepers_find() -> None:
    photo = close_up("leech-like", "harmless", "leech-like", "flatworm-like")
    leeches, flatworms = notes_of_close_up(photo, "Amber", now=NOW)
    assert (leeches.seen, flatworms.seen) == (2, 1)
    assert leeches.judge is flatworms.judge is Judge.KEEPER
    assert "the program calls it leech-like on the close-up glass.jpg" in str(leeches.remark)
    for note in (leeches, flatworms):
        check_note(note, now=NOW)
    assert [night.seen for night in nights_of([leeches, flatworms], "Amber")] == [2]


def test_a_close_up_judged_as_a_whole_is_one_animal_and_without_a_pest_it_is_nothing() -> None:
    whole = PhotoCheck("glass.jpg", 900, 600, None, judged("leech-like"), ())
    assert [note.seen for note in notes_of_close_up(whole, "Amber", now=NOW)] == [1]
    for label in ("harmless", "not-an-organism", "cant-tell"):
        assert notes_of_close_up(close_up(label), "Amber", now=NOW) == ()


def test_a_close_up_is_noted_at_its_photos_time_and_never_ahead() -> None:
    taken = NOW - timedelta(days=3)
    (note,) = notes_of_close_up(close_up("leech-like", taken=taken.isoformat()), "Amber", now=NOW)
    assert note.at == taken
    ahead = (NOW + timedelta(days=1)).isoformat()
    (note,) = notes_of_close_up(close_up("leech-like", taken=ahead), "Amber", now=NOW)
    assert note.at == NOW
