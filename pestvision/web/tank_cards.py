"""What is shown of the tanks as HTML: what came of a press, notes and their history, tables.

Everything that comes from a file or a person is escaped here.
"""

from __future__ import annotations

import re
from datetime import datetime
from html import escape
from typing import TYPE_CHECKING, Any, Final

from pestvision.tanks.records import Judge
from pestvision.tanks.words import said
from pestvision.web import tank_words
from pestvision.web.parts import caution

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date
    from pathlib import Path

    from pestvision.errors import PestVisionError
    from pestvision.tanks.log import Change
    from pestvision.tanks.records import Note, Tank
    from pestvision.tanks.tables import Taken

MOST_COMPLAINTS: Final = 50  # lines of a list that somebody still reads


def button(what: str, name: str, *, number: int = 0, label: str = "", named: str = "") -> str:
    """Give a button that tells the server what it does and of which number.

    Parameters
    ----------
    what
        What it does.
    name
        What stands on it.
    number
        Of the tank, note or page it belongs to.
    label
        More for the server, where a number is not enough.
    named
        What a screen reader says where the name alone would stand there many times.
    """
    more = f' data-label="{escape(label)}"' if label else ""
    spoken = f' aria-label="{escape(named)}"' if named else ""
    return (
        f'<button type="button" data-do="{what}" data-number="{number}"{more} '
        f'data-place="{what}-{number}"{spoken}>{escape(name)}</button>'
    )


def done(sentence: str, *buttons: str) -> str:
    """Give what came of a press, and what can be pressed next."""
    return (
        '<div class="pv-card pv-verdict pv-done" tabindex="-1">'
        f'<p class="pv-said" role="status"><span>{escape(sentence)}</span>{"".join(buttons)}</p></div>'
    )


def refused(error: PestVisionError) -> str:
    """Give the one sentence of what is wrong; what was typed stays where it is."""
    sentence = tank_words.on_page(error.sentence())
    return (
        '<div class="pv-card pv-verdict pv-refused" tabindex="-1" role="alert">'
        f"<p><strong>{escape(tank_words.NOT_WRITTEN)}.</strong> {escape(sentence)}</p></div>"
    )


def written(notes: Sequence[Note], *, today: date) -> str:
    """Say what was written, with a button that takes it back."""
    numbers = ",".join(str(note.id) for note in notes)
    back = button("back", tank_words.TAKE_BACK, number=notes[0].id, label=numbers)
    lines = [_sentence(note, today=today, with_tank=True) for note in notes]
    told = f"{tank_words.WRITTEN}: {'; '.join(lines)}."
    by_tool = any(note.judge is Judge.TOOL for note in notes)
    return done(told, back) + (caution() if by_tool else "")


def is_of_program(numbers: Sequence[int]) -> str:
    """Say that notes are the program's word, with a button that makes them the keeper's."""
    told = ",".join(map(str, numbers))
    looked = button("looked", tank_words.LOOKED_AT, number=numbers[0], label=told)
    return (
        f'<div class="pv-card"><p>{escape(tank_words.OF_PROGRAM)}</p>'
        f'<div class="pv-turn">{looked}</div></div>'
    )


def _sentence(note: Note, *, today: date, with_tank: bool) -> str:
    when = tank_words.moment_in_words(note.at, today=today)
    where = f"{note.tank}, " if with_tank else ""
    return f"{where}{when}: {said(note)}"


def tank_in_words(tank: Tank) -> str:
    """Give a tank with what is known of it."""
    about = (None if tank.litres is None else f"{tank.litres:g} litres", tank.use, tank.lives)
    told = ", ".join(item for item in about if item)
    return tank.name + (f" ({told})" if told else "")


def nothing(sentence: str) -> str:
    """Give a sentence that stands where something will come."""
    return f'<div class="pv-card pv-waiting"><p>{escape(sentence)}</p></div>'


