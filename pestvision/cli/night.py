"""The command `night`: find what moved on the glass overnight, and write the report."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pestvision.cli.answers import answering, complain
from pestvision.cli.given import require_folder, require_writable, with_costs
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
    scale_of_night,
    wanted_scale,
)
from pestvision.cli.tank_work import require_tank, write_scan
from pestvision.cli.text import GO_ON
from pestvision.cli.work import (
    finish_night,
    load_classifier,
    parsed_jobs,
    print_view,
    processes,
    say_what_is_kept,
    stop_night,
    with_own_labels,
)
from pestvision.settings import load_settings

if TYPE_CHECKING:
    from pestvision.findings.finding import ViewResult


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
