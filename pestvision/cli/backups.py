"""The commands `backup` and `restore`: album and log in one file, and back."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  typer reads it at run time
from typing import Annotated

import typer

from pestvision.cli.answers import answering, complain
from pestvision.cli.options import DataOption  # noqa: TC001  typer reads it at run time
from pestvision.cli.text import printable
from pestvision.storage.place import data_folder


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
