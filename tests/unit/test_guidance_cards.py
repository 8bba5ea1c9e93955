"""The cards on handling: a walk over all of them, and proof that the walk would see a fault."""

from __future__ import annotations

import dataclasses
import re
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from pestvision.errors import DataError, PersonError
from pestvision.guidance.card import Card, Certainty, Harm, Read, Source, Standing
from pestvision.guidance.guidance import as_html, as_text, card, cards_for, every_card
from pestvision.guidance.reading import read_card, read_sources
from pestvision.tanks.records import Kind, Pest

MAX_WORDS = 170  # one screen of a phone
MAX_WORDS_OF_SOURCES = 100  # folded away on the page

# What is named in a text on the left demands all that stands on the right, on the same card.
BLEACH_CAUTIONS = (
    r"never in a stocked tank",
    r"\bgloves\b",
    r"eye protection",
    r"\bmask\b",
    r"open a window or door",
    r"clean off all dirt",
    r"read the label",
    r"local rules",
    r"\brinse",
    r"dechlorinate as the dechlorinator's label says",
    r"test until chlorine reads zero",
    r"\bdry\b",
)
MIXING_CAUTIONS = (r"never with [^.]*acids", r"never with [^.]*ammonia", r"with other cleaners")
NO_DOSE = r"there is no dose here, ever"
SUBSTANCES = r"\w+bendazole|levamisole|praziquantel"
HARMS: dict[Harm, tuple[str, tuple[str, ...]]] = {
    Harm.CRUSHING: (
        r"\b(take|pull|pick) (a|the) leech|\bleech up\b|crush (or tear the leech|what)",
        (r"do not crush", r"young may drop off and hide"),
    ),
    Harm.TEARING: (r"leech off a snail", (r"do not pull at the snail's soft body",)),
    Harm.IRRITANTS: (
        r"\bsalt\b|\bperoxide\b|\bheat\b",
        (r"\b(do not irritate|no salt)\b", r"(none|no [^.]*) is known to spare the snails?"),
    ),
    Harm.HANDS: (r"lift the snail out", (r"wash your hands",)),
    Harm.BLEACH: (r"\bbleach|hypochlorite", BLEACH_CAUTIONS),
    Harm.BLEACH_MIXING: (r"\bbleach|hypochlorite", MIXING_CAUTIONS),
    Harm.COPPER: (r"\bcopper\b", (r"ask a vet", NO_DOSE, r"read the label")),
    Harm.MEDICINES: (rf"medicine|dewormer|algicide|{SUBSTANCES}", (r"\bvet\b", NO_DOSE)),
    Harm.DIP: (
        r"\bdip(s|ped)?\b",
        (r"may kill the plant", r"may leave eggs alive", r"no source", r"no recipe"),
    ),
    Harm.SHORT_FREEZE: (
        r"\bfreez(e|ing)\b[^.]*\b(days|bags?|nets?)|\bdrying\b|\bfreeze them\b",
        (r"at least 7 days", r"fish leech", r"not enough"),
    ),
    Harm.GLASS: (r"glass may crack", (r"leave it out",)),
    Harm.ELECTRICITY: (r"\btorch\b|\bmains\b|\blamp\b", (r"(never hold a|nor a) mains",)),
    Harm.KILLING: (
        r"how to kill|freeze living",
        (r"ask a vet", r"kindly"),
    ),
    Harm.CUTTING: (r"\bcut or crush\b|\bcut it\b", (r"do not cut", r"pieces may grow again")),
    Harm.RELEASE: (
        r"outdoors|\bdrain\b|household waste",
        (r"(never|nothing) [^.:]*outdoors",),
    ),
    Harm.PROTECTED: (
        r"\bprotected\b|coloured stripes",
        (r"photograph it", r"do not kill it", r"ask an? (local )?authority"),
    ),
    Harm.REGULATED: (r"apple snail|pomacea", (r"check your local rules before you",)),
    Harm.BUYER: (
        r"\bbuyers?\b",
        (r"tell the buyer", r"no certificate", r"not a guarantee"),
    ),
    Harm.BLAME: (r"\balarm\b", (r"other things kill too", r"test the water")),
    Harm.FALSE_SAFETY: (
        r"starvation|clean glass|without a find is|emptied tank is",
        (r"no proof|not a guarantee|never promised",),
    ),
}

