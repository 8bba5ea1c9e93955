"""What the buttons do, without a page."""

from __future__ import annotations

import threading
from pathlib import Path

import gradio as gr
import numpy as np
import pytest
from hand_made import CLASSIFIER, fake_scan

from pestvision.errors import FolderError, WeightsError
from pestvision.findings.words import HEAT_WORDS
from pestvision.organisms.classes import Group
from pestvision.settings import Settings
from pestvision.web import handlers, words
from pestvision.web.handlers import ClassifierOnce, Desk, TimedProgress, folder_of_text
from pestvision.web.shown import MarkError, Shown, box_of_edges, clicked, typed, unmarked


def quiet(done: int, total: int, what: str) -> None:
    """A bar that nobody watches."""


@pytest.fixture
def shown(desk: Desk, photo_file: Path) -> Shown:
    return desk.take_photo("tab", str(photo_file))


def plain_shown(height: int = 2000, width: int = 3000) -> Shown:
    return Shown(Path("x.jpg"), "x.jpg", height, width, np.zeros((1000, 1500, 3), np.uint8))


def test_a_photo_is_taken_in_and_shown(desk: Desk, photo_file: Path) -> None:
    shown = desk.take_photo("tab", str(photo_file))
    assert (shown.name, shown.width, shown.height) == ("evening glass.jpg", 900, 600)
    assert not photo_file.exists()
    assert shown.path.exists()


def test_a_heic_photo_is_shown_from_our_own_decoding(desk: Desk, heic_file: Path) -> None:
    shown = desk.take_photo("tab", str(heic_file))
    assert shown.drawn().shape == (600, 900, 3)
    green = shown.drawn()[10, 10].astype(int)
    assert green[1] > green[0]


def test_the_whole_photo_is_checked_and_outlined(desk: Desk, shown: Shown) -> None:
    after, html = desk.check(shown)
    assert [(item.number, item.label) for item in after.outlines] == [
        (1, "leech-like"),
        (2, "harmless"),
    ]
    assert words.VERDICTS["leech-like"] in html
    assert np.any(after.drawn() != shown.drawn())


def test_a_marked_place_is_judged_in_original_pixels(desk: Desk, shown: Shown) -> None:
    after, html = desk.judge_mark(shown, (10, 20, 50, 60))
    assert after.outlines[0].box_xyxy_px == pytest.approx((90, 120, 450, 360))
    assert "Can’t tell" in html


def test_the_photo_is_deleted_when_its_owner_leaves(desk: Desk, shown: Shown) -> None:
    desk.leave("tab")
    assert not shown.path.exists()
    with pytest.raises(gr.Error, match=r"no longer kept.*Choose it again"):
        desk.check(shown)


def test_a_file_that_is_no_photo_gets_one_sentence_and_is_not_kept(
    desk: Desk, tmp_path: Path
) -> None:
    bad = tmp_path / "<b>letter.jpg"
    bad.write_text("Dear snails, I am not a photo.")
    with pytest.raises(gr.Error) as caught:
        desk.take_photo("tab", str(bad))
    assert "<b>" not in caught.value.message
    assert "&lt;b&gt;letter" in caught.value.message
    assert not list((tmp_path / "kept").rglob("*.jpg"))


def test_pressing_the_buttons_without_a_photo_says_what_to_do(desk: Desk) -> None:
    for press in (
        lambda: desk.check(None),
        lambda: desk.judge_mark(None, (1, 1, 2, 2)),
        lambda: desk.take_photo("tab", None),
    ):
        with pytest.raises(gr.Error, match="Choose a photo first"):
            press()


def test_two_clicks_in_any_order_mark_a_box() -> None:
    one = clicked(plain_shown(), 600, 400)
    assert one.mark_xyxy_px is None
    assert one.corner_px == pytest.approx((1200, 800))
    two = clicked(one, 300, 100)
    assert two.corner_px is None
    assert two.mark_xyxy_px == pytest.approx((600, 200, 1200, 800))
    assert two.edges() == (20.0, 10.0, 40.0, 40.0)


def test_a_third_click_starts_a_new_mark() -> None:
    marked = clicked(clicked(plain_shown(), 600, 400), 300, 100)
    again = clicked(marked, 700, 700)
    assert again.mark_xyxy_px is None
    assert again.corner_px == pytest.approx((1400, 1400))


def test_a_second_click_on_the_same_spot_is_no_box() -> None:
    twice = clicked(clicked(plain_shown(), 600, 400), 600, 400)
    assert twice.mark_xyxy_px is None
    assert twice.corner_px is not None


