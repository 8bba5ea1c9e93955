"""The commands of the log: what was seen, taken, added, moved and lost in each tank."""

from __future__ import annotations

from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path  # noqa: TC003  typer reads the annotations
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pestvision.cli.answers import UsageError, answering, complain
from pestvision.cli.given import parsed_number
from pestvision.cli.options import DataOption, JsonOption  # noqa: TC001  so does this
from pestvision.cli.text import folded, printable
from pestvision.errors import LogError
from pestvision.storage.place import data_folder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pestvision.tanks.log import TankLog

EXIT_STATUSES = (
    "Exit status: 0 done; 2 wrong usage; 3 what you gave cannot be used, or the folder cannot be written "
    "to; 4 the log is damaged."
)
tank = typer.Typer(
    name="tank",
    help=(
        "Keep the log of your tanks, and ask it what it says.\n\n"
        "How many leeches are left, how sure a tank is clear, which tanks have touched, what must wait."
    ),
    epilog=EXIT_STATUSES,
    no_args_is_help=True,
    rich_markup_mode=None,
)

NameArgument = Annotated[str, typer.Argument(metavar="TANK", help="The tank's name.")]
WhoOption = Annotated[
    str, typer.Option("--who", metavar="NAME", help="Who writes: one name for each person.")
]
AtOption = Annotated[
    str | None,
    typer.Option(
        "--at",
        metavar="TIME",
        help="When: 21:30, 2026-03-14 or '2026-03-14 21:30'; by default now.",
    ),
]
SeenOption = Annotated[
    str | None,
    typer.Option("--seen", metavar="NUMBER", help="How many were seen; 0 for a clean look."),
]
TakenOption = Annotated[
    str | None,
    typer.Option("--taken", metavar="NUMBER", help="How many of them were taken out."),
]
ByOption = Annotated[
    str | None,
    typer.Option("--by", metavar="MEANS", help="How it was looked: eye, photo or trap."),
]
MinutesOption = Annotated[
    str | None, typer.Option("--minutes", metavar="NUMBER", help="How long the look took.")
]
BroodingOption = Annotated[
    bool | None,
    typer.Option(
        "--brooding/--not-brooding", help="One of them carried eggs or young under its body."
    ),
]
SmallestOption = Annotated[
    str | None,
    typer.Option("--smallest-mm", metavar="MM", help="How long the smallest was."),
]
LargestOption = Annotated[
    str | None,
    typer.Option("--largest-mm", metavar="MM", help="How long the largest was."),
]
HatchlingsOption = Annotated[
    str | None,
    typer.Option("--hatchlings", metavar="NUMBER", help="How many were of hatchling size."),
]
PestOption = Annotated[
    str | None,
    typer.Option("--pest", metavar="PEST", help="leech-like (the default) or flatworm-like."),
]
CountOption = Annotated[
    str | None,
    typer.Option("--count", metavar="NUMBER", help="How many died, came, moved or were sold."),
]
StageOption = Annotated[
    str | None,
    typer.Option(
        "--stage",
        metavar="STAGE",
        help="Of snails that died: hatchling, juvenile, adult or unknown.",
    ),
]
CargoOption = Annotated[
    str | None,
    typer.Option(
        "--cargo",
        metavar="CARGO",
        help="What came or moved: animals, plants, stones, water, food, 'wild finds' or tools.",
    ),
]
WhatOption = Annotated[
    str | None,
    typer.Option("--what", metavar="TEXT", help="Which, in your words; how it was taken out."),
]
SourceOption = Annotated[
    str | None, typer.Option("--source", metavar="TEXT", help="Where it is from.")
]
ToOption = Annotated[
    str | None, typer.Option("--to", metavar="TANK", help="Of a move: the tank it went to.")
]
BatchOption = Annotated[
    str | None,
    typer.Option("--batch", metavar="NAME", help="The quarantine batch that it belongs to."),
]
RemarkOption = Annotated[
    str | None, typer.Option("--remark", metavar="TEXT", help="Anything else.")
]


@contextmanager
def opened(data: Path | None) -> Iterator[TankLog]:
    """Open the log, made where there is none yet."""
    from pestvision.tanks.log import TankLog

    with TankLog(data_folder(data)) as log:
        yield log


def litres_of(text: str | None) -> float | None:
    """Read a volume in litres.

    Raises
    ------
    LogError
        If it is no number.
    """
    if text is None:
        return None
    try:
        return float(text.replace(",", "."))
    except ValueError as error:
        message = f"--litres was given as '{text[:40]}', and a number was expected."
        raise LogError(message, advice="Give litres alone; a US gallon is 3.8 of them.") from error


