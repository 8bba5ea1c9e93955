"""The report of one tank: one HTML file without anything from outside, which prints to two pages at the most.

The page is put together from sentences and numbers that others have worked out; nothing is reckoned here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import pestvision
from pestvision.findings.words import CAUTION
from pestvision.guidance.guidance import as_html
from pestvision.report.moments import day_words, moment_words
from pestvision.report.templating import template
from pestvision.tanks.words import said, told_beside

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from pestvision.guidance.card import Card
    from pestvision.tanks.records import Note, Tank

LOG_CAUTION: Final = (
    "All of this is worked out from what stands in the log, and from assumptions that may not hold in your "
    "tank. It is no diagnosis and no guarantee."
)
MAX_NOTES: Final = 10  # the last ones; the time line holds the rest
MAX_CARDS: Final = 3  # in full; more do not fit on two pages
MAX_CARDS_BESIDE: Final = 2  # where the picture of contacts takes its room
PART_LETTERS: Final = 760  # of the sentences of one part
LINE_LETTERS: Final = 280  # of those beside the time line
TOUCHED_LETTERS: Final = 250  # of those beside the picture of contacts, which is tall
ASSUMED_LETTERS: Final = 900
DENSE_FROM: Final = 2600  # letters of the first page from which on it is set smaller on paper
MAX_TITLES: Final = 6  # of further cards
HOLD_LETTERS: Final = 600  # of all holds together
MAX_SENTENCE_LETTERS: Final = 330  # of one sentence; a way through many tanks is longer
MAX_ANSWER_LETTERS: Final = 240  # what a part comes to, and how the tank stands
MAX_ABOUT_LETTERS: Final = 110
MORE: Final = "There is more to say: pestvision tank status and pestvision tank forecast say all."
MAX_NOTE_LETTERS: Final = 110  # of a note in the table, about two lines on paper


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the page.

    Parameters
    ----------
    answer
        What it comes to, one sentence.
    sentences
        Why, and what else; those for which there is no room are left out.
    picture
        A picture as HTML, made by this program; empty where there is none.
    caption
        What stands under the picture.
    caution
        What must stand beside the answer.
    assumed
        What was taken for granted, in small letters.
    """

    answer: str
    sentences: tuple[str, ...] = ()
    picture: str = ""
    caption: str = ""
    caution: str = ""
    assumed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TankPage:
    """Everything the report of a tank says.

    Parameters
    ----------
    tank
        The tank.
    state, why
        How it stands, in a few words, and why in a sentence.
    facts
        Short facts, each with its heading: last look, next look, taken out.
    why_look
        Why the next look is due then, one sentence.
    holds
        Why nothing is to be sold from it, one sentence or two for each reason.
    left, clear, touched, line
        How many are left, how sure it is clear, what touched what, and the time line; None where there is
        nothing to tell.
    cards
        Cards on handling that belong here, the most urgent first.
    notes
        All notes of the tank, in the order of time.
    """

    tank: Tank
    state: str
    why: str
    facts: tuple[tuple[str, str], ...]
    why_look: str
    holds: tuple[str, ...]
    left: Part | None
    clear: Part | None
    touched: Part | None
    line: Part | None
    cards: tuple[Card, ...]
    notes: tuple[Note, ...]