NUMBER = r"(?:\d+(?:[.,]\d+)?|one|two|three|four|five|six|seven|eight|nine|ten|twenty|half an?|an?)"
AMOUNT = (
    r"(?:mg|milligrams?|µg|ug|micrograms?|g|grams?|kg|ml|millilit(?:re|er)s?|cl|dl|drops?|ppm|ppb|%"
    r"|per ?cent|tsp|tbsp|teaspoons?|tablespoons?|spoonfuls?|spoons?|capfuls?|caps?|pinch(?:es)?|tablets?|sachets?"
    r"|cups?|ounces?|oz)"
)
DOSE = re.compile(
    rf"\b{NUMBER}\s*{AMOUNT}(?![\w])|\bper (?:lit(?:re|er)|gallon)|/ ?l\b", re.IGNORECASE
)
DILUTION = re.compile(
    r"\d+ ?: ?\d+|\b1 (?:to|in) \d+|\bone (?:to|in) ten\b|\bparts?\b", re.IGNORECASE
)
THE_DILUTION = "equal parts bleach and water (common practice, no source)"

# Capital letters inside a sentence: Latin names, laws, countries, months. Everything else might be a brand.
LATIN = {"Hirudo", "Pomacea", "Schmidtea", "Planaria"}
LAW = {"CITES", "United", "Kingdom", "European", "Union", "USA"}
MONTHS = {
    *("January", "February", "March", "April", "May", "June", "July", "August", "September"),
    *("October", "November", "December"),
}
CAPITALS = LATIN | LAW | MONTHS

# Every number on a card, and where it stands: a source's id, or common practice, which the sentence must then say.
PRACTICE = "common practice"
SETTING = "the default of the setting brooding_weeks"
NUMBERS: dict[str, dict[str, str]] = {
    "clean-glass": {"163": "starving", "19": PRACTICE},
    "disposal": {"7": "fish-leech"},
    "freezing": {"7": "fish-leech", "24": "fish-leech"},
    "losses": {
        **dict.fromkeys(("4", "7", "10", "13"), "davies-1997"),
        "20": PRACTICE,
        "30": PRACTICE,
    },
    "newcomers": {"8": SETTING},
    "night-look": {"1": "zootaxa-2022"},
    "protected": {"1988": "hirudo-law"},
}

# How much of each source was read, as it stands in the collected facts: V text, A abstract, S second hand.
READ_AS = {
    "hatto-1968": "A",
    "govedich-2004": "S",
    "davies-1997": "V",
    "davies-1989": "A",
    "brooders-2004": "A",
    "zootaxa-2022": "V",
    "wilken-1991": "A",
    "sawyer-2018": "V",
    "govedich-2003": "A",
    "fish-leech": "A",
    "mitchell-2008": "A",
    "stanford-bleach": "V",
    "who-2014": "V",
    "ramshorn-copper": "A",
    "nerite-copper": "A",
    "leech-control": "V",
    "sabry-2019": "A",
    "reynoldson": "S",
    "hirudo-law": "V",
    "pomacea-eu": "S",
    "pomacea-us": "V",
    "starving": "V",
    "wrona-1979": "S",
    "two-steps": "S",
}
AS_READ = {Read.TEXT: "V", Read.ABSTRACT: "A", Read.SECOND_HAND: "S"}

CARDS = every_card()


def text_of(card: Card) -> str:
    return "\n".join(card.sentences())


