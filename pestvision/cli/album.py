"""The commands of the album: add pictures of one's own, label them, find them, take them out.

`album_learn` adds what the net learns from them, `album_sharing` how an album is given and taken.
"""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path  # noqa: TC003  typer reads it at run time
from typing import TYPE_CHECKING, Annotated

import typer

from pestvision.cli.answers import UsageError, answering, complain
from pestvision.cli.given import parsed_box, parsed_number, parsed_numbers
from pestvision.cli.options import DataOption, JsonOption, SettingsOption  # noqa: TC001  typer reads them at run time
from pestvision.cli.text import caution_text, printable
from pestvision.errors import PhotoError
from pestvision.findings.words import CAUTION
from pestvision.settings import load_settings
from pestvision.storage.place import data_folder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pestvision.collection.library import Library

EXIT_STATUSES = (
    "Exit status: 0 done; 2 wrong usage; 3 what you gave cannot be used, or the folder cannot be written "
    "to; 4 the album or the weights are damaged."
)

album = typer.Typer(
    name="album",
    help=(
        "Keep labelled pictures of your own; the net learns from them.\n\n"
        "Photos are kept without their position, serial numbers and everything else but the picture."
    ),
    epilog=EXIT_STATUSES,
    no_args_is_help=True,
    rich_markup_mode=None,
)

WhoOption = Annotated[
    str, typer.Option("--who", metavar="NAME", help="Who labels: one name for each person.")
]


@contextmanager
def opened(data: Path | None) -> Iterator[Library]:
    """Open the album, made where there is none yet."""
    from pestvision.collection.library import Library

    with Library(data_folder(data)) as library:
        yield library


@album.command(epilog=EXIT_STATUSES)
@answering
def add(
    photos: Annotated[
        list[Path], typer.Argument(metavar="PHOTO", help="Photos, or folders of photos.")
    ],
    label: Annotated[
        str | None, typer.Option("--label", metavar="LABEL", help="What all of them show.")
    ] = None,
    whole: Annotated[
        bool, typer.Option("--whole", help="Each photo is one crop: look for nothing on it.")
    ] = False,
    box: Annotated[
        str | None,
        typer.Option(
            "--box",
            metavar="X0,Y0,X1,Y1",
            help="Add this part of a single photo: left, top, right, bottom in pixels.",
        ),
    ] = None,
    tank: Annotated[str | None, typer.Option("--tank", metavar="NAME", help="Which tank.")] = None,
    camera: Annotated[
        str | None, typer.Option("--camera", metavar="NAME", help="Which camera.")
    ] = None,
    source: Annotated[
        str | None, typer.Option("--source", metavar="NAME", help="Where the photos are from.")
    ] = None,
    who: WhoOption = "keeper",
    as_json: JsonOption = False,
    data: DataOption = None,
    settings: SettingsOption = None,
) -> None:
    """Add photos to the album.

    What is found on a photo becomes crops to be labelled. A photo is kept without its position, serial
    numbers and everything else but the picture; your own file stays as it is.
    """
    from pestvision.cli.album_text import added_text
    from pestvision.cli.album_work import added_json, name_of, new_photos, photos_in
    from pestvision.cli.work import json_line
    from pestvision.collection.intake import add_photos
    from pestvision.collection.records import require_label

    if label is not None:
        require_label(label)
    paths = photos_in(photos)
    region = None if box is None else parsed_box(box, n_photos=len(paths))
    about = {
        "tank": name_of(tank, "the tank"),
        "camera": name_of(camera, "the camera"),
        "source": name_of(source, "the source"),
    }
    chosen = load_settings(settings)
    with opened(data) as library:
        added = add_photos(
            library,
            new_photos(
                paths, region, chosen, library, is_whole=whole, label=label, who=who, **about
            ),
            who=who,
            note=f"{len(paths)} photos from the command line",
        )
    for name, reason in added.skipped:
        complain(f"Skipped: {reason if name in reason else f'{name}: {reason}'}")
    typer.echo(json_line(added_json(added)) if as_json else printable(added_text(added)))
    if not added.crops and not added.n_known:
        raise typer.Exit(PhotoError.exit_status)


@album.command(name="next", epilog=EXIT_STATUSES)
@answering
def next_(
    number: Annotated[
        str, typer.Option("--number", metavar="NUMBER", help="How many crops to ask about.")
    ] = "10",
    crops: Annotated[
        Path | None,
        typer.Option("--crops", metavar="FOLDER", help="Save the pictures of the crops here."),
    ] = None,
    as_json: JsonOption = False,
    data: DataOption = None,
) -> None:
    """Say which crops to label next, and why.

    Those that would teach most come first.
    """
    from pestvision.cli.album_text import counts_text, crop_json, suggestion_text
    from pestvision.cli.album_work import save_pictures
    from pestvision.cli.work import json_line, load_classifier
    from pestvision.collection.adapt import missing
    from pestvision.collection.readings import read_unread
    from pestvision.collection.review import next_crops

    wanted = parsed_number(number, "--number", most=1000)
    with opened(data) as library:
        classifier = load_classifier()
        read_unread(library, classifier, limit=MOST_READ)
        found = next_crops(library, classifier.model, limit=wanted)
        for item in found:
            if as_json:
                about = {"reason": str(item.reason), "words": item.words}
                likely = None if item.likely is None else str(item.likely)
                net = {"likely": likely, "p_likely": round(item.p_likely, 4)}
                typer.echo(json_line(crop_json(item.crop, **about, **net, caution=CAUTION)))
            else:
                typer.echo(suggestion_text(item))
        if crops is not None:
            save_pictures(library, [item.crop for item in found], crops)
        if not as_json:
            typer.echo(printable(counts_text(library.counts(), missing(library))))
            typer.echo(caution_text())