def tank_report_html(page: TankPage, *, written: datetime) -> str:
    """Give the report of a tank as the text of one HTML file.

    Parameters
    ----------
    page
        What it says.
    written
        When it is written, by the keeper's clock.
    """
    last = page.notes[-MAX_NOTES:][::-1]
    holds = within(page.holds, HOLD_LETTERS)
    has_picture = page.touched is not None and bool(page.touched.picture)
    n_cards = MAX_CARDS_BESIDE if has_picture else MAX_CARDS
    touched = page.touched
    if touched is not None:
        letters = TOUCHED_LETTERS if has_picture else PART_LETTERS
        touched = _fitted(touched, letters, MAX_SENTENCE_LETTERS)
    parts = _parts(page)
    shown = [text for *_, part in parts for text in (part.answer, *part.sentences, *part.assumed)]
    n_letters = sum(map(len, (*shown, *holds, page.why, page.why_look)))
    return template("tank_report.html.j2").render(
        page=page,
        about=_about(page.tank),
        why=short(page.why, MAX_ANSWER_LETTERS),
        parts=parts,
        is_dense=n_letters > DENSE_FROM,
        touched=touched,
        has_picture=has_picture,
        holds=holds,
        n_more_holds=len(page.holds) - len(holds),
        titles=[card.title for card in page.cards[:n_cards]],
        cards=[as_html(card) for card in page.cards[:n_cards]],
        more_cards=[card.title for card in page.cards[n_cards : n_cards + MAX_TITLES]],
        notes=[(_when(note.at, written), _note_words(note, page.tank.name)) for note in last],
        n_earlier=len(page.notes) - len(last),
        log_caution=LOG_CAUTION,
        caution=CAUTION,
        written=moment_words(written),
        day=day_words(written, has_year=True),
        version=pestvision.__version__,
    )


def _about(tank: Tank) -> str:
    litres = None if tank.litres is None else f"{tank.litres:g} litres"
    about = " · ".join(text for text in (litres, tank.use, tank.lives) if text)
    return short(about, MAX_ABOUT_LETTERS)


def _parts(page: TankPage) -> list[tuple[str, str, Part]]:
    """Give the parts that are there, each with its heading and the name of its place.

    What is said beside the time line takes its room from what stands above it in the same column.
    """
    said = () if page.line is None else within(page.line.sentences, LINE_LETTERS)
    above = PART_LETTERS - sum(map(len, said))
    left = None if page.left is None else _fitted(page.left, above)
    clear = None if page.clear is None else _fitted(page.clear)
    line = page.line
    if line is not None:
        is_cut = len(said) < len(line.sentences)
        is_told = any(part is not None and MORE in part.sentences for part in (left, clear))
        line = replace(line, sentences=(*said, MORE) if is_cut and not is_told else said)
    parts = (
        ("left", "How many are left", left),
        ("line", "What was seen and done", line),
        ("clear", "How sure it is clear", clear),
    )
    return [(name, heading, part) for name, heading, part in parts if part is not None]


def _fitted(
    part: Part, letters: int = PART_LETTERS, answer_letters: int = MAX_ANSWER_LETTERS
) -> Part:
    """Cut what would not fit on two pages, and say so."""
    sentences = within(part.sentences, letters)
    if len(sentences) < len(part.sentences):
        sentences = (*sentences, MORE)
    return replace(
        part,
        answer=short(part.answer, answer_letters),
        sentences=sentences,
        assumed=within(part.assumed, ASSUMED_LETTERS),
    )


def within(sentences: Sequence[str], letters: int) -> tuple[str, ...]:
    """Give the first sentences that have so many letters together, each of a bearable length."""
    fitting: list[str] = []
    for sentence in sentences:
        cut = short(sentence, MAX_SENTENCE_LETTERS)
        if sum(map(len, fitting)) + len(cut) > letters:
            break
        fitting.append(cut)
    return tuple(fitting)


def _when(at: datetime, written: datetime) -> str:
    return moment_words(at, has_year=at.year != written.year)


def _note_words(note: Note, tank: str) -> str:
    """Say what a note says in at most two lines; of a move into this tank, where from."""
    words = said(note) if note.tank == tank else f"{said(note)}, from {note.tank}"
    return short(words + told_beside(note), MAX_NOTE_LETTERS)


def short(text: str, letters: int) -> str:
    """Cut a text at a word so that it has at most so many letters, and show that it was cut."""
    if len(text) <= letters:
        return text
    cut = text[: letters - 1]
    head, _blank, tail = cut.rpartition(" ")
    return f"{head if head and len(tail) < letters // 3 else cut}…"