def note_list(
    notes: Sequence[Note],
    histories: Mapping[int, Sequence[Change]],
    tank: Tank,
    *,
    place: tuple[int, int],
    names: Mapping[int, str],
    today: date,
) -> str:
    """Give a page of a tank's notes, each to be corrected or deleted.

    Parameters
    ----------
    notes
        Those of the page, the newest first.
    histories
        The changes of those that were changed since they were written, by number.
    tank
        The tank.
    place
        How many newer ones are not on the page, and how many there are in all.
    names
        The tanks' names by number.
    today
        Says which year need not be said.
    """
    offset, n_notes = place
    heading = f"<h3>{escape(tank_words.NOTES)}</h3>"
    if not notes:
        text = tank_words.NOTES_NONE.format(name=tank.name)
        return f'<section class="pv-card pv-notes">{heading}<p>{escape(text)}</p></section>'
    rows = "".join(
        _note_row(note, histories.get(note.id, ()), tank, names=names, today=today)
        for note in notes
    )
    by_tool = any(note.judge is Judge.TOOL for note in notes)
    shown = tank_words.PAGE_OF.format(first=offset + 1, last=offset + len(notes), total=n_notes)
    return (
        f'<section class="pv-card pv-notes">{heading}<p role="status">{escape(shown)}</p>'
        f'<ul class="pv-rows">{rows}</ul>{_turn(offset, len(notes), n_notes)}'
        f"{caution() if by_tool else ''}</section>"
    )


def _turn(offset: int, n_shown: int, n_notes: int) -> str:
    if offset == 0 and n_shown >= n_notes:
        return ""
    buttons = "".join(
        f'<button type="button" data-do="turn" data-number="{step}" data-place="turn{step}" '
        f'aria-disabled="{"true" if is_off else "false"}">{escape(name)}</button>'
        for step, name, is_off in (
            (-1, tank_words.NEWER, offset == 0),
            (1, tank_words.OLDER, offset + n_shown >= n_notes),
        )
    )
    return f'<div class="pv-turn">{buttons}</div>'


def _note_row(
    note: Note,
    history: Sequence[Change],
    tank: Tank,
    *,
    names: Mapping[int, str],
    today: date,
) -> str:
    when = tank_words.moment_in_words(note.at, today=today)
    what = said(note)
    if note.tank != tank.name:
        what = f"{tank_words.CAME_FROM.format(tank=note.tank)}: {what}"
    more = [
        note.source and tank_words.FROM.format(source=note.source),
        note.batch and tank_words.IN_BATCH.format(batch=note.batch),
        note.remark,
    ]
    told = "; ".join(item for item in more if item)
    remarks = f"<p>{escape(told)}</p>" if told else ""
    is_tools = note.judge is Judge.TOOL
    unseen = f'<p class="pv-by-tool">{escape(tank_words.BY_TOOL)}</p>' if is_tools else ""
    buttons = [
        button(what_it_does, name, number=note.id, named=named.format(number=note.id))
        for what_it_does, name, named in (
            ("correct", tank_words.CORRECT, tank_words.CORRECT_NAMED),
            ("delete", tank_words.DELETE, tank_words.DELETE_NAMED),
        )
    ]
    if is_tools:
        named = tank_words.LOOKED_AT_NAMED.format(number=note.id)
        buttons.insert(0, button("looked", tank_words.LOOKED_AT, number=note.id, named=named))
    return (
        f'<li class="pv-row pv-note"><div class="pv-note-says"><p><strong>{escape(when)}</strong> '
        f'<span class="pv-note-number">{note.id}</span><br>{escape(what)}</p>'
        f"{unseen}{remarks}{_history(history, names)}</div>"
        f'<div class="pv-note-does">{"".join(buttons)}</div></li>'
    )


def _history(history: Sequence[Change], names: Mapping[int, str]) -> str:
    lines = "".join(f"<li>{escape(change_in_words(change, names))}</li>" for change in history)
    if not lines:
        return ""
    return (
        f"<details><summary>{escape(tank_words.CHANGED_BEFORE)}</summary><ul>{lines}</ul></details>"
    )


def change_in_words(change: Change, names: Mapping[int, str]) -> str:
    """Say what was done: when, by whom, and which fields went from what to what."""
    before, after = change.before, change.after
    which = "written" if before is None else "deleted" if after is None else "changed"
    row = (after or before) or {}
    what = str(row.get("name", change.row)) if change.is_of == "tank" else str(change.row)
    told = tank_words.CHANGE_ROW[change.is_of, which].format(what=what)
    if change.is_of == "note" and (tank := names.get(row.get("tank", 0))):
        told += f" ({tank}: {tank_words.KINDS.get(row['kind'], row['kind']).lower()})"
    if before is not None and after is not None:
        told += ": " + ", ".join(_moved(before, after, names))
    undone = f" – {tank_words.IS_UNDONE}" if change.is_undone else ""
    at = change.at.astimezone()
    return f"{at:%Y-%m-%d %H:%M}, {change.who}: {told}{undone}"