def harm_faults(card: Card) -> list[str]:
    """Each harm named has its cautions, and is among the card's harms; none is there unnamed."""
    text = text_of(card).lower()
    found = []
    for harm, (named, cautions) in HARMS.items():
        is_named = re.search(named, text) is not None
        if is_named != (harm in card.harms):
            found.append(f"'{harm}' is {'named and not' if is_named else 'not named and'} listed")
        if is_named:
            found += [
                f"'{harm}' without {caution}"
                for caution in cautions
                if not re.search(caution, text)
            ]
    return found


def number_faults(card: Card) -> list[str]:
    """No dose, no dilution but the one, and every number has a known origin."""
    text = text_of(card)
    found = [f"a dose: {match.group()}" for match in DOSE.finditer(text)]
    rest = text.replace(THE_DILUTION, "") if card.id == "emptied-tank-bleach" else text
    found += [f"a dilution: {match.group()}" for match in DILUTION.finditer(rest)]
    known = NUMBERS.get(card.id, {})
    for sentence in card.sentences():
        for number in re.findall(r"\d+", sentence):
            origin = known.get(number)
            if origin is None:
                found.append(f"the number {number} has no known origin")
            elif origin == PRACTICE and PRACTICE not in sentence:
                found.append(f"the number {number} is not called common practice")
            elif origin not in {PRACTICE, SETTING} and origin not in {s.id for s in card.sources}:
                found.append(f"the number {number} stands in {origin}, which is not named")
    return found


def brand_faults(card: Card) -> list[str]:
    found = [f"a trade mark: {sign}" for sign in "®™©" if sign in as_text(card)]
    for sentence in card.sentences():
        words = re.findall(r"[^\s]+", sentence)
        for before, word in pairwise(words):
            bare = word.strip("\"'(),.:;?!")
            begins = before.rstrip("\"')")[-1:] in set(".:?!")
            if re.search(r"[A-ZÄÖÜ]", bare) and not begins and bare not in CAPITALS:
                found.append(f"a capital in mid-sentence: {bare}")
    return found


def form_faults(card: Card) -> list[str]:
    found = []
    n_words = len(text_of(card).split())
    if n_words > MAX_WORDS:
        found.append(f"{n_words} words")
    n_words = sum(len(source.sentence().split()) for source in card.sources)
    if n_words > MAX_WORDS_OF_SOURCES:
        found.append(f"{n_words} words of sources")
    if not card.sources and card.certainty in {Certainty.WELL_SOURCED, Certainty.ONE_STUDY}:
        found.append("no source")
    if card.certainty is Certainty.COMMON_PRACTICE and PRACTICE not in text_of(card):
        found += [] if not card.sources else ["it does not say what is common practice"]
    found += [f"no full stop: {line}" for line in card.sentences()[1:] if line[-1] not in '."?)']
    return found


def faults(card: Card) -> list[str]:
    return [*harm_faults(card), *number_faults(card), *brand_faults(card), *form_faults(card)]


@pytest.mark.parametrize("one", CARDS, ids=lambda one: one.id)
def test_no_card_has_a_fault(one: Card) -> None:
    assert faults(one) == []


def test_every_listed_harm_is_touched_by_a_card_and_has_its_cautions() -> None:
    assert set(HARMS) == set(Harm)
    assert {harm for one in CARDS for harm in one.harms} == set(Harm)


def test_every_subject_asked_for_has_its_card() -> None:
    assert {one.id for one in CARDS} == {
        *("take-off", "night-look", "isolate", "newcomers", "emptied-tank-bleach", "freezing"),
        *("copper", "dewormers", "looping-flatworm", "flatworm-watch", "protected", "disposal"),
        *("clean-glass", "selling", "losses"),
    }
    assert {one.certainty for one in CARDS} == set(Certainty)


def test_how_much_of_a_source_was_read_is_said_plainly() -> None:
    named = {source.id: source for one in CARDS for source in one.sources}
    assert {name: AS_READ[source.read] for name, source in named.items()} == READ_AS
    for source in named.values():
        assert ("(abstract read)" in source.sentence()) == (READ_AS[source.id] == "A")
        assert ("(told by another source)" in source.sentence()) == (READ_AS[source.id] == "S")