@tank.command(epilog=EXIT_STATUSES)
@answering
def add(
    name: NameArgument,
    litres: Annotated[
        str | None, typer.Option("--litres", metavar="NUMBER", help="Its volume in litres.")
    ] = None,
    lives: Annotated[
        str | None, typer.Option("--lives", metavar="TEXT", help="What lives in it.")
    ] = None,
    use: Annotated[
        str | None,
        typer.Option(
            "--use", metavar="TEXT", help="What it is for: breeding, grow-out, display, quarantine."
        ),
    ] = None,
    who: WhoOption = "keeper",
    data: DataOption = None,
) -> None:
    """Add a tank to the log."""
    from pestvision.cli.tank_text import tank_text

    with opened(data) as log:
        made = log.add_tank(name, litres=litres_of(litres), lives=lives, use=use, who=who)
    typer.echo(f"Added {tank_text(made)}.")


@tank.command(epilog=EXIT_STATUSES)
@answering
def change(
    name: NameArgument,
    new_name: Annotated[
        str | None, typer.Option("--name", metavar="NAME", help="Its new name.")
    ] = None,
    litres: Annotated[
        str | None, typer.Option("--litres", metavar="NUMBER", help="Its volume in litres.")
    ] = None,
    lives: Annotated[
        str | None, typer.Option("--lives", metavar="TEXT", help="What lives in it.")
    ] = None,
    use: Annotated[
        str | None, typer.Option("--use", metavar="TEXT", help="What it is for.")
    ] = None,
    who: WhoOption = "keeper",
    data: DataOption = None,
) -> None:
    """Change what the log says of a tank; its notes go with it."""
    from pestvision.cli.tank_text import tank_text

    given: dict[str, Any] = {"name": new_name, "lives": lives, "use": use}
    changed = {key: value for key, value in given.items() if value is not None}
    if litres is not None:
        changed["litres"] = litres_of(litres)
    if not changed:
        raise UsageError(
            "Nothing was given that is to be changed.",
            advice="Give --name, --litres, --lives or --use.",
        )
    with opened(data) as log:
        made = log.change_tank(name, who=who, **changed)
    typer.echo(f"Now it is {tank_text(made)}.")


@tank.command(epilog=EXIT_STATUSES)
@answering
def note(
    name: NameArgument,
    kind: Annotated[
        str,
        typer.Argument(
            metavar="KIND",
            help=(
                "looked, removed, died, added, moved, treated, cleaned, emptied, restocked or sold."
            ),
        ),
    ],
    seen: SeenOption = None,
    taken: TakenOption = None,
    by: ByOption = None,
    minutes: MinutesOption = None,
    brooding: BroodingOption = None,
    smallest_mm: SmallestOption = None,
    largest_mm: LargestOption = None,
    hatchlings: HatchlingsOption = None,
    pest: PestOption = None,
    count: CountOption = None,
    stage: StageOption = None,
    cargo: CargoOption = None,
    what: WhatOption = None,
    source: SourceOption = None,
    to: ToOption = None,
    batch: BatchOption = None,
    remark: RemarkOption = None,
    at: AtOption = None,
    who: WhoOption = "keeper",
    as_json: JsonOption = False,
    data: DataOption = None,
) -> None:
    """Write down one thing that was seen or done in a tank.

    A clean night counts, so write it down too: pestvision tank note Amber looked --seen 0 --minutes 15

    A night's work in one line: pestvision tank note Amber looked --seen 14 --taken 12 --minutes 30
    """
    from pestvision.cli.tank_text import advice_lines, note_json, note_text
    from pestvision.cli.tank_work import drafted, fields_of
    from pestvision.cli.work import json_line
    from pestvision.guidance.needed import cards_for_note

    given = fields_of(
        seen=seen, taken=taken, means=by, minutes=minutes, brooding=brooding, smallest_mm=smallest_mm,
        largest_mm=largest_mm, hatchlings=hatchlings, pest=pest, count=count, stage=stage, cargo=cargo,
        what=what, source=source, other=to, batch=batch, remark=remark, at=at, now=datetime.now(UTC),
    )  # fmt: skip
    with opened(data) as log:
        (written,) = log.add(drafted(name, kind, given, now=log.now()), who=who)
    if as_json:
        typer.echo(json_line(note_json(written)))
        return
    typer.echo(f"Written:\n{note_text(written)}")
    for line in advice_lines(cards_for_note(written)):
        typer.echo(folded(line))


