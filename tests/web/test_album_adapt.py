"""Teaching the net the album's labels: what came of it, which version answers, and who says so."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import gradio as gr
import pytest
from hand_made import CLASSIFIER, made_check, made_night
from played_teaching import Adapting, fill, version_of

from pestvision.findings.album import judge_of
from pestvision.findings.words import CAUTION
from pestvision.photos.read import read_photo
from pestvision.settings import Settings
from pestvision.web import adapt_cards, album_words, cards
from pestvision.web.album import SharedAlbum
from pestvision.web.album_adapt import AdaptDesk
from pestvision.web.handlers import ClassifierOnce, Desk
from pestvision.web.own_net import OwnNet, day_in_words
from pestvision.web.tools import Tools

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

ONCE = ClassifierOnce(lambda: CLASSIFIER)


@pytest.fixture
def album(tmp_path: Path) -> Iterator[SharedAlbum]:
    shared = SharedAlbum(tmp_path / "album")
    yield shared
    shared.close()


@pytest.fixture
def filled(album: SharedAlbum, tmp_path: Path) -> SharedAlbum:
    fill(album.library(), tmp_path, 4, labels=("leech", "snail"))
    return album


def silent(done: int, total: int, what: str) -> None:
    """Take progress."""


def test_a_better_version_is_shown_with_its_figures_and_its_worst_mistakes(
    filled: SharedAlbum,
) -> None:
    adapting = Adapting()
    desk = AdaptDesk(filled, ONCE, adapting.tools())
    html, listed = desk.adapt(silent, who="Ida")
    assert adapting.asked[0] == "Ida"
    assert "Version 1 is in use." in html
    assert "71 %" in html
    assert "86 %" in html
    assert "+14.9 points, between +6 and +23.4 (9 times in 10)" in html
    assert "−0.5 points" in html
    assert html.count("data-crop") == 0
    assert html.count("<img") == 3  # the fourth mistake is no longer in the album
    assert "Labelled harmless; the net says leech-like, 93 %." in html
    assert CAUTION.split(".", maxsplit=1)[0] in html.replace("&#x27;", "'")
    assert album_words.VERSION_USED in listed
    assert album_words.USE_SHIPPED in listed


def test_a_confusion_table_gives_every_number_and_names_its_rows_and_columns() -> None:
    html = adapt_cards.confusion_table(
        [[12, 5, 1, 2], [4, 13, 2, 1], [1, 0, 17, 2], [0, 0, 0, 0]], "Before"
    )
    assert [int(found) for found in re.findall(r">(\d+)</td>", html)] == [
        12, 5, 1, 2, 4, 13, 2, 1, 1, 0, 17, 2, 0, 0, 0, 0,
    ]  # fmt: skip
    assert html.count('scope="row"') == 4
    assert html.count('scope="col"') == 5
    assert html.count('class="pv-agree"') == 4
    assert "--share:0.24" in html  # 12 of 20, of the darkest 0.4


def test_what_is_missing_is_listed_before_and_after_asking(filled: SharedAlbum) -> None:
    needs = ("5 more leech-like crops, from other photos or days",)
    desk = AdaptDesk(filled, ONCE, Adapting(needs=needs).tools())
    assert desk.missing() == needs
    last, listed = desk.overview()
    assert needs[0] in last
    assert album_words.VERSIONS_NONE in listed
    html, _ = desk.adapt(silent)
    assert "Not enough labels yet." in html
    assert needs[0] in html
    assert album_words.ADAPT_NEEDED in html


def test_a_version_that_is_no_better_is_shown_and_cannot_be_chosen(filled: SharedAlbum) -> None:
    desk = AdaptDesk(filled, ONCE, Adapting(is_better=[True, False]).tools())
    desk.adapt(silent)
    html, listed = desk.adapt(silent)
    assert "not used: the gain may be chance" in html
    assert album_words.VERSION_WORSE in listed
    assert 'data-do="trust"' not in listed


def test_one_goes_back_to_the_shipped_net_and_to_a_version_again(filled: SharedAlbum) -> None:
    adapting = Adapting()
    desk = AdaptDesk(filled, ONCE, adapting.tools())
    desk.adapt(silent)
    _, listed = desk.trust(None, who="Ida")
    assert album_words.SHIPPED_USED in listed
    assert album_words.USE_SHIPPED not in listed
    assert 'data-do="trust" data-number="1"' in listed
    _, listed = desk.trust(1)
    assert album_words.VERSION_USED in listed
    assert [item.is_trusted for item in adapting.all] == [True]
    assert desk.overview()[1] == listed.replace(
        '<p class="pv-said" role="status">Version 1.</p>', ""
    )


def test_without_an_album_nothing_is_learned_and_none_is_made(album: SharedAlbum) -> None:
    desk = AdaptDesk(album, ONCE, Adapting().tools())
    assert desk.missing() == ()
    assert album_words.VERSIONS_NONE in desk.overview()[1]
    with pytest.raises(gr.Error, match="album is empty"):
        desk.adapt(silent)
    assert not album.folder.exists()


def test_what_was_not_measured_is_said_so() -> None:
    version = version_of(1)
    version.about["yardstick"] = {}
    version.about["own"] = {"before": 0.5, "after": float("nan"), "low": 0.0, "high": 0.1}
    html = adapt_cards.before_and_after(version, [])
    assert html.count(album_words.NOT_MEASURED) == 3
    assert "nan" not in html.lower().replace("finance", "")


@pytest.mark.parametrize(
    ("share", "said"), [(0.149, "+14.9"), (-0.005, "−0.5"), (0.0, "0"), (0.0001, "0"), (0.06, "+6")]
)
def test_a_change_has_its_sign(share: float, said: str) -> None:
    assert album_words.points(share) == said


def test_the_shipped_stages_are_those_of_the_collection(filled: SharedAlbum) -> None:
    tools = Tools.shipped()
    library = filled.library()
    assert tools.versions(library) == []
    assert tools.missing(library)
    assert tools.personal_classifier(library, CLASSIFIER) is CLASSIFIER
    assert [item.crop.id for item in tools.next_crops(library, "none", limit=9, skip={3})] == [4]


class WithHead:
    """A net with a personal head of a version."""

    model = "net-7"

    def __init__(self, version: int) -> None:
        self.head = SimpleNamespace(version=version)


def personal_tools(adapting: Adapting, worn: Any) -> Tools:
    tools = adapting.tools()
    return Tools(
        tools.next_crops,
        tools.read_unread,
        tools.adapt,
        tools.trust,
        tools.missing,
        tools.versions,
        lambda _library, _shipped: worn,
    )


def test_answers_come_from_the_trusted_head_and_say_so(filled: SharedAlbum) -> None:
    adapting = Adapting()
    adapting.all = [version_of(3)]
    worn: Any = WithHead(3)
    net = OwnNet(lambda: CLASSIFIER, filled, personal_tools(adapting, worn))
    assert net.get() is worn
    assert net.judged_with(worn) == "Judged with your own labels, version 3, of 12 May 2021."
    assert net.judged_with(CLASSIFIER) == ""
    assert net.judged_with(WithHead(9)) == ""  # type: ignore[arg-type]
    assert judge_of(worn) == "net-7 version 3"
    assert judge_of(CLASSIFIER) == "net-7"


def test_without_an_album_the_shipped_net_answers(album: SharedAlbum) -> None:
    worn: Any = WithHead(3)
    net = OwnNet(lambda: CLASSIFIER, album, personal_tools(Adapting(), worn))
    assert net.get() is CLASSIFIER
    assert not album.folder.exists()


def test_the_line_stands_in_the_answer_of_a_close_up_and_of_a_night(photo_file: Path) -> None:
    line = "Judged with your own labels, version 3, of 12 May 2021."
    check = made_check(read_photo(photo_file), None)
    assert line in cards.photo_answer(check, judged_with=line)
    assert "pv-own" not in cards.photo_answer(check)
    assert line in cards.night_answer(made_night(), judged_with=line)
    assert "pv-own" not in cards.night_answer(made_night())


class SaysSo(ClassifierOnce):
    """The hand-made net, of which it is said that it was taught."""

    def judged_with(self, classifier: Any) -> str:
        assert classifier is CLASSIFIER
        return "Judged with your own labels."


def test_the_desk_says_with_whose_labels_it_judged(
    tmp_path: Path, photo_file: Path, night_folder: Path
) -> None:
    desk = Desk(Settings(), SaysSo(lambda: CLASSIFIER), tmp_path / "work")
    shown, html = desk.check(desk.take_photo("visitor", str(photo_file)))
    assert "Judged with your own labels." in html
    assert "Judged with your own labels." in str(desk.show_heat(shown, with_heat=False))
    html, report, _ = desk.scan_folder(str(night_folder), silent)
    assert "Judged with your own labels." in html
    assert "Judged with your own labels." in report.read_text(encoding="utf-8")


def test_a_day_is_written_out() -> None:
    assert day_in_words("2031-05-12T12:00:00.000000Z") == "12 May 2031"