# --- the walk can fail ---


@pytest.mark.parametrize(
    ("name", "harm", "caution"),
    [
        (one.id, harm, caution)
        for one in CARDS
        for harm in sorted(one.harms)
        for caution in HARMS[harm][1]
    ],
)
def test_a_card_without_one_of_its_cautions_is_caught(name: str, harm: Harm, caution: str) -> None:
    whole = text_of(card(name))
    cut = re.sub(caution, "—", whole, flags=re.IGNORECASE)
    assert cut != whole
    changed = dataclasses.replace(card(name), title=cut, steps=(), cautions=(), grounds="")
    # Where the caution is the only mention of the harm, taking it out leaves a harm listed and not named.
    assert [fault for fault in harm_faults(changed) if f"'{harm}'" in fault]


@pytest.mark.parametrize(
    ("name", "sentence"),
    [
        ("isolate", "Wipe the net with bleach."),
        ("isolate", "Give 2 drops of it."),
        ("isolate", "Take 0.1 mg/L of it."),
        ("isolate", "A capful per litre will do."),
        ("isolate", "Mix it one to ten."),
        ("isolate", "Mix it 1:10."),
        ("isolate", "Use two parts of it."),
        ("isolate", "Use 5 % of it."),
        ("isolate", "Ask for the medicine."),
        ("isolate", "Use levamisole."),
        ("isolate", "Buy Wormaway and use it."),
        ("isolate", "Buy wormaway® and use it."),
        ("isolate", "Wait 12 weeks."),
        ("isolate", "Look with a lamp."),
        ("selling", "Rinse the plants in a dip."),
        ("night-look", "A leech with coloured stripes may turn up."),
        ("clean-glass", "It took 19 litres."),
        ("emptied-tank-bleach", "Later, one part bleach will do."),
        ("take-off", "Use an algicide."),
    ],
)
def test_a_bad_sentence_on_a_good_card_is_caught(name: str, sentence: str) -> None:
    one = card(name)
    assert faults(one) == []
    changed = dataclasses.replace(one, steps=(*one.steps, sentence))
    assert [fault for fault in faults(changed) if not fault.endswith(" words")]


def test_a_card_that_is_too_long_or_names_no_source_is_caught() -> None:
    one = card("copper")
    assert form_faults(dataclasses.replace(one, steps=one.steps * 9))
    assert form_faults(dataclasses.replace(one, sources=())) == ["no source"]
    assert harm_faults(dataclasses.replace(one, harms=frozenset())) != []


def test_ordinary_sentences_are_let_be() -> None:
    one = card("isolate")
    for sentence in (
        "Look at 2 nets.",
        "Note one caught leech.",
        "Planaria torva glides. It does.",
    ):
        changed = dataclasses.replace(one, steps=(sentence,))
        assert brand_faults(changed) == []
        assert [fault for fault in number_faults(changed) if "dose" in fault] == []


# --- where a card shows ---


def ids(cards: tuple[Card, ...]) -> list[str]:
    return [one.id for one in cards]


def test_the_most_urgent_card_comes_first_and_each_comes_once() -> None:
    found = cards_for(label=Pest.LEECH, note_kind=Kind.REMOVED, standing=Standing.SEEN)
    assert ids(found)[0] == "take-off"
    assert len(set(ids(found))) == len(found)
    assert [one.urgency for one in found] == sorted(one.urgency for one in found)


