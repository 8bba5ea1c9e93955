"""The report of a night: the page, its figures, the tables, and how they are written."""

from __future__ import annotations

import csv
import dataclasses
import errno
import io
import itertools
import json
import os
import re
from datetime import datetime, timedelta
from html.parser import HTMLParser
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_answers import (
    BOX,
    bare_view,
    checked,
    compared,
    followed,
    found,
    judged,
    moved,
    not_compared,
    viewed,
)
from made_scores import MiddleIsHot
from made_trails import CUES

from pestvision.errors import OutputError
from pestvision.findings.finding import NightResult
from pestvision.findings.words import CAUTION, CAUTION_BRIEF, CUES_HEADING, HEAT_WORDS, LOOK_FOR
from pestvision.organisms.classes import GROUP_NAMES
from pestvision.photos.series import Skipped
from pestvision.report import figures
from pestvision.report.html import NOT_CLEAR, NOTHING_COMPARED, night_answer, render_report
from pestvision.report.tables import COLUMNS, findings_csv, night_lines, safe_cell
from pestvision.report.write import NAMES, write_report

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.arrays import BoxXyxy
    from pestvision.findings.finding import TrackResult, ViewResult

N_PHOTOS = 8
PHOTOS = tuple(f"left/{rank:03d}.jpg" for rank in range(N_PHOTOS))
START = datetime(2026, 3, 3, 22, 30)  # noqa: DTZ001 - a camera's clock has no zone
TAKEN = tuple((START + timedelta(minutes=20 * rank)).isoformat() for rank in range(N_PHOTOS))
WRITTEN = datetime(2026, 3, 4, 8, 0)  # noqa: DTZ001

JUDGED = {
    "leech-like": judged("leech-like", 0.86, reasons=("Ringed.",)),
    "flatworm-like": judged("flatworm-like", 0.8, reasons=()),
    "cant-tell": judged("cant-tell", 0.4, reasons=("Too small.",)),
    "harmless": judged("harmless", 0.95, reasons=()),
    "not-an-organism": judged("not-an-organism", 0.9, reasons=("Round.",)),
}


def track(number: int, label: str, first: int = 0, last: int = N_PHOTOS) -> TrackResult:
    boxes = [
        (PHOTOS[k], (40.0 * k, 110.0 * number, 40.0 * k + 50, 110.0 * number + 30))
        for k in range(first, last)
    ]
    return followed(number, JUDGED[label], boxes)


def night_view(*labels: str, unaligned: tuple[int, ...] = (), name: str = "left") -> ViewResult:
    bubble = moved(0, JUDGED["not-an-organism"], first=(1.0, 1.0, 20.0, 20.0))
    return bare_view(
        name,
        PHOTOS,
        taken=TAKEN,
        pairs=tuple(
            not_compared(one, two, "The camera was moved. Fix it to something.")
            if rank in unaligned
            else compared(one, two, bubble)
            for rank, (one, two) in enumerate(itertools.pairwise(PHOTOS))
        ),
        tracks=tuple(track(number, label) for number, label in enumerate(labels, start=1)),
        seen_at_once_max={label: labels.count(label) for label in labels},
        busiest=PHOTOS[3] if labels else None,
        busiest_rgb=np.full((600, 800, 3), 120, dtype=np.uint8) if labels else None,
        skipped=(Skipped("left/999.jpg", "999.jpg ends too early. Copy it again."),),
    )


def still_view(*labels: str) -> ViewResult:
    findings = tuple(
        found(rank, JUDGED[label], (10.0 * rank, 10.0, 10.0 * rank + 40, 50.0))
        for rank, label in enumerate(labels, start=1)
    )
    verdict = JUDGED[labels[0] if labels else "not-an-organism"]
    check = checked("top/a.jpg", verdict=verdict, findings=findings, taken=None, notes=())
    counts = {label: labels.count(label) for label in labels}
    return bare_view("top", ["top/a.jpg"], seen_at_once_max=counts, still=check)


