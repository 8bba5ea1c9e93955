"""The commands themselves: read what was typed, call the one stage that does it, print the answer."""

from __future__ import annotations

import sys
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pestvision import __version__
from pestvision.cli import tank_ask  # noqa: F401  adds its commands
from pestvision.cli.album import album
from pestvision.cli.answers import answering, complain
from pestvision.cli.clip import clip
from pestvision.cli.given import (
    asked_password,
    parsed_box,
    parsed_port,
    require_folder,
    require_writable,
    with_costs,
)
from pestvision.cli.options import (  # noqa: TC001  typer reads them at run time
    CostsOption,
    DataOption,
    JsonOption,
    SettingsOption,
)
from pestvision.cli.scale_options import (
    BarOption,
    CoinNumberOption,
    CoinOption,
    RulerOption,
    ScaleCardOption,
    ScalePhotoOption,
    TwoPointsOption,
    require_one_photo,
    scale_of_night,
    wanted_scale,
)
from pestvision.cli.tank import tank
from pestvision.cli.tank_work import require_tank, write_scan
from pestvision.cli.text import GO_ON, caution_text, check_text, printable
from pestvision.cli.work import (
    advice_text,
    checked,
    finish_night,
    json_line,
    load_classifier,
    parsed_jobs,
    print_view,
    processes,
    save_crops,
    say_what_is_kept,
    stop_night,
    with_own_labels,
)
from pestvision.errors import PersonError
from pestvision.settings import load_settings
from pestvision.storage.place import data_folder

if TYPE_CHECKING:
    from pestvision.findings.finding import ViewResult

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
def check(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO", help="One photo or more.")],
    as_json: JsonOption = False,
    box: Annotated[
        str | None,
        typer.Option(
            "--box",
            metavar="X0,Y0,X1,Y1",
            help="Judge only this part of a single photo: left, top, right, bottom in pixels.",
        ),
    ] = None,
    crops: Annotated[
        Path | None,
        typer.Option("--crops", metavar="FOLDER", help="Save each crop that was judged here."),
    ] = None,
    two_points: TwoPointsOption = None,
    scale_card: ScaleCardOption = False,
    bar_mm: BarOption = None,
    coin: CoinOption = None,
    coin_number: CoinNumberOption = None,
    ruler: RulerOption = None,
    costs: CostsOption = None,
    data: DataOption = None,
    settings: SettingsOption = None,
) -> None:
    """Find and label the organisms on close-up photos.

    A photo that cannot be used is named on the error stream, with what would do, and the others go
    on; the exit status is 3 only when none could be used.
    """
    chosen = with_costs(load_settings(settings), costs)
    wanted = wanted_scale(
        two_points=two_points,
        scale_card=scale_card,
        bar_mm=bar_mm,
        coin=coin,
        coin_number=coin_number,
        ruler=ruler,
    )
    require_one_photo(wanted, n_photos=len(photos))
    region = None if box is None else parsed_box(box, n_photos=len(photos))
    if crops is not None:
        require_writable(crops)
    classifier = with_own_labels(load_classifier(), data)
    n_used = 0
    labels: set[str] = set()
    try:
        for path in photos:
            try:
                answer = checked(path, classifier, chosen, region, wanted=wanted, as_json=as_json)
            except PersonError as error:
                complain(error.sentence())
                continue
            n_used += 1
            labels.add(answer.verdict.label)
            typer.echo(json_line(answer.as_json()) if as_json else check_text(answer))
            if crops is not None:
                save_crops(answer, crops)
    finally:
        if n_used and not as_json:
            if advice := advice_text(labels):
                typer.echo(advice)
            typer.echo(caution_text())
    if not n_used:
        raise typer.Exit(PersonError.exit_status)