@pytest.mark.parametrize(
    ("given", "must_show"),
    [
        ({"label": "leech-like"}, {"take-off", "isolate", "protected", "night-look"}),
        ({"label": "flatworm-like"}, {"flatworm-watch", "looping-flatworm", "dewormers"}),
        ({"note_kind": "removed"}, {"take-off", "disposal"}),
        ({"note_kind": "treated"}, {"copper", "dewormers", "looping-flatworm"}),
        ({"note_kind": "emptied"}, {"emptied-tank-bleach", "clean-glass", "disposal"}),
        ({"note_kind": "cleaned"}, {"emptied-tank-bleach", "clean-glass"}),
        ({"note_kind": "added"}, {"newcomers"}),
        ({"note_kind": "died"}, {"losses", "copper"}),
        ({"note_kind": "sold"}, {"selling", "protected"}),
        ({"note_kind": "moved"}, {"isolate"}),
        ({"standing": "quarantine"}, {"newcomers"}),
        ({"standing": "exposed"}, {"night-look", "selling"}),
        ({"standing": "holding sales"}, {"selling"}),
    ],
)
def test_a_card_shows_where_it_is_needed(given: dict[str, str], must_show: set[str]) -> None:
    assert must_show <= set(ids(cards_for(**given)))


def test_bleach_is_never_shown_beside_a_tank_that_is_stocked() -> None:
    stocked = set(Standing) - {Standing.EMPTIED}
    for standing in stocked:
        assert "emptied-tank-bleach" not in ids(cards_for(standing=standing))
    for label in ("leech-like", "flatworm-like"):
        assert "emptied-tank-bleach" not in ids(cards_for(label=label))


def test_every_kind_of_note_and_every_standing_has_a_card_and_harmless_has_none() -> None:
    assert all(cards_for(note_kind=kind) for kind in Kind)
    assert all(cards_for(standing=standing) for standing in Standing)
    assert cards_for(label="harmless") == ()
    assert cards_for() == ()


@pytest.mark.parametrize(
    "given", [{"label": "leech"}, {"note_kind": "seen"}, {"standing": "infested"}]
)
def test_a_word_that_is_none_of_the_known_is_refused(given: dict[str, str]) -> None:
    with pytest.raises(PersonError) as caught:
        cards_for(**given)
    assert caught.value.advice.startswith("Give one of: ")


def test_a_card_is_found_by_its_id_and_an_unknown_one_names_the_nearest() -> None:
    assert card("copper").title == "Copper kills snails"
    with pytest.raises(PersonError) as caught:
        card("cooper")
    assert caught.value.sentence() == "'cooper' is no card. The nearest one is 'copper'."


def test_the_cards_are_read_once() -> None:
    assert every_card() is every_card()


# --- as text, as HTML ---


@pytest.mark.parametrize("one", CARDS, ids=lambda one: one.id)
def test_the_text_holds_every_sentence_within_its_width(one: Card) -> None:
    for width in (40, 78):
        lines = as_text(one, width=width).splitlines()
        longest = max((len(word) for word in as_text(one).split()), default=0)
        assert max(map(len, lines)) <= max(width, longest + 3)
        flat = " ".join(" ".join(lines).split())
        for sentence in (*one.sentences(), *(source.sentence() for source in one.sources)):
            assert sentence in flat
        assert f"How sure: {one.certainty}." in flat