@tank.command(epilog=EXIT_STATUSES)
@answering
def correct(
    number: Annotated[str, typer.Argument(metavar="NUMBER", help="The note's number.")],
    seen: SeenOption = None,
    taken: TakenOption = None,
    by: ByOption = None,
    minutes: MinutesOption = None,
    brooding: BroodingOption = None,
    smallest_mm: SmallestOption = None,
    largest_mm: LargestOption = None,
    hatchlings: HatchlingsOption = None,
    pest: PestOption = None,
    count: CountOption = None,
    stage: StageOption = None,
    cargo: CargoOption = None,
    what: WhatOption = None,
    source: SourceOption = None,
    to: ToOption = None,
    batch: BatchOption = None,
    remark: RemarkOption = None,
    at: AtOption = None,
    in_tank: Annotated[
        str | None, typer.Option("--tank", metavar="TANK", help="The tank it belongs to.")
    ] = None,
    looked_at: Annotated[
        bool,
        typer.Option(
            "--looked-at",
            help="You have looked at what the program saw; from now on it is your note.",
        ),
    ] = False,
    who: WhoOption = "keeper",
    data: DataOption = None,
) -> None:
    """Correct a note; what it said before stays in its history.

    A field given as - is emptied.
    """
    from pestvision.cli.tank_text import note_text
    from pestvision.cli.tank_work import fields_of
    from pestvision.tanks.records import Judge

    changed = fields_of(
        seen=seen, taken=taken, means=by, minutes=minutes, brooding=brooding, smallest_mm=smallest_mm,
        largest_mm=largest_mm, hatchlings=hatchlings, pest=pest, count=count, stage=stage, cargo=cargo,
        what=what, source=source, other=to, batch=batch, remark=remark, at=at, now=datetime.now(UTC),
    )  # fmt: skip
    if in_tank is not None:
        changed["tank"] = in_tank
    if looked_at:
        changed["judge"] = Judge.KEEPER
    if not changed:
        raise UsageError(
            "Nothing was given that is to be corrected.",
            advice="Give the field that is wrong, such as --seen 3.",
        )
    with opened(data) as log:
        made = log.change(parsed_number(number, "NUMBER"), who=who, **changed)
    typer.echo(f"Now it says:\n{note_text(made)}")


@tank.command(epilog=EXIT_STATUSES)
@answering
def delete(
    number: Annotated[str, typer.Argument(metavar="NUMBER", help="The note's number.")],
    who: WhoOption = "keeper",
    data: DataOption = None,
) -> None:
    """Take a note out of the log.

    Its history stays, and undo brings it back.
    """
    from pestvision.cli.tank_text import note_text

    with opened(data) as log:
        gone = log.remove(parsed_number(number, "NUMBER"), who=who)
    typer.echo(f"Deleted:\n{note_text(gone)}\nTo bring it back: pestvision tank undo")


@tank.command(epilog=EXIT_STATUSES)
@answering
def undo(data: DataOption = None) -> None:
    """Take the last thing back that was done to the log."""
    from pestvision.cli.tank_text import change_text

    with opened(data) as log:
        for change_taken_back in log.undo():
            typer.echo(f"Taken back: {change_text(change_taken_back)}")


@tank.command(epilog=EXIT_STATUSES)
@answering
def history(
    number: Annotated[
        str | None,
        typer.Argument(metavar="NUMBER", help="A note's number; left out, of the whole log."),
    ] = None,
    data: DataOption = None,
) -> None:
    """Say what was written, corrected and deleted, when and by whom."""
    from pestvision.cli.tank_text import change_text

    with opened(data) as log:
        found = log.changes() if number is None else log.history(parsed_number(number, "NUMBER"))
    if not found:
        message = "The log has no history of that."
        raise LogError(message, advice="See the numbers with: pestvision tank status TANK")
    for item in found:
        typer.echo(change_text(item))


@tank.command(name="import", epilog=EXIT_STATUSES)
@answering
def import_(
    table: Annotated[
        Path, typer.Argument(metavar="FILE", help="A CSV table of notes, one a line.")
    ],
    who: WhoOption = "keeper",
    data: DataOption = None,
) -> None:
    """Take notes in from a CSV table.

    The first line names the columns: tank, at and kind, and any of the others that an export has. A row
    that cannot be kept is named with its line, and the others are kept.
    """
    from pestvision.cli.tank_text import taken_lines
    from pestvision.tanks.tables import read_table, take_notes

    text = read_table(table)
    with opened(data) as log:
        taken = take_notes(log, text, who=who)
    for sentence in taken.complaints:
        complain(sentence)
    for line in taken_lines(taken):
        typer.echo(printable(line))
    if taken.complaints and not taken.added and not taken.n_known:
        raise typer.Exit(LogError.exit_status)


@tank.command(epilog=EXIT_STATUSES)
@answering
def export(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A new folder for the tables.")],
    data: DataOption = None,
) -> None:
    """Write the log out as CSV tables.

    Tanks, notes, and the looks as Darwin Core: for a spreadsheet, another computer, or a scientist.
    """
    from pestvision.cli.tank_work import write_tables

    with opened(data) as log:
        n_notes = write_tables(log, folder)
    typer.echo(printable(f"Written: {n_notes} notes, in {folder}"))