@app.command(epilog=EXIT_STATUSES)
@answering
def night(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="The folder with a night's photos.")
    ],
    as_json: JsonOption = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="Where the report goes; by default pestvision-night-NAME in the current folder.",
        ),
    ] = None,
    jobs: Annotated[
        str | None,
        typer.Option(
            "--jobs",
            metavar="NUMBER",
            help=(
                "How many processes look at the photos: 1 by default, 0 for as many as there are "
                "cores. Each takes as much memory as one alone."
            ),
        ),
    ] = None,
    resume: Annotated[
        bool,
        typer.Option("--resume", help="Go on with a scan that was stopped, where it stopped."),
    ] = False,
    tank_name: Annotated[
        str | None,
        typer.Option(
            "--tank",
            metavar="TANK",
            help="Write what was seen into this tank's log, as the program's look.",
        ),
    ] = None,
    two_points: TwoPointsOption = None,
    scale_card: ScaleCardOption = False,
    bar_mm: BarOption = None,
    coin: CoinOption = None,
    coin_number: CoinNumberOption = None,
    ruler: RulerOption = None,
    scale_photo: ScalePhotoOption = None,
    costs: CostsOption = None,
    data: DataOption = None,
    settings: SettingsOption = None,
) -> None:
    """Find what moved on the glass overnight.

    Goes through a folder of photos and writes a report.

    Photos of several places may lie in sub-folders or mixed. A photo that cannot be used is skipped
    and named; the exit status is 0 if any photo could be used. A scan that is stopped with Ctrl-C, or
    with the computer, keeps what it had finished.
    """
    chosen = with_costs(load_settings(settings), costs)
    wanted = wanted_scale(
        two_points=two_points,
        scale_card=scale_card,
        bar_mm=bar_mm,
        coin=coin,
        coin_number=coin_number,
        ruler=ruler,
    )
    n_jobs = parsed_jobs(jobs)
    require_folder(folder)
    target = out or Path(f"pestvision-night-{folder.resolve().name}")
    require_writable(target)
    if tank_name is not None:
        require_tank(tank_name, data)

    scale = scale_of_night(folder, wanted, scale_photo, settings=chosen)

    from pestvision.cli.bar import shown_progress
    from pestvision.findings.kept import FOLDER_NAME
    from pestvision.findings.night import broken_off, scan_night
    from pestvision.report.write import free_folder

    target = free_folder(target)
    kept = target / FOLDER_NAME
    say_what_is_kept(kept, resume=resume)
    classifier = with_own_labels(load_classifier(), data)
    is_bar_wanted = sys.stderr.isatty() and not (as_json and sys.stdout.isatty())
    finished: list[ViewResult] = []

    def take(view: ViewResult) -> None:
        finished.append(view)
        if as_json:
            print_view(view)

    try:
        with (
            processes(n_jobs) as executor,
            shown_progress(is_wanted=is_bar_wanted) as progress,
        ):
            found = scan_night(
                folder,
                classifier,
                settings=chosen,
                progress=progress,
                on_view=take,
                executor=executor,
                in_flight=2 * n_jobs,
                keep_in=kept,
                resume=resume,
                scale=scale,
            )
    except KeyboardInterrupt:
        stopped = broken_off(folder, finished, classifier, chosen, GO_ON)
        stop_night(stopped, target, kept, as_json=as_json)
    finish_night(found, target, as_json=as_json, classifier=classifier, kept=kept)
    if tank_name is not None:
        for line in write_scan(found, tank_name, data):
            complain(line)


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

    from pestvision.web.app import run_page

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


@app.command(epilog=EXIT_STATUSES)
@answering
def backup(
    target: Annotated[
        Path, typer.Argument(metavar="FILE", help="The backup to be made, such as tanks.zip.")
    ],
    data: DataOption = None,
) -> None:
    """Make a backup of album and log in one file.

    Pictures, labels, versions, tanks and notes are in it. The page may go on meanwhile. What is there already is never written over.
    """
    from pestvision.storage.backup import back_up

    made = back_up(data_folder(data), target)
    for path in made.missing:
        complain(f"Not in the backup, because it is damaged or gone: {path}")
    typer.echo(
        printable(f"Backed up: {made.n_photos} photos, {made.n_bytes / 1e6:.1f} MB, in {made.path}")
    )


@app.command(epilog=EXIT_STATUSES)
@answering
def restore(
    source: Annotated[Path, typer.Argument(metavar="FILE", help="A backup that was made.")],
    replace_newer: Annotated[
        bool,
        typer.Option(
            "--replace-newer",
            help="Also where there is something now that the backup does not hold.",
        ),
    ] = False,
    data: DataOption = None,
) -> None:
    """Bring a backup of album and log back.

    The backup is checked whole before anything is changed, and what was there is moved aside, not
    deleted. Close the page first.
    """
    from pestvision.storage.restore import restore as bring_back

    done = bring_back(source, data_folder(data), replace_newer=replace_newer)
    typer.echo(printable(f"Brought back: {done.n_photos} photos, in {done.data_folder}"))
    if done.put_aside is not None:
        typer.echo(printable(f"What was there before is in {done.put_aside}"))


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