class Reader(HTMLParser):
    """Collects the text and the tags, and sees to it that every tag is closed."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.said: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert not any(name == "id" or name.startswith("on") for name, _ in attrs)
        self.open.append(tag)
        self.tags.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.said.append(data)


@pytest.mark.parametrize("one", CARDS, ids=lambda one: one.id)
def test_the_html_holds_every_sentence_and_closes_every_tag(one: Card) -> None:
    reader = Reader()
    reader.feed(as_html(one, level=4))
    reader.close()
    assert reader.open == []
    assert reader.tags[:2] == ["section", "h4"]
    flat = " ".join(reader.said)
    for sentence in one.sentences():
        assert sentence in flat


def test_whatever_stands_in_a_card_is_escaped() -> None:
    wicked = "<script>alert('&')</script>\""
    one = dataclasses.replace(
        card("copper"),
        title=wicked,
        grounds=wicked,
        steps=(wicked,),
        cautions=(wicked,),
        sources=(Source("x", wicked, Read.TEXT, wicked),),
    )
    reader = Reader()
    reader.feed(as_html(one))
    assert "script" not in reader.tags
    assert " ".join(reader.said).count(wicked) == 6
    assert as_html(one, level=9).startswith('<section class="guidance"><h6>')


def test_the_cautions_are_read_before_the_steps() -> None:
    one = card("emptied-tank-bleach")
    for shown in (as_html(one), as_text(one)):
        assert shown.index("Never in a stocked tank") < shown.index("equal parts")


# --- the files ---

SOURCES = {"a": Source("a", "Nobody 2000", Read.TEXT, "nothing")}
GOOD = """+++
id = "good"
title = "A good card"
urgency = 3
certainty = "one study"
grounds = "One study."
harms = []
sources = ["a"]

[shows_on]
notes = ["looked"]
+++

## Steps

1. Look.

## Cautions

- Take care.
"""


def test_a_good_file_becomes_a_card() -> None:
    one = read_card(GOOD, name="good", sources=SOURCES)
    assert (one.steps, one.cautions) == (("Look.",), ("Take care.",))
    assert one.shows_on.notes == {"looked"}


@pytest.mark.parametrize(
    ("old", "new", "wrong"),
    [
        ('id = "good"', 'id = "other"', "calls itself 'other'"),
        ('title = "A good card"\n', "", "'title' is missing"),
        ('title = "A good card"', 'title = " "', "'title' is empty"),
        ("urgency = 3", "urgency = 0", "urgency is 0"),
        ("urgency = 3", "urgency = true", "'urgency' is empty or of the wrong kind"),
        ("urgency = 3", "urgency = 3\nhaste = 1", "'haste' is missing"),
        ("one study", "sure", "'sure' is none of"),
        ("harms = []", 'harms = ["fire"]', "'fire' is none of"),
        ("harms = []", "harms = [[]]", "'[]' is none of"),
        ('["a"]', '["b"]', "its source 'b' is not in the list"),
        ('["a"]', "[]", "'one study' and names no source"),
        ('["looked"]', '["stared"]', "'stared' is none of the notes"),
        ("notes =", "kinds =", "'kinds' is no list of where"),
        ('notes = ["looked"]', "", "it shows nowhere"),
        ("## Steps", "## Stepps", "'Stepps' is unknown"),
        ("## Cautions", "## Steps", "'Steps' is unknown or stands there twice"),
        ("- Take care.", "Take care.", "the line 'Take care.' is neither"),
        ("- Take care.", "", "no steps or no cautions"),
        ("1. Look.", "- Look.", "the line '- Look.' is neither"),
        ("+++\n\n## Steps", "## Steps", "front matter does not stand between"),
        ("urgency = 3", "urgency = ", "it is no TOML"),
    ],
)
def test_a_damaged_file_is_told_with_its_name(old: str, new: str, wrong: str) -> None:
    assert GOOD.count(old) == 1
    with pytest.raises(DataError, match=re.escape(wrong)) as caught:
        read_card(GOOD.replace(old, new), name="good", sources=SOURCES)
    assert str(caught.value).startswith("The card file good.md cannot be used: ")
    assert caught.value.advice


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("[a]\ncite = 'x'\nread = 'text'\n", "must hold cite, read and tells"),
        ("[a]\ncite = 'x'\nread = 'text'\ntells = ''\n", "has an empty field"),
        ("[a]\ncite = 'x'\nread = 'half'\ntells = 'y'\n", "'half' is none of"),
        ("a = 1\n", "must hold cite, read and tells"),
        ("[a\n", "it is no TOML"),
    ],
)
def test_a_damaged_list_of_sources_is_told(text: str, wrong: str) -> None:
    with pytest.raises(DataError, match=re.escape(wrong)):
        read_sources(text, where="sources.toml")