MOST_READ = 400
"""Crops that the net reads before it says what to label next: half a minute's wait at the most."""


@album.command(epilog=EXIT_STATUSES)
@answering
def label(
    what: Annotated[
        str,
        typer.Argument(
            metavar="LABEL",
            help=(
                "leech-like, flatworm-like, harmless, not-an-organism, dont-know, or a class such as "
                "snail; 'back' takes your last label of these crops back."
            ),
        ),
    ],
    numbers: Annotated[list[str], typer.Argument(metavar="NUMBER", help="Numbers of crops.")],
    settle: Annotated[
        bool, typer.Option("--settle", help="It holds against what others have said before.")
    ] = False,
    who: WhoOption = "keeper",
    data: DataOption = None,
) -> None:
    """Label crops, or take a label back.

    Nothing is overwritten: every label stays in the crop's history.
    """
    from pestvision.cli.album_text import counts_text
    from pestvision.collection.adapt import missing

    wanted = parsed_numbers(numbers)
    with opened(data) as library:
        if what == "back":
            keys = [
                key
                for crop in library.crops(wanted)
                if (key := library.last_label_of(crop.id, who)) is not None
            ]
            if not keys:
                raise UsageError(
                    f"No label of {who} holds for what was given.",
                    advice="See a crop's labels with: pestvision album find --history NUMBER",
                )
            library.take_back(keys)
        else:
            library.label(wanted, what, who=who, settles=settle)
        typer.echo(printable(counts_text(library.counts(), missing(library))))


@album.command(epilog=EXIT_STATUSES)
@answering
def tank(
    name: Annotated[str, typer.Argument(metavar="NAME", help="The tank's name.")],
    numbers: Annotated[list[str], typer.Argument(metavar="NUMBER", help="Numbers of crops.")],
    data: DataOption = None,
) -> None:
    """Say of which tank the photos of some crops are."""
    wanted = parsed_numbers(numbers)
    with opened(data) as library:
        n_photos = library.set_tank(wanted, name)
    typer.echo(printable(f"{n_photos} photo{'' if n_photos == 1 else 's'} of tank {name}."))


@album.command(epilog=EXIT_STATUSES)
@answering
def find(
    label: Annotated[
        str | None,
        typer.Option("--label", metavar="LABEL", help="A label, 'unlabelled' or 'disputed'."),
    ] = None,
    tank: Annotated[str | None, typer.Option("--tank", metavar="NAME", help="Which tank.")] = None,
    since: Annotated[
        str | None, typer.Option("--since", metavar="DATE", help="Taken on that day or later.")
    ] = None,
    until: Annotated[
        str | None, typer.Option("--until", metavar="DATE", help="Taken on that day or before.")
    ] = None,
    text: Annotated[
        str | None,
        typer.Option("--text", metavar="TEXT", help="A part of the photo's name or source."),
    ] = None,
    history: Annotated[
        str | None, typer.Option("--history", metavar="NUMBER", help="Every label of one crop.")
    ] = None,
    number: Annotated[
        str, typer.Option("--number", metavar="NUMBER", help="How many at most.")
    ] = "40",
    as_json: JsonOption = False,
    data: DataOption = None,
) -> None:
    """Find crops by label, tank, date or name.

    Says how many of each label there are, too.
    """
    from pestvision.cli.album_text import counts_text, crop_json, crop_text, history_text
    from pestvision.cli.work import json_line
    from pestvision.collection.adapt import missing
    from pestvision.collection.records import Wanted

    most = parsed_number(number, "--number", most=100_000)
    wanted = Wanted(label=label, tank=tank, since=_date(since), until=_date(until), text=text)
    with opened(data) as library:
        if history is not None:
            crop = library.crop(parsed_number(history, "--history"))
            labels = library.history(crop.id)
            typer.echo(crop_text(crop))
            typer.echo(history_text(labels))
            if any(item.kind == "net" for item in labels):
                typer.echo(caution_text())
            return
        page = library.search(wanted, limit=most)
        for crop in page.crops:
            typer.echo(json_line(crop_json(crop)) if as_json else crop_text(crop))
        if not as_json:
            typer.echo(f"{len(page.crops)} of {page.n_found} found are shown.")
            typer.echo(printable(counts_text(library.counts(), missing(library))))


def _date(text: str | None) -> str | None:
    from datetime import date

    if text is None:
        return None
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise UsageError(f"'{text}' is no date.", advice="Write it like this: 2026-03-14") from None


@album.command(epilog=EXIT_STATUSES)
@answering
def delete(
    numbers: Annotated[list[str], typer.Argument(metavar="NUMBER", help="Numbers of crops.")],
    who: WhoOption = "keeper",
    data: DataOption = None,
) -> None:
    """Take crops out of the album.

    For 30 days they can be had back with undo.
    """
    wanted = parsed_numbers(numbers)
    with opened(data) as library:
        action = library.delete(wanted, who=who)
    typer.echo(f"Taken out: {len(wanted)}. To undo: pestvision album undo {action}")


@album.command(epilog=EXIT_STATUSES)
@answering
def undo(
    action: Annotated[
        str | None, typer.Argument(metavar="ACTION", help="Left out: say what can be undone.")
    ] = None,
    who: WhoOption = "keeper",
    data: DataOption = None,
) -> None:
    """Undo an import or a deletion of the last 30 days."""
    from pestvision.cli.album_text import action_text

    with opened(data) as library:
        if action is None:
            for item in library.actions():
                typer.echo(action_text(item))
            return
        n = library.undo(parsed_number(action, "ACTION"), who=who)
    typer.echo(f"Undone: {n} crop{'' if n == 1 else 's'}.")