def _moved(
    before: Mapping[str, Any], after: Mapping[str, Any], names: Mapping[int, str]
) -> Iterable[str]:
    for name, value in after.items():
        old = before.get(name)
        if old == value or name == "offset_min":
            continue
        called = tank_words.COLUMNS.get(name, tank_words.FIELDS.get(name, name))
        yield f"{called}: {_cell(name, old, names)} → {_cell(name, value, names)}"


def _cell(name: str, value: Any, names: Mapping[int, str]) -> str:
    if value is None:
        return tank_words.EMPTY_CELL
    if name in {"tank", "other"}:
        return names.get(value, str(value))
    if name == "at":
        return f"{datetime.fromisoformat(value).astimezone():%Y-%m-%d %H:%M}"
    if name == "brooding":
        return tank_words.YES if value else tank_words.NO
    return f"{value:g}" if isinstance(value, float) else str(value)


def brought(taken: Taken, *, can_undo: bool) -> str:
    """Say what came of a table: what was kept, what was there, and each line that could not be."""
    sentences = [tank_words.added(len(taken.added))]
    if taken.n_known:
        sentences.append(tank_words.TABLE_KNOWN.format(n=tank_words.notes(taken.n_known)))
    sentences += taken.remarks
    undo = (button("undo-table", tank_words.TABLE_UNDO),) if can_undo else ()
    html = done(" ".join(sentences), *undo)
    if not taken.complaints:
        return html
    complaints = sorted(taken.complaints, key=_line_of)
    lines = "".join(
        f"<li>{escape(tank_words.on_page(line))}</li>" for line in complaints[:MOST_COMPLAINTS]
    )
    n_more = len(taken.complaints) - MOST_COMPLAINTS
    if n_more > 0:
        lines += f"<li>{escape(tank_words.TABLE_MORE.format(n=n_more))}</li>"
    return (
        f'{html}<div class="pv-card"><p>{escape(tank_words.TABLE_COMPLAINTS)}</p>'
        f"<ul>{lines}</ul></div>"
    )


def _line_of(complaint: str) -> int:
    """Give the line of the table that a complaint is about, to put complaints in their order."""
    found = re.match(r"Line (\d+)", complaint)
    return int(found[1]) if found else 0


def last_changes(
    changes: Sequence[Change], names: Mapping[int, str], *, can_undo: bool, said: str = ""
) -> str:
    """Give what was done last, and the button that takes the newest of it back."""
    status = f'<p class="pv-said" role="status">{escape(said)}</p>'
    if not changes:
        return f'<div class="pv-card">{status}<p>{escape(tank_words.LAST_CHANGES_NONE)}</p></div>'
    lines = "".join(f"<li>{escape(line)}</li>" for line in _by_step(changes, names))
    undo = button("undo-last", tank_words.UNDO_LAST) if can_undo else ""
    return f'<div class="pv-card">{status}<div class="pv-turn">{undo}</div><ul>{lines}</ul></div>'


def _by_step(changes: Sequence[Change], names: Mapping[int, str]) -> Iterable[str]:
    """Give one line a step: what was done together is undone together."""
    steps: dict[int, list[Change]] = {}
    for change in changes:
        steps.setdefault(change.step, []).append(change)
    for together in steps.values():
        line = change_in_words(together[-1], names)
        if len(together) > 1:
            line += f" {tank_words.AND_MORE}"
        yield line


def files(paths: Sequence[Path], *, said: str) -> str:
    """Give links to files of our own making. Their paths hold nothing that a person typed."""
    links = "".join(
        f'<a class="pv-link" href="gradio_api/file={path.as_posix()}" download="{escape(path.name)}">'
        f"{escape(tank_words.SAVE_FILE.format(name=path.name))}</a>"
        for path in paths
    )
    return (
        f'<div class="pv-card pv-verdict pv-done" tabindex="-1"><p role="status">{escape(said)}</p>'
        f'<div class="pv-files">{links}</div></div>'
    )
