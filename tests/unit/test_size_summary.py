"""The sizes of a night: what they come to, where they stand in the report, and what goes into the log."""

from __future__ import annotations

import csv
import dataclasses
import io
from datetime import UTC, datetime
from html import unescape

import numpy as np
import pytest
from made_answers import BOX, bare_view, checked, followed, judged, scanned, viewed
from played_night import Script, player, walk

from pestvision.cli.text import night_text
from pestvision.findings.finding import NightResult, TrackResult, ViewResult
from pestvision.findings.scan_note import notes_of_close_up, notes_of_scan
from pestvision.findings.size_summary import (
    HATCHLING_UP_TO_MM,
    hatchlings_at_once,
    length_in_short,
    sizes_of,
    sizes_words,
    view_sizes,
)
from pestvision.report.html import render_report
from pestvision.report.tables import findings_csv
from pestvision.settings import NightSettings
from pestvision.size.measure import life_stages
from pestvision.size.records import TWO_POINTS, Length, Scale
from pestvision.tanks.records import check_note
from pestvision.tanks.size_rules import MAX_LENGTH_MM
from pestvision.web.cards import night_answer

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
WRITTEN = datetime(2026, 3, 4, 8, 0, tzinfo=UTC)
PHOTOS = ("a.jpg", "b.jpg", "c.jpg")


def length(mm: float, by: float = 1.2) -> Length:
    return Length(mm, mm / by, mm * by)


def track(
    number: int, mm: float | None, photos: str = "abc", label: str = "leech-like"
) -> TrackResult:
    sightings = [(f"{name}.jpg", BOX) for name in photos]
    told = followed(number, judged(label), sightings)
    if mm is None:
        return told
    words = ("About so long.", f"It rests on number {number}.")
    return dataclasses.replace(told, length=length(mm), size_words=words)


def view(*tracks: TrackResult, at_once: int = 3) -> ViewResult:
    return bare_view("left", PHOTOS, tracks=tracks, seen_at_once_max={"leech-like": at_once})


MIXED = view(
    track(1, 23.0), track(2, 1.2), track(3, 1.7, "a"), track(4, None), track(5, 6.0, label="harmless")
)  # fmt: skip


def test_the_band_of_hatchlings_is_that_of_the_ages_that_are_called_possible() -> None:
    for mm, is_young in ((HATCHLING_UP_TO_MM, True), (HATCHLING_UP_TO_MM + 0.01, False)):
        (stages,) = life_stages(Length(mm, mm, mm), "leech-like")
        assert ("hatchling" in stages) == is_young
        sizes = sizes_of([("leech-like", Length(mm, mm, mm))], "leech-like")
        assert sizes is not None
        assert sizes.n_hatchlings == int(is_young)


def test_a_view_says_its_largest_its_smallest_and_how_many_are_of_hatchling_size() -> None:
    (sizes,) = view_sizes(MIXED)
    # 1.7 mm with a range down to 1.42: it may be a young one, and is not counted as one
    assert sizes_words(sizes) == (
        "Sizes are of what was called leech-like: largest 23 mm (19–28), smallest 1.2 mm (1.0–1.4); "
        "1 of 3 of hatchling size, 1 more may be. 3 of 4 could be measured."
    )


def test_one_animal_is_told_once_and_a_flatworm_has_no_hatchling_size() -> None:
    (leech,) = view_sizes(view(track(1, 8.0)))
    assert sizes_words(leech) == (
        "Sizes are of what was called leech-like: 8.0 mm (6.7–9.6); none of 1 of hatchling size."
    )
    (flatworm,) = view_sizes(view(track(1, 1.0, label="flatworm-like")))
    assert sizes_words(flatworm) == (
        "Sizes are of what was called flatworm-like: 1.0 mm (0.8–1.2)."
    )


def test_without_a_scale_nothing_is_said_of_sizes() -> None:
    assert view_sizes(viewed()) == ()
    night = scanned()
    assert "Sizes are" not in night_text(night)
    html = render_report(night, written=WRITTEN)
    assert "largest leech-like" not in html
    assert "length rests on" not in html
    (note,) = notes_of_scan(night, "Amber", now=NOW)
    assert (note.smallest_mm, note.largest_mm, note.hatchlings) == (None, None, None)


@pytest.mark.parametrize(("mm", "said"), [(0.84, "0.8"), (9.94, "9.9"), (9.97, "10"), (23.4, "23")])
def test_tenths_are_told_where_they_matter(mm: float, said: str) -> None:
    assert length_in_short(Length(mm, mm, mm)) == f"{said} mm ({said}–{said})"