def full_night() -> NightResult:
    left = night_view("harmless", "leech-like", "cant-tell", "flatworm-like", unaligned=(2,))
    return NightResult("shelf", (still_view("harmless"), left), (Skipped("a.txt", "No photo."),))


class Page(HTMLParser):
    """What a reader of the page without eyes meets."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(re.sub(r"(?s)<style>.*?</style>", "", text))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture(scope="module")
def told() -> Page:
    return Page(render_report(full_night(), written=WRITTEN))


# --- the page -------------------------------------------------------------------------------


def test_the_page_has_one_main_heading_and_skips_no_level(told: Page) -> None:
    levels = [int(tag[1]) for tag, _ in told.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))


def test_every_picture_says_what_it_shows_and_every_table_has_headers(told: Page) -> None:
    assert told.all("img")
    assert all(attributes.get("alt") for attributes in told.all("img"))
    drawings = told.all("svg")
    titles = {attributes.get("id") for attributes in told.all("title")}
    assert drawings
    assert all(d["role"] == "img" and d["aria-labelledby"] in titles for d in drawings)
    assert all(attributes.get("scope") in {"col", "row"} for attributes in told.all("th"))
    assert told.all("html")[0]["lang"] == "en"


def test_no_two_parts_of_the_page_share_a_name(told: Page) -> None:
    names = [attributes["id"] for _, attributes in told.tags if "id" in attributes]
    assert len(names) == len(set(names))
    targets = {a["href"].lstrip("#") for a in told.all("a") if a["href"]}
    assert targets
    assert targets <= set(names)


def test_the_page_loads_nothing_from_anywhere(told: Page) -> None:
    for tag, attributes in told.tags:
        for name in ("src", "href"):
            value = attributes.get(name)
            assert value is None or value.startswith(("data:image/jpeg;base64,", "#")), (tag, value)
    assert not told.all("link")
    assert not told.all("script")
    (policy,) = [m for m in told.all("meta") if m.get("http-equiv") == "Content-Security-Policy"]
    assert policy["content"] is not None
    assert policy["content"].startswith("default-src 'none'")


def test_what_a_person_typed_is_shown_and_never_run() -> None:
    evil = "<script>alert(1)</script>\"'&"
    view = dataclasses.replace(night_view("leech-like"), view=evil, notes=(evil,))
    text = render_report(NightResult(evil, (view,), (Skipped(evil, evil),)), written=WRITTEN)
    assert "<script" not in text
    assert evil in Page(text).text


def test_the_caution_stands_at_the_top_and_in_short_with_every_label(told: Page) -> None:
    n_blocks = sum("label" in (a.get("class") or "").split() for a in told.all("section"))
    assert n_blocks == 5
    assert told.text.count(CAUTION) == 2  # at the top and at the foot
    assert (
        told.text.count(CAUTION_BRIEF) == n_blocks + 2
    )  # the table of a view, and what is no animal
    assert told.text.index(CAUTION) < told.text.index("All views")


def test_the_page_says_what_to_look_for_how_many_what_was_skipped_and_why(told: Page) -> None:
    for label in ("leech-like", "flatworm-like", "cant-tell", "harmless"):
        assert all(sentence in told.text for sentence in LOOK_FOR[label])
    assert "At least 1 seen at once: a lower bound" in told.text
    assert "The camera was moved. Fix it to something." in told.text
    assert "999.jpg ends too early. Copy it again." in told.text
    assert "No photo." in told.text
    assert "Ringed." in told.text
    assert "Too small." in told.text
    assert "86 % sure" in told.text


def test_the_most_worrying_comes_first(told: Page) -> None:
    ids = [attributes["id"] for tag, attributes in told.tags if tag == "h3"]
    order = ["leech-like", "cant-tell", "flatworm-like", "harmless"]  # it may be a leech
    assert ids[:4] == [f"view-1-{label}" for label in order]
    assert told.text.index("View: left") < told.text.index("View: top")


def test_outlines_are_told_by_number_and_words_and_not_by_colour_alone(told: Page) -> None:
    for words in ("1 harmless", "2 leech-like", "3 can't tell", "4 flatworm-like"):
        assert told.text.count(words) >= 3  # the drawing's title, the outline, the card


def test_a_long_night_stays_a_small_file() -> None:
    rng = np.random.default_rng(0)
    noisy = rng.integers(0, 255, (1200, 1600, 3), dtype=np.uint8)  # the worst there is for JPEG
    view = night_view(*["harmless"] * 200)
    plain = render_report(NightResult("n", (view,)), written=WRITTEN)
    assert len(plain) < 1_000_000
    assert "176 more of this label are not pictured" in Page(plain).text
    worst = dataclasses.replace(view, busiest_rgb=noisy)
    assert len(render_report(NightResult("n", (worst,)), written=WRITTEN)) < 4_000_000


@pytest.mark.parametrize(
    ("views", "said"),
    [
        ((night_view("harmless", "leech-like"),), "Something leech-like was seen in “left”."),
        ((night_view("flatworm-like"),), "Something flatworm-like was seen in “left”."),
        ((night_view("cant-tell", "flatworm-like"),), "the likeliest is leech-like"),
        ((night_view("harmless"),), NOT_CLEAR),  # a clean night proves nothing
        ((night_view(),), NOT_CLEAR),
        ((night_view(unaligned=tuple(range(7))),), NOTHING_COMPARED),  # silence is no count
        ((still_view("leech-like"),), "Something leech-like was seen in “top”."),
    ],
)
def test_the_answer_names_the_most_worrying_thing(views: tuple[ViewResult], said: str) -> None:
    assert said in night_answer(NightResult("n", views))


def test_a_clean_night_is_not_called_clear_and_not_called_alarming() -> None:
    text = Page(render_report(NightResult("n", (night_view(),)), written=WRITTEN)).text
    assert "No animal was seen to move." in text
    assert NOT_CLEAR in text
    assert "Something leech-like" not in text


# --- the figures ----------------------------------------------------------------------------


def test_an_outline_lies_where_the_animal_is() -> None:
    view = dataclasses.replace(night_view("leech-like"), busiest_scale=0.5)
    figure = figures.photo_figure(view)
    assert figure is not None
    (outline,) = figure.outlines
    x0, y0, x1, y1 = dict(view.tracks[0].sightings)[PHOTOS[3]]
    unit = 0.5 * 1000 / 800  # half as large, and 800 pixels are 1000 units
    assert (outline.x, outline.y) == pytest.approx((x0 * unit, y0 * unit))
    assert (outline.width, outline.height) == pytest.approx(((x1 - x0) * unit, (y1 - y0) * unit))


boxes = st.tuples(st.floats(0, 900), st.floats(0, 640), st.floats(4, 100), st.floats(4, 100)).map(
    lambda b: (b[0], b[1], b[0] + b[2], b[1] + b[3])
)


@given(st.lists(boxes, min_size=1, max_size=12))
def test_the_words_of_an_outline_stay_in_the_picture(placed: list[BoxXyxy]) -> None:
    seen = [(rank, "flatworm-like", box) for rank, box in enumerate(placed, start=1)]
    for outline in figures._outlines(seen, scale=1.0, height=750.0):
        reach = len(outline.words) * figures.TAG_LETTER
        left = outline.words_x if outline.anchor == "start" else outline.words_x - reach
        assert left >= -1e-6
        assert left + reach <= figures.PHOTO_UNITS + 1e-6
        assert 0 <= outline.words_y <= 750.0


def test_the_words_of_two_neighbours_do_not_cover_each_other() -> None:
    seen = [
        (1, "harmless", (100.0, 200.0, 130.0, 230.0)),
        (2, "harmless", (135.0, 200.0, 165.0, 230.0)),
    ]
    one, two = figures._outlines(seen, scale=1.0, height=750.0)
    assert one.words_y != two.words_y or abs(one.words_x - two.words_x) > 150


def test_bars_of_the_time_line_stand_at_their_photos_and_count_them() -> None:
    view = night_view("leech-like", "leech-like", "harmless", unaligned=(2,))
    late = dataclasses.replace(view, tracks=(track(1, "leech-like"), track(2, "leech-like", 4, 6)))
    line = figures.time_line(late)
    assert line is not None
    assert line.is_by_time
    (row,) = line.rows
    assert [bar.count for bar in row.bars] == [1, 1, 1, 1, 2, 2, 1, 1]
    assert [bar.x for bar in row.bars] == list(line.photos_x)
    assert [bar.is_counted for bar in row.bars].count(True) == 3  # 1, then 2, then 1 again
    assert line.unseen == ((line.photos_x[2], line.photos_x[3] - line.photos_x[2]),)


def test_the_time_line_never_shows_more_at_once_than_the_answer_says() -> None:
    pieces = tuple(
        dataclasses.replace(track(number, "harmless"), id=number) for number in (1, 1, 1, 3)
    )
    view = dataclasses.replace(night_view("harmless", "harmless"), tracks=pieces)
    assert figures.counts_by_photo(view) == {"harmless": (2,) * N_PHOTOS}  # three lie on one place
    capped = dataclasses.replace(view, seen_at_once_max={"harmless": 1})
    assert figures.counts_by_photo(capped) == {"harmless": (1,) * N_PHOTOS}


def test_the_time_line_keeps_the_distances_of_the_clock_and_round_times() -> None:
    taken = [START.isoformat(), (START + timedelta(minutes=30)).isoformat()]
    taken += [(START + timedelta(minutes=30, hours=k)).isoformat() for k in range(1, 7)]
    line = figures.time_line(dataclasses.replace(night_view("harmless"), taken=tuple(taken)))
    assert line is not None
    gaps = np.diff(line.photos_x)
    assert gaps[1] == pytest.approx(2 * gaps[0])
    assert [words for _x, words in line.ticks] == ["00:00", "02:00", "04:00"]


@pytest.mark.parametrize(
    "taken",
    [
        (None,) * N_PHOTOS,  # nothing known
        (*TAKEN[:3], None, *TAKEN[4:]),  # one missing
        tuple(reversed(TAKEN)),  # the file names say otherwise
        (TAKEN[0],) * N_PHOTOS,  # all in one second
        ("2026-03-03T22:30:00+01:00", *TAKEN[1:]),  # one with a zone
    ],
)
def test_without_usable_times_the_line_goes_by_photo_number(taken: tuple[str | None, ...]) -> None:
    line = figures.time_line(dataclasses.replace(night_view("harmless"), taken=taken))
    assert line is not None
    assert not line.is_by_time
    assert np.diff(line.photos_x) == pytest.approx(np.diff(line.photos_x)[0])
    assert [words for _x, words in line.ticks] == ["photo 1", f"photo {N_PHOTOS}"]


@given(st.integers(1, 40_000_000), st.integers(0, 86_399))
def test_the_axis_has_few_times_and_all_lie_on_it(span_s: int, after_midnight_s: int) -> None:
    start = datetime(2026, 2, 27) + timedelta(seconds=after_midnight_s)  # noqa: DTZ001
    ticks = figures._time_ticks([start, start + timedelta(seconds=span_s)], 600.0)
    assert len(ticks) <= figures.MAX_TICKS + 1
    assert all(figures.TIME_EDGE <= x <= figures.TIME_EDGE + 600.0 + 1e-6 for x, _words in ticks)


def test_nothing_seen_has_no_figures() -> None:
    assert figures.photo_figure(night_view()) is None
    assert figures.time_line(night_view()) is None
    assert figures.time_line(still_view("harmless")) is None


# --- the tables -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "cell"),
    [
        # The starts that the OWASP page "CSV Injection" lists (value from memory).
        ("=1+1", "'=1+1"),
        ("+49", "'+49"),
        ("-2", "'-2"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\tx", "'\tx"),
        ("\r=1", "'\r=1"),
        ("  =1", "'  =1"),  # some programs drop blanks first
        ("a=b", "a=b"),
        ("left/001.jpg", "left/001.jpg"),
        ("", ""),
        (-2.5, -2.5),  # a number is no formula
        (None, None),
    ],
)
def test_cells_that_a_spreadsheet_would_run_are_guarded(value: object, cell: object) -> None:
    assert safe_cell(value) == cell  # type: ignore[arg-type]


def rows_of(result: NightResult) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(findings_csv(result), newline="")))


def test_the_spreadsheet_has_one_row_for_every_sighting() -> None:
    rows = rows_of(full_night())
    assert tuple(rows[0]) == COLUMNS
    assert len(rows) == 4 * N_PHOTOS + 1
    first = rows[0]
    assert (first["view"], first["label"], first["number"]) == ("left", "leech-like", "2")
    assert (first["photo"], first["taken"]) == (PHOTOS[0], TAKEN[0])
    assert [float(first[key]) for key in ("x0_px", "y0_px", "x1_px", "y1_px")] == [0, 220, 50, 250]
    assert sum(float(value) for key, value in first.items() if key.startswith("p_")) == (
        pytest.approx(1.0)
    )
    assert all(row["caution"] == CAUTION for row in rows)


@given(st.text(st.characters(exclude_categories=["Cs"]), min_size=1))
def test_any_view_name_comes_back_from_the_spreadsheet(name: str) -> None:
    """RFC 4180, section 2: commas, quotes and line breaks inside quotes."""
    rows = rows_of(NightResult("n", (dataclasses.replace(night_view("harmless"), view=name),)))
    assert {row["view"] for row in rows} == {safe_cell(name)}
    assert not rows[0]["view"].startswith(("=", "+", "-", "@"))


def test_there_is_one_json_line_a_view_and_no_skipped_file_is_lost() -> None:
    result = full_night()
    lines = [json.loads(line) for line in night_lines(result)]
    assert [line["view"] for line in lines] == ["top", "left"]
    assert lines[1] == json.loads(json.dumps(result.views[1].as_json()))
    names = [item["photo"] for line in lines for item in line["skipped"]]
    assert sorted(names) == ["a.txt", "left/999.jpg"]


# --- writing --------------------------------------------------------------------------------


def test_three_files_are_written_and_nothing_else(tmp_path: Path) -> None:
    files = write_report(full_night(), tmp_path / "new" / "night", written=WRITTEN)
    assert files.folder == tmp_path / "new" / "night"
    assert sorted(p.name for p in files.folder.iterdir()) == sorted(NAMES)
    assert files.html.read_text(encoding="utf-8") == render_report(full_night(), written=WRITTEN)
    assert files.csv.read_bytes().startswith(b"\xef\xbb\xbfview,")
    assert len(files.jsonl.read_text(encoding="utf-8").splitlines()) == 2


def test_a_report_is_never_written_over_unless_asked(tmp_path: Path) -> None:
    out = tmp_path / "night"
    first = write_report(full_night(), out, written=WRITTEN)
    before = first.html.read_bytes()
    second, third = (write_report(NightResult("n", ()), out) for _ in range(2))
    assert [second.folder.name, third.folder.name] == ["night-2", "night-3"]
    assert first.html.read_bytes() == before
    again = write_report(NightResult("n", ()), out, replace=True, written=WRITTEN)
    assert again.folder == out
    assert first.html.read_bytes() != before


def test_a_folder_with_other_files_is_used_and_they_stay(tmp_path: Path) -> None:
    (tmp_path / "diary.txt").write_text("fed the snails", encoding="utf-8")
    assert write_report(full_night(), tmp_path).folder == tmp_path
    assert (tmp_path / "diary.txt").read_text(encoding="utf-8") == "fed the snails"


def test_a_file_in_the_way_is_stepped_around(tmp_path: Path) -> None:
    (tmp_path / "night").write_text("mine", encoding="utf-8")
    assert write_report(full_night(), tmp_path / "night").folder.name == "night-2"
    assert (tmp_path / "night").read_text(encoding="utf-8") == "mine"


def test_the_current_folder_can_be_given_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    from pathlib import Path

    assert (tmp_path / "here" / "report.html").samefile(write_report(full_night(), Path()).html)
    assert write_report(full_night(), Path()).folder == tmp_path / "here-2"


@pytest.mark.parametrize("n_before", [1, 2, 3])
def test_a_full_disk_leaves_nothing_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, n_before: int
) -> None:
    """The disk fills up while the first, second or third file is synced."""
    calls = itertools.count(1)
    sync = os.fsync

    def full(descriptor: int) -> None:
        if next(calls) == n_before:
            raise OSError(errno.ENOSPC, "No space left on device")
        sync(descriptor)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left on device") as caught:
        write_report(full_night(), tmp_path / "night")
    assert "Free some space" in caught.value.sentence()
    assert "\n" not in caught.value.sentence()
    assert list(tmp_path.iterdir()) == []


def test_a_report_that_was_to_be_replaced_survives_a_full_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = write_report(full_night(), tmp_path / "night")
    before = {path.name: path.read_bytes() for path in files.folder.iterdir()}

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError):
        write_report(NightResult("n", ()), tmp_path / "night", replace=True)
    assert {path.name: path.read_bytes() for path in files.folder.iterdir()} == before


def test_a_place_that_cannot_be_written_to_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError) as caught:
        write_report(full_night(), tmp_path / "file" / "night")
    assert str(tmp_path / "file" / "night") in str(caught.value)
    assert caught.value.advice


def test_a_file_name_that_is_no_text_does_not_stop_the_report(tmp_path: Path) -> None:
    odd = os.fsdecode(b"left/\xff.jpg")
    view = dataclasses.replace(night_view("leech-like"), notes=(odd,), view=odd)
    files = write_report(NightResult(odd, (view,)), tmp_path / "night")
    assert json.loads(files.jsonl.read_text(encoding="utf-8"))["view"] == odd
    assert files.html.read_text(encoding="utf-8")


def test_a_reason_that_all_share_is_given_once() -> None:
    twice = Page(render_report(NightResult("n", (night_view("leech-like", "leech-like"),))))
    assert "Said of all of them" in twice.text
    assert twice.text.count("Ringed.") == 1
    once = Page(render_report(NightResult("n", (night_view("leech-like"),))))
    assert "Said of all of them" not in once.text
    assert once.text.count("Ringed.") == 1


def test_labels_are_written_in_the_words_a_person_reads(told: Page) -> None:
    assert "cant-tell" not in told.text
    assert GROUP_NAMES["cant-tell"] in told.text


def test_the_report_draws_the_heat_of_the_most_worrying_only_and_says_what_would_settle_it() -> (
    None
):
    from pestvision.report.animal_cards import MAX_HEATS

    tracks = tuple(
        followed(number, judged(label), [("a.jpg", BOX)])
        for number, label in enumerate(["harmless"] * 10 + ["leech-like"] * 5, start=1)
    )
    night = NightResult("n", (viewed(tracks=tracks),))
    asked = MiddleIsHot()
    html = render_report(night, written=WRITTEN, classifier=asked)  # type: ignore[arg-type]
    assert html.count('<details class="heat">') == MAX_HEATS == len(asked.asked)
    assert asked.asked == ["leech-like"] * 5 + ["harmless"] * (MAX_HEATS - 5)
    assert HEAT_WORDS["says"] in html
    assert html.count("A sign of leech.") == 5
    without = render_report(night, written=WRITTEN)
    assert '<details class="heat">' not in without
    assert without.count("A sign of leech.") == 5


def test_a_card_lists_each_clue_where_more_than_the_looks_was_asked() -> None:
    view = night_view("leech-like", "harmless")
    joined = dataclasses.replace(view.tracks[0].judgement, cues=CUES)
    tracks = (dataclasses.replace(view.tracks[0], judgement=joined), *view.tracks[1:])
    both = NightResult("n", (dataclasses.replace(view, tracks=tracks),))
    text = Page(render_report(both, written=WRITTEN)).text
    assert text.count(CUES_HEADING) == 1
    for cue in CUES:
        assert text.count(cue.sentence()) == 1
