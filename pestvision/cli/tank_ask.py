"""The commands that ask the log: how tanks stand, when one is clear, contacts, advice."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from pestvision.cli.answers import answering, complain
from pestvision.cli.options import DataOption, JsonOption  # noqa: TC001  so does this
from pestvision.cli.tank import EXIT_STATUSES, NameArgument, opened, tank
from pestvision.cli.text import folded, printable
from pestvision.settings import load_settings

SettingsOption = Annotated[
    Path | None,
    typer.Option("--settings", metavar="FILE", help="A TOML file with settings of your own."),
]
OneTank = Annotated[
    str | None, typer.Argument(metavar="TANK", help="One tank; left out, all of them.")
]


@tank.command(epilog=EXIT_STATUSES)
@answering
def status(
    name: OneTank = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
    data: DataOption = None,
) -> None:
    """Say how every tank stands, or one in full.

    The most urgent comes first. What the program says of photos does not count as a look until you say that you have looked at them.
    """
    from pestvision.cli.tank_text import shelf_lines, standing_json, tank_lines
    from pestvision.cli.work import json_line
    from pestvision.tanks.standing import standings

    chosen = load_settings(settings).tanks
    now = datetime.now(UTC).astimezone()
    with opened(data) as log:
        wanted = None if name is None else log.tank(name).name
        found = standings(log.tanks(), log.notes(), now=now, settings=chosen)
    shown = [one for one in found if wanted in {None, one.tank.name}]
    if as_json:
        for one in shown:
            typer.echo(json_line(standing_json(one)))
        return
    lines = shelf_lines(shown, now=now) if wanted is None else tank_lines(shown[0], settings=chosen)
    for line in lines:
        typer.echo(folded(line))


@tank.command(epilog=EXIT_STATUSES)
@answering
def forecast(
    name: NameArgument,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
    data: DataOption = None,
) -> None:
    """Say when a tank may be called probably clear.

    For several ways to go on. A probability under the assumptions that are printed with it, not a guarantee.
    """
    from pestvision.cli.tank_text import forecast_json, forecast_lines
    from pestvision.cli.work import json_line
    from pestvision.tanks.standing import outlook_of, standings

    chosen = load_settings(settings).tanks
    now = datetime.now(UTC).astimezone()
    with opened(data) as log:
        wanted = log.tank(name).name
        found = standings(log.tanks(), log.notes(), now=now, settings=chosen)
    (standing,) = (one for one in found if one.tank.name == wanted)
    ahead = outlook_of(standing)
    if as_json:
        typer.echo(json_line(forecast_json(standing, ahead)))
        return
    for line in forecast_lines(standing, ahead):
        typer.echo(folded(line))


@tank.command(epilog=EXIT_STATUSES)
@answering
def contacts(
    name: OneTank = None,
    svg: Annotated[
        Path | None,
        typer.Option("--svg", metavar="FILE", help="Write a picture of it into this file."),
    ] = None,
    settings: SettingsOption = None,
    as_json: JsonOption = False,
    data: DataOption = None,
) -> None:
    """Say which tanks have touched.

    Which are exposed and since when, and what to check first.
    Of one tank also the ways by which leeches may have come into it. Everything is a way that they could
    have gone along what the log holds, and no finding.
    """
    from pestvision.cli.tank_text import contacts_lines, state_json, ways_lines
    from pestvision.cli.work import json_line
    from pestvision.tanks.contacts import look_back_words, tank_states, ways_in
    from pestvision.tanks.standing import cleared_of, standings

    chosen = load_settings(settings).tanks
    now = datetime.now(UTC).astimezone()
    with opened(data) as log:
        tanks, notes = log.tanks(), log.notes()
        wanted = None if name is None else log.tank(name).name
    names = [each.name for each in tanks]
    cleared = cleared_of(standings(tanks, notes, now=now, settings=chosen))
    back = 7 * chosen.brooding_weeks
    states = [
        state
        for state in tank_states(
            notes, today=now.date(), tanks=names, window_days=back, cleared=cleared
        )
        if wanted in {None, state.tank}
    ]
    if svg is not None:
        from pestvision.report.contact_picture import contact_svg
        from pestvision.storage.whole_file import write_whole_file

        drawn = contact_svg(notes, tanks=names, today=now.date(), window_days=back, cleared=cleared)
        complain(f"The picture is written: {write_whole_file(svg, drawn)}")
    if as_json:
        for state in states:
            typer.echo(json_line(state_json(state)))
        return
    for line in contacts_lines(states):
        typer.echo(folded(line))
    if wanted is not None:
        for line in ways_lines(ways_in(notes, wanted, window_days=back)):
            typer.echo(folded(line))
    typer.echo(folded(look_back_words(back)))


@tank.command(epilog=EXIT_STATUSES)
@answering
def report(
    name: NameArgument,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FILE",
            help="Where it goes; by default TANK.html in the current folder.",
        ),
    ] = None,
    for_buyer: Annotated[
        bool,
        typer.Option(
            "--for-buyer",
            help="A record of looks for a buyer, on one page; it is no certificate.",
        ),
    ] = False,
    settings: SettingsOption = None,
    data: DataOption = None,
) -> None:
    """Write a page about a tank that prints on two sheets at the most.

    How it stands, how many are left, how sure it is clear, what it touched, and what to take care of.
    """
    from pestvision.cli.tank_work import file_name_of, report_html
    from pestvision.storage.whole_file import write_whole_file

    chosen = load_settings(settings).tanks
    now = datetime.now(UTC).astimezone()
    with opened(data) as log:
        wanted = log.tank(name).name
        text = report_html(log, wanted, now=now, settings=chosen, for_buyer=for_buyer)
    target = out or Path(file_name_of(wanted, for_buyer=for_buyer))
    if target.is_dir():
        target /= file_name_of(wanted, for_buyer=for_buyer)
    typer.echo(printable(f"The page is written: {write_whole_file(target, text)}"))


@tank.command(epilog=EXIT_STATUSES)
@answering
def remind(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="The calendar file to be made: looks.ics.")
    ] = Path("looks.ics"),
    settings: SettingsOption = None,
    data: DataOption = None,
) -> None:
    """Write the looks due as a calendar file.

    For a telephone or a computer (iCalendar). It holds the names of the tanks and why each look is due, and nothing else of the log.
    """
    from pestvision.storage.whole_file import write_whole_file
    from pestvision.tanks.dues import dues_of
    from pestvision.tanks.keys import log_key
    from pestvision.tanks.reminders import looks_calendar
    from pestvision.tanks.standing import standings

    chosen = load_settings(settings).tanks
    now = datetime.now(UTC).astimezone()
    with opened(data) as log:
        found = standings(log.tanks(), log.notes(), now=now, settings=chosen)
        key = log_key(log)
    text = looks_calendar(dues_of(found, now=now), key=key, written=now, settings=chosen)
    typer.echo(printable(f"The looks due are written: {write_whole_file(file, text)}"))


@tank.command(epilog=EXIT_STATUSES)
@answering
def advice(
    card: Annotated[
        str | None, typer.Argument(metavar="CARD", help="A card; left out, all are listed.")
    ] = None,
) -> None:
    """Give handling advice, on short cards.

    Each says what to take care of, how sure it is, and where it is from.
    """
    from pestvision.guidance import guidance

    if card is not None:
        typer.echo(guidance.as_text(guidance.card(card)).rstrip())
        return
    for each in guidance.every_card():
        typer.echo(f"{each.id:<22} {each.title}")
    typer.echo("Read one with: pestvision tank advice CARD")