def test_typed_edges_are_drawn_as_soon_as_they_make_sense() -> None:
    assert typed(plain_shown(), (10, None, None, None)).mark_xyxy_px is None
    assert typed(plain_shown(), (10, 10, 5, 20)).mark_xyxy_px is None
    marked = typed(plain_shown(), (10, 10, 50, 20))
    assert marked.mark_xyxy_px == pytest.approx((300, 200, 1500, 400))
    assert unmarked(marked).mark_xyxy_px is None


@pytest.mark.parametrize(
    ("edges", "said"),
    [
        ((None, 10, 20, 30), "No place is marked"),
        ((30, 10, 20, 30), "from 30 to 20 % across"),  # right before left
        ((10, 30, 20, 30), "from 30 to 30 % down"),  # no height
        ((-1, 10, 20, 30), "from -1 to 20 % across"),  # outside
        ((1, 10, 20, 100.5), "from 10 to 100.5 % down"),  # outside
        ((float("nan"), 10, 20, 30), "from no number to 20"),  # not a number
        ((0, 0, float("inf"), 30), "from 0 to no number"),  # without end
    ],
)
def test_edges_that_make_no_box_get_one_sentence(
    edges: tuple[float | None, float | None, float | None, float | None], said: str
) -> None:
    with pytest.raises(MarkError, match=said) as caught:
        box_of_edges(edges, height=600, width=900)
    assert caught.value.advice


def test_the_whole_photo_can_be_marked() -> None:
    assert box_of_edges((0, 0, 100, 100), height=600, width=900) == (0, 0, 900, 600)


@pytest.mark.parametrize(
    "text",
    ["{}", "  {}\n", '"{}"', "'{}'", "file://{}"],
    ids=["plain", "spaces", "double quotes", "single quotes", "file address"],
)
def test_a_pasted_folder_is_understood(text: str) -> None:
    assert folder_of_text(text.format("/tank/a night")) == Path("/tank/a night")


def test_a_home_folder_and_an_encoded_address_are_understood(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("HOME", "/home/keeper")
    monkeypatch.setenv("USERPROFILE", "/home/keeper")
    assert folder_of_text("~/night") == Path("/home/keeper/night")
    assert folder_of_text("file:///tank/a%20night") == Path("/tank/a night")


@pytest.mark.parametrize("text", ["", "   ", '""', "a\0b", "~nobody-of-that-name/night"])
def test_what_is_no_folder_gets_one_sentence(text: str) -> None:
    with pytest.raises(FolderError):
        folder_of_text(text)


def test_a_folder_is_scanned_and_a_report_written(
    desk: Desk, night_folder: Path, tmp_path: Path
) -> None:
    html, report, _ = desk.scan_folder(str(night_folder), quiet)
    assert words.NIGHT_VERDICTS["leech-like"] in html
    assert report.is_file()
    assert (tmp_path / "reports") in report.parents
    assert "shelf-tuesday" not in str(report.relative_to(tmp_path))
    assert len(list(night_folder.iterdir())) == 3


def test_two_reports_never_share_a_name_that_could_be_guessed(
    desk: Desk, night_folder: Path
) -> None:
    one = desk.scan_folder(str(night_folder), quiet)[1]
    two = desk.scan_folder(str(night_folder), quiet)[1]
    assert one != two
    assert len(one.parent.parent.name) == 32


def test_a_missing_folder_gets_one_sentence(desk: Desk, tmp_path: Path) -> None:
    with pytest.raises(gr.Error, match="There is no folder"):
        desk.scan_folder(str(tmp_path / "missing"), quiet)


def test_photos_handed_over_are_scanned_and_then_deleted(
    desk: Desk, night_folder: Path, tmp_path: Path
) -> None:
    paths = sorted(str(path) for path in night_folder.iterdir())
    assert desk.take_night("tab", paths[:2]) == 2
    assert desk.take_night("tab", paths[2:]) == 3
    html, report, _ = desk.scan_sent("tab", quiet)
    assert words.NIGHT_FILES in html
    assert report.is_file()
    assert not list((tmp_path / "kept" / "nights").rglob("*.jpg"))
    with pytest.raises(gr.Error, match="Hand over at least two photos"):
        desk.scan_sent("tab", quiet)


def test_photos_handed_over_survive_a_scan_that_fails(
    desk: Desk, night_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(*_args: object, **_kwargs: object) -> None:
        message = "None of the files is a photo."
        raise FolderError(message, advice="Give photos.")

    desk.take_night("tab", [str(path) for path in night_folder.iterdir()])
    monkeypatch.setattr(handlers, "scan_night", failing)
    with pytest.raises(gr.Error, match="None of the files"):
        desk.scan_sent("tab", quiet)
    monkeypatch.setattr(handlers, "scan_night", fake_scan)
    assert desk.scan_sent("tab", quiet)[1].is_file()


def test_photos_handed_over_can_be_put_back(desk: Desk, night_folder: Path) -> None:
    desk.take_night("tab", [str(path) for path in night_folder.iterdir()])
    assert desk.forget_night("tab") == 0
    with pytest.raises(gr.Error, match="No photos have been handed over"):
        desk.scan_sent("tab", quiet)


def test_the_bar_says_how_much_time_is_left() -> None:
    now = iter([0.0, 1.0, 30.0, 60.0])
    said: list[tuple[float, str]] = []
    bar = TimedProgress(lambda share, text: said.append((share, text)), clock=lambda: next(now))
    bar(0, 60, "Comparing photos")
    bar(20, 60, "Comparing photos")
    bar(60, 60, "Comparing photos")
    assert said[0] == (0.0, "Comparing photos: 0 of 60")
    assert said[1][1] == "Comparing photos: 20 of 60, a few seconds left"
    assert said[2] == (1.0, "Comparing photos: 60 of 60")


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(3, "a few seconds"), (42, "about 40 seconds"), (100, "about 2 minutes"), (600, "about 10")],
)
def test_time_left_is_told_coarsely(seconds: float, said: str) -> None:
    assert words.time_left(seconds).startswith(said)


