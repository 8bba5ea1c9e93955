"""The commands of the album that hand it on, and take another one in."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  typer reads it at run time
from typing import Annotated

import typer

from pestvision.cli.album import EXIT_STATUSES, WhoOption, album, opened
from pestvision.cli.answers import answering, complain
from pestvision.cli.options import DataOption, JsonOption  # noqa: TC001  typer reads them at run time
from pestvision.cli.text import printable


@album.command(epilog=EXIT_STATUSES)
@answering
def export(
    target: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="A folder that is not there yet, or is empty.")
    ],
    layout: Annotated[
        str,
        typer.Option(
            "--as",
            metavar="LAYOUT",
            help="table, coco (adds a COCO JSON file), or image-folder (adds the crops by label).",
        ),
    ] = "table",
    label: Annotated[
        str | None, typer.Option("--label", metavar="LABEL", help="Only crops of this label.")
    ] = None,
    tank: Annotated[str | None, typer.Option("--tank", metavar="NAME", help="Which tank.")] = None,
    who: Annotated[
        str | None,
        typer.Option("--who", metavar="NAME", help="Who hands it on, for its datasheet."),
    ] = None,
    as_json: JsonOption = False,
    data: DataOption = None,
) -> None:
    """Hand the album on, or a part of it.

    Photos without position or serial numbers, crops, labels with their history, a datasheet and
    checksums. Nothing is written over.
    """
    from dataclasses import asdict

    from pestvision.cli.work import json_line
    from pestvision.collection.exchange import export_album
    from pestvision.collection.records import Wanted

    wanted = Wanted(label=label, tank=tank) if label or tank else None
    with opened(data) as library:
        done = export_album(library, target, layout=layout, who=who, wanted=wanted)
    if as_json:
        typer.echo(json_line({**asdict(done), "folder": str(done.folder)}))
        return
    typer.echo(
        printable(
            f"Written: {done.n_photos} photos, {done.n_crops} crops and {done.n_labels} labels, "
            f"{done.n_bytes / 1e6:.1f} MB, in {done.folder}"
        )
    )


@album.command(name="import", epilog=EXIT_STATUSES)
@answering
def import_(
    source: Annotated[
        Path,
        typer.Argument(
            metavar="SOURCE",
            help=(
                "An exported album; a COCO JSON file; a folder with a folder for each label; or a CSV "
                "file with the columns photo,x0,y0,x1,y1,label."
            ),
        ),
    ],
    who: WhoOption = "keeper",
    as_json: JsonOption = False,
    data: DataOption = None,
) -> None:
    """Take labelled photos in, or another keeper's album.

    What does not agree is listed, not guessed.
    """
    from pestvision.cli.album_text import imported_lines
    from pestvision.cli.album_work import imported_json
    from pestvision.cli.work import json_line
    from pestvision.collection.exchange import import_album

    with opened(data) as library:
        done = import_album(library, source, who=who)
    for name, reason in done.skipped:
        complain(f"Skipped: {reason if name in reason else f'{name}: {reason}'}")
    if as_json:
        typer.echo(json_line(imported_json(done)))
        return
    for line in imported_lines(done):
        typer.echo(printable(line))
