"""The commands of the album on learning: let the net learn, choose what is used, see how people agree."""

from __future__ import annotations

from typing import Annotated

import typer

from pestvision.cli.album import EXIT_STATUSES, WhoOption, album, opened
from pestvision.cli.answers import answering
from pestvision.cli.given import parsed_number
from pestvision.cli.options import DataOption, JsonOption  # noqa: TC001  typer reads them at run time
from pestvision.cli.text import caution_text, printable
from pestvision.findings.words import CAUTION

SHIPPED = "shipped"


@album.command(epilog=EXIT_STATUSES)
@answering
def adapt(who: WhoOption = "keeper", as_json: JsonOption = False, data: DataOption = None) -> None:
    """Let the net learn from the labels.

    What it learned is used only where it is better, by more than chance, on photos that it has not
    learned from, and forgets nothing.
    """
    import sys

    from pestvision.cli.bar import shown_progress
    from pestvision.cli.work import json_line, load_classifier
    from pestvision.collection.adapt import adapt as learn

    with opened(data) as library:
        classifier = load_classifier()
        with shown_progress(is_wanted=sys.stderr.isatty() and not as_json) as progress:
            outcome = learn(library, classifier, who=who, progress=progress)
    if as_json:
        version = None if outcome.version is None else outcome.version.id
        about = None if outcome.version is None else outcome.version.about
        told = {"adopted": outcome.is_adopted, "version": version, "sentence": outcome.sentence}
        more = {"missing": list(outcome.missing), "about": about, "caution": CAUTION}
        typer.echo(json_line({**told, **more}))
    else:
        typer.echo(printable(outcome.sentence))
        typer.echo(caution_text())


@album.command(epilog=EXIT_STATUSES)
@answering
def trust(
    version: Annotated[
        str | None,
        typer.Argument(
            metavar="VERSION",
            help="A version's number, or 'shipped' for the net as it came. Left out: list them.",
        ),
    ] = None,
    who: WhoOption = "keeper",
    data: DataOption = None,
) -> None:
    """Choose which version of what was learned is used.

    'shipped' goes back to the net as it came; versions and labels are kept.
    """
    from pestvision.cli.album_text import version_text
    from pestvision.collection.adapt import trust as use
    from pestvision.collection.adapt import versions

    with opened(data) as library:
        if version is None:
            found = versions(library)
            for item in found:
                typer.echo(version_text(item))
            if not any(item.is_trusted for item in found):
                typer.echo("The net is used as it came.")
            return
        number = None if version == SHIPPED else parsed_number(version, "VERSION")
        typer.echo(use(library, number, who=who))


@album.command(epilog=EXIT_STATUSES)
@answering
def agree(data: DataOption = None) -> None:
    """Say how well the labels of several people agree."""
    from pestvision.cli.album_work import agreement_lines

    with opened(data) as library:
        for line in agreement_lines(library):
            typer.echo(printable(line))
