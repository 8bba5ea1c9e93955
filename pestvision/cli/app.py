"""The whole program: its commands in the order of its help, its version, and the entry point.

The larger commands have modules of their own; here are those of the page, the scale card and the selftest.
"""

from __future__ import annotations

import sys
import warnings
from pathlib import Path  # noqa: TC003  typer reads it at run time
from typing import Annotated

import typer

from pestvision import __version__
from pestvision.cli import album_learn, album_sharing, tank_ask  # noqa: F401  add their commands
from pestvision.cli.album import album
from pestvision.cli.answers import answering
from pestvision.cli.backups import backup, restore
from pestvision.cli.check import check
from pestvision.cli.clip import clip
from pestvision.cli.given import asked_password, parsed_port, with_costs
from pestvision.cli.night import night
from pestvision.cli.options import (  # noqa: TC001  typer reads them at run time
    CostsOption,
    DataOption,
    JsonOption,
    SettingsOption,
)
from pestvision.cli.tank import tank
from pestvision.cli.text import printable
from pestvision.cli.work import json_line
from pestvision.settings import load_settings
from pestvision.storage.place import data_folder

EXIT_STATUSES = (
    "Exit status: 0 done, whatever was found; 2 wrong usage; 3 what you gave cannot be used; "
    "4 the weights or the album are damaged."
)

app = typer.Typer(
    name="pestvision",
    help=(
        "Tell leech-like, flatworm-like and harmless organisms apart in photos of snail tanks, and "
        "find what moved on the glass overnight. Works on this computer alone; nothing is sent "
        "anywhere. The answers are a computer's reading of pictures, not a diagnosis."
    ),
    epilog=EXIT_STATUSES,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    pretty_exceptions_show_locals=False,
    context_settings={"help_option_names": ["--help", "-h"]},
)

app.add_typer(album)
app.add_typer(tank)
app.command(epilog=EXIT_STATUSES)(clip)
app.command(epilog=EXIT_STATUSES)(check)
app.command(epilog=EXIT_STATUSES)(night)


@answering
def _print_version(is_wanted: bool) -> None:
    if not is_wanted:
        return
    from pestvision.cli.selftest import weights_line

    typer.echo(f"pestvision {__version__}")
    typer.echo(printable(weights_line()))
    raise typer.Exit


@app.callback()
def _whole_program(
    version: Annotated[
        bool,
        typer.Option(
            "--version",
            callback=_print_version,
            is_eager=True,
            help="Print the version and the checksum of the weights.",
        ),
    ] = False,
) -> None:
    pass


@app.command(epilog=EXIT_STATUSES)
@answering
def page(
    port: Annotated[
        str | None,
        typer.Option(
            "--port", metavar="NUMBER", help="The port; by default the first free one from 7860 on."
        ),
    ] = None,
    lan: Annotated[
        bool,
        typer.Option(
            "--lan", help="Let other devices of your own network open the page, with a password."
        ),
    ] = False,
    no_open: Annotated[
        bool, typer.Option("--no-open", help="Say where the page is, and leave the browser alone.")
    ] = False,
    costs: CostsOption = None,
    data: DataOption = None,
    settings: SettingsOption = None,
) -> None:
    """Open the page in the browser.

    For a close-up, a night's folder, or your album.

    Only this computer can open it, unless --lan is given.
    """
    chosen = with_costs(load_settings(settings), costs)
    wanted_port = None if port is None else parsed_port(port)
    password = asked_password() if lan else None

    from pestvision.web.serve import run_page

    run_page(
        settings=chosen,
        port=wanted_port,
        lan_password=password,
        open_browser=not no_open,
        tell=typer.echo,
        album_folder=data_folder(data),
    )


@app.command("scale-card", epilog=EXIT_STATUSES)
@answering
def scale_card(
    paper: Annotated[
        str, typer.Option("--paper", metavar="PAPER", help="The paper to print on: a4 or letter.")
    ] = "a4",
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FILE",
            help=(
                "A PDF or a PNG to be made; by default pestvision-scale-card.pdf in the current "
                "folder. What is there already is never written over."
            ),
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Make a card to print that tells the size of animals.

    Print it in true size, measure its bar, and lay it beside the animal when you take the photo.
    """
    from pestvision.cli.card_work import card_lines, made_card

    made = made_card(paper, out)
    for line in [json_line(made)] if as_json else card_lines(made):
        typer.echo(printable(line))


app.command(epilog=EXIT_STATUSES)(backup)
app.command(epilog=EXIT_STATUSES)(restore)


@app.command(epilog=EXIT_STATUSES)
@answering
def selftest() -> None:
    """Try out this installation: weights, a drawn animal, versions."""
    from pestvision.cli.selftest import run_selftest, versions

    for name, version in versions():
        typer.echo(f"{name} {version}")
    for passed in run_selftest():
        typer.echo(f"works: {printable(passed)}")
    typer.echo("Everything needed is here and works.")


def main() -> None:
    """Run the command line: the entry point `pestvision`."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a stream that cannot show a letter shows its code
            stream.reconfigure(errors="backslashreplace")
    if not sys.warnoptions:  # libraries' remarks on a photo are not for the person who took it
        warnings.simplefilter("ignore")
    app(prog_name="pestvision")