def test_the_report_the_table_and_the_terminal_tell_the_length_of_each_and_of_all() -> None:
    night = NightResult("glass", (MIXED, bare_view("right", ("d.jpg",))))
    html = unescape(render_report(night, written=WRITTEN))
    text = " ".join(night_text(night).split())
    page = unescape(night_answer(night))
    assert "It rests on number 1." in page
    for told in (html, text, page):
        assert "largest 23 mm (19–28), smallest 1.2 mm (1.0–1.4)" in told
        assert "bout 23 mm (19–28) long" in told
    assert '<th scope="col">largest leech-like</th>' in html
    assert "<td>23 mm (19–28)</td>" in html
    assert html.count("<td>not known</td>") == 1  # the other view
    assert html.count("What its length rests on") == 4
    assert "It rests on number 1." in html
    rows = list(csv.DictReader(io.StringIO(findings_csv(night))))
    lengths = {row["number"]: (row["length_mm"], row["length_mm_high"]) for row in rows}
    assert lengths == {
        "1": ("23.0", "27.6"), "2": ("1.2", "1.4"), "3": ("1.7", "2.0"), "4": ("", ""),
        "5": ("6.0", "7.2"),
    }  # fmt: skip


def test_why_a_length_is_not_known_is_said_where_there_is_a_scale() -> None:
    silent = dataclasses.replace(track(1, None), size_words=("Its outline could not be told.",))
    html = unescape(render_report(NightResult("glass", (view(silent),)), written=WRITTEN))
    assert "Why its length is not told" in html
    assert "Its outline could not be told." in html


def test_young_ones_are_counted_on_one_photo_and_not_over_the_night() -> None:
    apart = view(track(1, 1.0, "a"), track(2, 1.1, "b"), track(3, 1.2, "bc"), track(4, 9.0))
    assert hatchlings_at_once(apart) == 2
    assert hatchlings_at_once(view(track(4, 9.0), track(5, None))) == 0
    assert hatchlings_at_once(view(track(1, 1.0, label="flatworm-like"))) == 0


def test_a_scanned_nights_sizes_go_into_its_note() -> None:
    night = NightResult("glass", (MIXED, view(track(1, 25.04), track(2, 1.0), at_once=1)))
    (note,) = notes_of_scan(night, "Amber", now=NOW)
    assert (note.smallest_mm, note.largest_mm, note.hatchlings, note.seen) == (1.0, 25.0, 1, 3)
    check_note(note, now=NOW)


def test_more_young_ones_than_were_seen_at_once_are_not_noted() -> None:
    young = [track(number, 1.0) for number in (1, 2, 3)]
    (note,) = notes_of_scan(NightResult("glass", (view(*young, at_once=2),)), "Amber", now=NOW)
    assert (note.seen, note.hatchlings) == (2, 2)
    check_note(note, now=NOW)


def test_that_none_was_young_is_not_noted_for_they_may_be_too_small_to_be_seen() -> None:
    (note,) = notes_of_scan(NightResult("glass", (view(track(1, 9.0)),)), "Amber", now=NOW)
    assert (note.largest_mm, note.hatchlings) == (9.0, None)


@pytest.mark.parametrize(("mm", "kept"), [(MAX_LENGTH_MM, True), (MAX_LENGTH_MM + 1, False)])
def test_a_scale_that_makes_a_giant_costs_the_sizes_and_not_the_note(mm: float, kept: bool) -> None:
    (note,) = notes_of_scan(NightResult("glass", (view(track(1, mm)),)), "Amber", now=NOW)
    assert note.seen == 3
    assert (note.largest_mm is not None) == kept
    assert ("look at the scale again" in str(note.remark)) != kept
    check_note(note, now=NOW)


def test_a_close_ups_sizes_go_into_the_keepers_note() -> None:
    photo = checked(n_findings=3)
    lengths = (length(12.0), length(1.3), None)
    findings = [
        dataclasses.replace(finding, length=each)
        for finding, each in zip(photo.findings, lengths, strict=True)
    ]
    photo = dataclasses.replace(photo, findings=tuple(findings))
    (note,) = notes_of_close_up(photo, "Amber", now=NOW)
    assert (note.smallest_mm, note.largest_mm, note.hatchlings, note.seen) == (1.3, 12.0, 1, 3)
    check_note(note, now=NOW)
    (plain,) = notes_of_close_up(checked(), "Amber", now=NOW)
    assert plain.largest_mm is None


def test_the_only_photo_of_a_view_tells_sizes_too() -> None:
    still = checked(n_findings=2)
    sized = tuple(dataclasses.replace(item, length=length(1.2)) for item in still.findings)
    alone = bare_view(
        "left", ("a.jpg",), still=dataclasses.replace(still, findings=sized),
        seen_at_once_max={"leech-like": 2},
    )  # fmt: skip
    assert "2 of 2 of hatchling size" in sizes_words(view_sizes(alone)[0])
    (note,) = notes_of_scan(NightResult("glass", (alone,)), "Amber", now=NOW)
    assert note.hatchlings == 2


def test_a_view_with_a_scale_says_how_small_an_animal_may_be_to_be_seen(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    scan = player(monkeypatch)
    line = np.array([[10.0, 10.0], [110.0, 10.0]])
    scale = Scale(TWO_POINTS, np.diag([0.25, 0.25, 1.0]), 0.02, line)
    script = Script(n_photos=3, animals={1: ("leech", walk(0, 3))})
    (told,) = scan(script, scale=scale).views
    least_mm = 0.25 * NightSettings().min_mover_px  # a quarter of a millimetre a pixel
    assert any(f"shorter than about {least_mm:.1f} mm would not be seen" in n for n in told.notes)
    (untold,) = scan(script).views
    assert not any("would not be seen" in note for note in untold.notes)
