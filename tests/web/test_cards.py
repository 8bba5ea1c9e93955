"""What the page says of a result: everything a person needs, and nothing that a file could inject."""

from __future__ import annotations

import re
from dataclasses import replace
from html import escape
from html.parser import HTMLParser

import numpy as np
import pytest
from hand_made import HOSTILE_NAME, LEECH, SNAIL, UNTOLD, made_check, made_night
from made_answers import why_of
from made_trails import CUES

from pestvision.findings.finding import Judgement, NightResult, PairResult, PhotoCheck, ViewResult
from pestvision.findings.words import CAUTION, CAUTION_BRIEF, CUES_HEADING, HEAT_WORDS, LOOK_FOR
from pestvision.organisms.classes import GROUPS, LABELS
from pestvision.photos.exif import NO_TIME
from pestvision.photos.read import Photo
from pestvision.web import cards, parts, words


class Seen(HTMLParser):
    """The tags and the text of a page, as a browser would take them apart."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data + " "

    def pictures(self) -> list[dict[str, str | None]]:
        return [attrs for tag, attrs in self.tags if tag == "img"]


def photo(name: str = "glass.jpg") -> Photo:
    return Photo(np.zeros((600, 900, 3), np.uint8), name, None, "JPEG", NO_TIME)


def check_of(label: str) -> PhotoCheck:
    """A photo where nothing stood out, judged as a whole."""
    p_groups = (0.4, 0.3, 0.2, 0.1)
    judged = Judgement(label, 0.4, p_groups, "leech", ("A reason.",), why_of("leech"))
    return PhotoCheck("glass.jpg", 900, 600, None, judged, ())


def test_an_answer_holds_label_confidence_reasons_signs_and_caution() -> None:
    seen = Seen(cards.photo_answer(made_check(photo(), None)))
    assert words.VERDICTS["leech-like"] in seen.text
    assert "Confidence 87 %" in seen.text
    for sentence in (*LEECH.reasons, *SNAIL.reasons, *LOOK_FOR["leech-like"]):
        assert sentence in seen.text
    assert len(seen.pictures()) == 2


@pytest.mark.parametrize("label", LABELS)
def test_the_caution_stands_by_every_label(label: str) -> None:
    html = cards.photo_answer(check_of(label))
    assert words.VERDICTS[label] in Seen(html).text
    assert CAUTION in Seen(html).text
    for sentence in LOOK_FOR[label]:
        assert sentence in Seen(html).text


def unfolded(html: str) -> str:
    """Give what a person sees of an answer before anything is unfolded: summaries, and what is outside."""
    shown = re.sub(
        r"<summary[^>]*>(.*?)</summary>", r"</details>\1<details>", html, flags=re.DOTALL
    )
    while True:
        once = re.sub(r"<details[^>]*>(?:(?!<details).)*?</details>", "", shown, flags=re.DOTALL)
        if once == shown:
            return Seen(shown).text
        shown = once


def test_every_label_in_sight_has_its_caution_in_sight() -> None:
    seen = unfolded(cards.photo_answer(made_check(photo(), None)))
    assert seen.count(CAUTION) == 1  # whole, with the verdict
    assert seen.count(CAUTION_BRIEF) == 1  # with the second finding
    assert "harmless" in seen.split(CAUTION)[1].split(CAUTION_BRIEF)[0]
    assert SNAIL.reasons[0] not in seen


def test_the_most_worrying_animal_is_told_without_unfolding_anything() -> None:
    check = made_check(photo(), None)
    html = cards.photo_answer(check)
    seen = unfolded(html)
    for told in (words.VERDICTS["leech-like"], "Confidence 87 %", LEECH.reasons[0]):
        assert told in seen
    for sentence in LOOK_FOR["leech-like"]:
        assert sentence in seen
    assert "Number 1, cut out of the photo" in str(Seen(html).pictures()[0]["alt"])


def test_the_caution_stands_by_every_label_of_a_night() -> None:
    html = cards.night_answer(made_night())
    assert html.count(escape(CAUTION)) == 1  # the verdict
    # The leech-like animals, the harmless ones, and what is no animal.
    assert html.count(escape(CAUTION_BRIEF)) == 3


def test_a_nights_verdict_shows_the_animal_that_it_is_of_before_anything_else() -> None:
    html = cards.night_answer(made_night())
    first = Seen(html).pictures()[0]
    assert first["alt"] == "Number 1, cut out of a photo: leech-like"
    seen = unfolded(html)
    before, after = seen.split(CAUTION)
    assert "Confidence 87 %" in before
    assert f"{words.VIEW}: left" in before
    assert LOOK_FOR["leech-like"][0] in after.split(words.SUMMARY)[0]


def test_a_photo_where_nothing_stood_out_says_so() -> None:
    assert words.WHOLE_PHOTO in Seen(cards.photo_answer(check_of("not-an-organism"))).text
    assert words.WHOLE_PHOTO not in Seen(cards.photo_answer(made_check(photo(), None))).text


def test_a_single_finding_is_shown_once_and_several_each_with_a_number() -> None:
    marked = Seen(cards.photo_answer(made_check(photo(), (10, 10, 200, 200)), alone=True))
    assert len(marked.pictures()) == 1
    assert words.FURTHER not in marked.text
    whole = Seen(cards.photo_answer(made_check(photo(), None)))
    assert f"{words.FURTHER}: 1" in whole.text
    assert "Number 2" in str(whole.pictures()[1]["alt"])


def test_what_cannot_be_told_names_the_closest_answer_without_claiming_it() -> None:
    text = Seen(cards.photo_answer(made_check(photo(), (10, 10, 200, 200)), alone=True)).text
    assert "Closest to leech-like: 46 %, not enough to say" in text
    assert "Confidence 46 %" not in text
    assert UNTOLD.reasons[0] in text


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (0.874, "87 %"),
        (0.996, "over 99 %"),
        (1.0, "over 99 %"),
        (0.004, "under 1 %"),
        (0.5, "50 %"),
    ],
)
def test_a_probability_never_claims_certainty(probability: float, said: str) -> None:
    assert words.per_cent(probability) == said


def test_a_file_name_cannot_put_anything_into_the_page() -> None:
    hostile = f"{HOSTILE_NAME}\"'"
    check = replace(
        made_check(photo(hostile), None), notes=("<script>alert(2)</script>",), taken="<b>T</b>"
    )
    night = made_night(hostile)
    night = replace(night, notes=("<script>alert(3)</script>",))
    for html in (cards.photo_answer(check), cards.night_answer(night)):
        seen = Seen(html)
        tags = {tag for tag, _ in seen.tags}
        assert "script" not in tags
        assert "b" not in tags
        assert all(str(img["src"]).startswith("data:image/jpeg;base64,") for img in seen.pictures())
        assert not any(name.startswith("on") for _, attrs in seen.tags for name in attrs)
        assert HOSTILE_NAME in seen.text  # shown as it is, and only as text


def test_every_picture_has_words_for_those_who_cannot_see_it() -> None:
    for html in (cards.photo_answer(made_check(photo(), None)), cards.night_answer(made_night())):
        pictures = Seen(html).pictures()
        assert pictures
        assert all(len(str(img["alt"])) > 10 for img in pictures)


def test_a_night_shows_the_worrying_view_first_and_counts_it() -> None:
    seen = Seen(cards.night_answer(made_night()))
    assert words.NIGHT_VERDICTS["leech-like"] in seen.text
    assert "1 leech-like, 1 harmless" in seen.text
    assert "2 of 2" in seen.text
    assert seen.text.index("View: left") < seen.text.index(f"View: {HOSTILE_NAME}")
    assert "do not show the same place" in seen.text
    assert "notes.txt is not a photo" in seen.text
    assert "from 2031-03-02 22:04:10 to 2031-03-02 22:24:10" in seen.text


def view(name: str, pairs: tuple[PairResult, ...], still: PhotoCheck | None = None) -> ViewResult:
    return ViewResult(name, ("a.jpg", "b.jpg"), (None, None), pairs, (), {}, still=still)


def test_a_quiet_night_is_not_called_clear() -> None:
    quiet = NightResult("n", (view("v", (PairResult("a.jpg", "b.jpg", True, "Nothing moved."),)),))
    text = Seen(cards.night_answer(quiet)).text
    assert words.NIGHT_QUIET in text
    assert words.NIGHT_QUIET_SAYS in text


def test_a_night_that_could_not_be_compared_is_not_called_quiet() -> None:
    blind = NightResult("n", (view("v", (PairResult("a.jpg", "b.jpg", False, "Too blurred."),)),))
    text = Seen(cards.night_answer(blind)).text
    assert words.NIGHT_UNSEEN in text
    assert words.NIGHT_QUIET not in text
    assert "Too blurred." in text


def test_a_leech_on_a_single_photo_is_the_nights_verdict_too() -> None:
    night = NightResult("n", (view("v", (), still=made_check(photo(), None)),))
    assert cards.night_label(night) == "leech-like"
    assert words.NIGHT_VERDICTS["leech-like"] in Seen(cards.night_answer(night)).text


def test_a_label_that_cannot_be_told_is_more_worrying_than_a_harmless_one() -> None:
    untold = made_check(photo(), (10, 10, 200, 200))
    harmless = replace(untold, findings=made_check(photo(), None).findings[1:])
    night = NightResult("n", (view("a", (), still=harmless), view("b", (), still=untold)))
    assert cards.night_label(night) == "cant-tell"


def test_things_that_are_no_animal_never_make_a_night_worrying() -> None:
    assert cards.night_label(NightResult("n", (view("v", ()),))) is None


def test_a_long_list_is_cut_and_says_how_much_is_left() -> None:
    pairs = tuple(
        PairResult(f"{n}.jpg", f"{n + 1}.jpg", False, "Too blurred.")
        for n in range(parts.MAX_LISTED + 7)
    )
    text = Seen(cards.night_answer(NightResult("n", (view("v", pairs),)))).text
    assert "… and 7 more, in the report." in text


def test_the_four_probabilities_are_listed_in_words() -> None:
    html = cards.photo_answer(check_of("cant-tell"))
    assert html.count("<th scope=") == len(GROUPS)


def test_what_would_settle_it_stands_by_every_answer() -> None:
    one = Seen(cards.photo_answer(made_check(photo(), (1.0, 1.0, 90.0, 90.0))))
    several = Seen(cards.photo_answer(made_check(photo(), None)))
    assert words.SETTLES in one.text
    for sentence in UNTOLD.why.settled_by:
        assert sentence in one.text
    for sentence in (*LEECH.why.settled_by, *SNAIL.why.settled_by):
        assert sentence in several.text


def test_heat_comes_with_its_legend_and_words_for_whoever_sees_no_picture() -> None:
    heats = [np.eye(14, dtype=np.float32)] * 2
    seen = Seen(cards.photo_answer(made_check(photo(), None), heats=heats))
    assert len(seen.pictures()) == 4
    described = [str(item["alt"]) for item in seen.pictures()]
    assert "Number 1 in grey; yellow where it looks leech-like" in described
    assert "Number 2 in grey; yellow where it looks harmless" in described
    assert HEAT_WORDS["little"] in seen.text
    assert HEAT_WORDS["much"] in seen.text


def test_each_clue_stands_apart_where_more_than_the_looks_was_asked() -> None:
    bare = made_check(photo(), None)
    joined = replace(LEECH, cues=CUES)
    first = replace(bare.findings[0], judgement=joined)
    several = replace(bare, verdict=joined, findings=(first, bare.findings[1]))
    text = Seen(cards.photo_answer(several)).text
    for cue in CUES:
        assert text.count(cue.sentence()) == 2  # in the line of evidence, and unfolded
    assert CUES_HEADING not in Seen(cards.photo_answer(bare)).text


def test_a_night_lists_the_clues_of_each_animal() -> None:
    night = made_night()
    left = night.views[1]
    told = replace(left.tracks[0], judgement=replace(LEECH, cues=CUES))
    both = replace(night, views=(replace(left, tracks=(told, *left.tracks[1:])),))
    text = Seen(cards.night_answer(both)).text
    assert text.count(CUES[1].sentence()) == 2  # with the verdict, and on its own card