def test_the_classifier_is_loaded_once_whoever_asks() -> None:
    loads: list[int] = []

    def load() -> object:
        loads.append(1)
        return CLASSIFIER

    once = ClassifierOnce(load)
    once.warm()
    askers = [threading.Thread(target=once.get) for _ in range(4)]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join(timeout=10)
    assert once.get() is CLASSIFIER
    assert len(loads) == 1


def test_weights_that_cannot_be_loaded_are_told_to_whoever_asks(
    tmp_path: Path, photo_file: Path
) -> None:
    def load() -> object:
        message = "The trained weights are missing."
        raise WeightsError(message, advice="Install the program again.")

    once = ClassifierOnce(load)
    once.warm()
    desk = Desk(Settings(), once, tmp_path)
    shown = desk.take_photo("tab", str(photo_file))
    for _ in range(2):
        with pytest.raises(gr.Error, match=r"weights are missing\. Install the program again"):
            desk.check(shown)


def test_the_heat_is_drawn_only_where_it_is_wanted(desk: Desk, shown: Shown) -> None:
    CLASSIFIER.asked.clear()
    _, plain = desk.check(shown)
    assert "pv-heat" not in plain
    assert CLASSIFIER.asked == []
    after, hot = desk.check(shown, with_heat=True)
    assert hot.count('<figure class="pv-heat">') == len(after.outlines) == 2
    assert CLASSIFIER.asked == [Group.LEECH_LIKE, Group.HARMLESS]
    assert HEAT_WORDS["says"] in hot


def test_the_switch_redraws_the_shown_answer_without_another_check(
    desk: Desk, shown: Shown, monkeypatch: pytest.MonkeyPatch
) -> None:
    after, plain = desk.check(shown)
    monkeypatch.delattr(handlers, "check_photo")
    hot = desk.show_heat(after, with_heat=True)
    assert hot is not None
    assert "pv-heat" in hot
    assert desk.show_heat(after, with_heat=False) == plain


def test_the_switch_keeps_to_a_marked_place_and_its_likeliest_group(
    desk: Desk, shown: Shown
) -> None:
    CLASSIFIER.asked.clear()
    after, _ = desk.judge_mark(shown, (10, 20, 50, 60), with_heat=True)
    assert CLASSIFIER.asked == [Group.LEECH_LIKE]  # it can't be told, and leech-like is likeliest
    again = desk.show_heat(after, with_heat=True)
    assert again is not None
    assert again.count("pv-heat") >= 1
    assert words.WHOLE_PHOTO not in again


def test_before_the_first_answer_the_switch_changes_nothing(desk: Desk, shown: Shown) -> None:
    assert desk.show_heat(None, with_heat=True) is None
    assert desk.show_heat(shown, with_heat=True) is None
