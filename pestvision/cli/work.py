"""The work behind the commands: one photo checked, crops saved, a night's report and summary."""

from __future__ import annotations

import json
import os
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import typer

from pestvision.cli.answers import EXIT_INTERRUPTED, UsageError, complain
from pestvision.cli.given import is_folder
from pestvision.cli.scale_options import with_reason
from pestvision.cli.text import GO_ON, caution_text, night_text, printable
from pestvision.errors import FolderError, OutputError, PersonError, UnreadablePhotoError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from concurrent.futures import Executor

    from pestvision.arrays import BoxXyxy
    from pestvision.cli.scale_options import WantedScale
    from pestvision.findings.finding import NightResult, PhotoCheck, ViewResult
    from pestvision.organisms.classify import Classifier
    from pestvision.settings import Settings


MAX_JOBS = 61
"""Processes at most: Windows cannot wait for more at a time (documentation of `ProcessPoolExecutor`)."""


def load_classifier() -> Classifier:
    """Load the net once for the whole command; torch loads here."""
    from pestvision.organisms.classify import Classifier

    return Classifier.load()


def with_own_labels(classifier: Classifier, data: Path | None) -> Classifier:
    """Put on what was learned from the person's own labels, where there is an album.

    An album that cannot be opened is told, and the net is used as it came.
    """
    from pestvision.errors import PestVisionError
    from pestvision.storage.database import DATABASE_NAME
    from pestvision.storage.place import data_folder

    folder = data_folder(data)
    if not (folder / DATABASE_NAME).is_file():
        return classifier
    from pestvision.collection.adapt import personal_classifier
    from pestvision.collection.library import Library

    try:
        with Library(folder) as library:
            return personal_classifier(library, classifier)
    except PestVisionError as error:
        complain(f"Your own labels are left out this time. {error.sentence()}")
        return classifier


def checked(
    path: Path,
    classifier: Classifier,
    settings: Settings,
    region: BoxXyxy | None,
    *,
    wanted: WantedScale | None = None,
    as_json: bool = False,
) -> PhotoCheck:
    """Read one photo and check it, or the marked region of it, with lengths where a scale is wanted.

    Raises
    ------
    PhotoError
        If it cannot be used, or the region lies outside it.
    ScaleError
        If what was typed for the scale cannot be.
    """
    from pestvision.findings.check import check_photo
    from pestvision.photos.read import read_photo
    from pestvision.size.records import Scale

    if is_folder(path):
        raise UnreadablePhotoError(
            f"{path} is a folder, and a photo was expected.",
            advice=f"Give the photos in it one by one, or run: pestvision night {path}",
        )
    photo = read_photo(path, settings=settings.photos)
    if region is not None and (region[0] >= photo.width or region[1] >= photo.height):
        raise UnreadablePhotoError(
            f"The box lies outside {photo.name}, which is {photo.width} pixels wide and "
            f"{photo.height} high.",
            advice="Give a box that lies on the photo.",
        )
    if wanted is None:
        return check_photo(photo, classifier, settings=settings, box_xyxy_px=region)
    scale = wanted.on(photo.rgb)
    if isinstance(scale, Scale):
        return check_photo(photo, classifier, settings=settings, box_xyxy_px=region, scale=scale)
    answer = check_photo(photo, classifier, settings=settings, box_xyxy_px=region)
    if as_json:  # which has no place for notes
        complain(f"{photo.name}: no lengths are given. {scale.reason}")
    return with_reason(answer, scale)


def json_line(answer: dict[str, Any]) -> str:
    """Give one line of JSON; ASCII only, so that no file name can steer a terminal."""
    return json.dumps(answer, ensure_ascii=True, allow_nan=False)


def advice_text(labels: Iterable[str]) -> str:
    """Name the cards of advice that go with labels, most urgent first; empty where none does."""
    from pestvision.cli.tank_text import advice_lines
    from pestvision.guidance.guidance import cards_for

    cards = {card.id: card for label in labels for card in cards_for(label=label)}
    ordered = sorted(cards.values(), key=lambda card: (card.urgency, card.id))
    return "\n".join(advice_lines(ordered))


def print_view(view: ViewResult) -> None:
    """Print a view as one line of JSON as soon as it is done."""
    typer.echo(json_line(view.as_json()))


def save_crops(answer: PhotoCheck, folder: Path) -> None:
    """Save the crops of a photo as PNG, under names that are still free.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    from PIL import Image

    stem = Path(answer.photo).stem
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for finding in answer.findings:
            name = f"{stem}-{finding.id}-{finding.judgement.label}"
            with _free_file(folder, name).open("xb") as file:
                Image.fromarray(finding.crop_rgb).save(file, format="PNG")
    except OSError as error:
        raise OutputError(
            f"The crops of {answer.photo} cannot be saved in {folder}: {error.strerror or error}.",
            advice="Free some space, or give another folder that you may write to.",
        ) from error


def _free_file(folder: Path, name: str) -> Path:
    path, rank = folder / f"{name}.png", 1
    while path.exists():
        rank += 1
        path = folder / f"{name}-{rank}.png"
    return path


def parsed_jobs(text: str | None) -> int:
    """Read a number of processes; 0 stands for as many as there are cores, None for one.

    Raises
    ------
    UsageError
        If it is no such number.
    """
    if text is None:
        return 1
    if not text.isascii() or not text.isdecimal() or int(text[:9]) > MAX_JOBS:
        raise UsageError(
            f"--jobs was given as '{text}', and a number from 0 to {MAX_JOBS} was expected: how many "
            "processes look at the photos.",
            advice="Leave it out to have one, or write --jobs 0 for as many as there are cores.",
        )
    return int(text) or min(_n_cores(), MAX_JOBS)


def _n_cores() -> int:
    """Count the cores that this program may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def processes(n_jobs: int) -> Iterator[Executor | None]:
    """Give an executor of so many processes; None for one, which is this.

    Raises
    ------
    PersonError
        If a process was ended from outside.
    """
    if n_jobs == 1:
        yield None
        return
    import multiprocessing
    from concurrent.futures import BrokenExecutor, ProcessPoolExecutor

    from pestvision.findings.crew import start_worker

    spawn = multiprocessing.get_context("spawn")  # a fork would copy torch's threads half
    try:
        with ProcessPoolExecutor(n_jobs, mp_context=spawn, initializer=start_worker) as pool:
            yield pool
    except BrokenExecutor as error:
        raise PersonError(
            "One of the processes that looked at the photos was ended from outside, most often because "
            "memory ran out.",
            advice="Run the same command with --resume and fewer --jobs: what was finished is kept.",
        ) from error


def say_what_is_kept(kept: Path, *, resume: bool) -> None:
    """Say where what was typed and what an earlier scan has left do not go together."""
    from pestvision.findings.kept import has_kept

    if resume and not has_kept(kept):
        complain(f"Nothing of an earlier scan is kept in {kept}, so this one begins anew.")
    if not resume and has_kept(kept):
        complain(
            f"{kept.parent} holds a scan that has not come to its end. This one begins anew; stop it "
            "with Ctrl-C and add --resume to go on with the other."
        )


def stop_night(found: NightResult, target: Path, kept: Path, *, as_json: bool) -> NoReturn:
    """Write what a scan that was stopped had finished, say how to go on, and leave.

    Raises
    ------
    typer.Exit
        Always, with the status of an interruption.
    OutputError
        If the report cannot be written.
    """
    from pestvision.findings.kept import mark_unfinished

    if found.views:
        try:
            mark_unfinished(kept)
        except OSError as error:
            raise OutputError(
                f"The report cannot be written to {target}: {error.strerror or error}.",
                advice="Free some space, or choose another folder that you may write to.",
            ) from error
        finish_night(found, target, as_json=as_json)
        complain("Stopped, as you asked. The report holds only the views that were finished.")
    else:
        complain("Stopped, as you asked, before a view was finished; no report is written.")
    complain(GO_ON)
    raise typer.Exit(EXIT_INTERRUPTED)


def finish_night(
    found: NightResult,
    target: Path,
    *,
    as_json: bool,
    classifier: Classifier | None = None,
    kept: Path | None = None,
) -> None:
    """Write the report and print what was found; a report that cannot be written hides nothing.

    Once the report is written, what was kept in the folder `kept` is removed.

    Raises
    ------
    FolderError
        If no photo could be used.
    OutputError
        If the report cannot be written. What was found is printed first.
    """
    from pestvision.findings.kept import remove_kept
    from pestvision.report.write import write_report

    if found.n_photos == 0:
        raise FolderError(
            f"{found.folder} holds no photo that can be used.",
            advice="Give a folder with JPEG, PNG, WebP, TIFF or HEIC photos.",
        )
    failure: OutputError | None = None
    where = "The report could not be written."
    try:
        where = f"The report is written: {write_report(found, target, classifier=classifier).html}"
        if kept is not None:
            remove_kept(kept)
    except OutputError as error:
        failure = error
    in_views = (item for view in found.views for item in view.skipped)
    for item in (*found.skipped, *in_views):
        is_named = item.name in item.reason
        complain(f"Skipped: {'' if is_named else item.name + ': '}{item.reason}")
    if as_json:
        complain(where)
    else:
        typer.echo(night_text(found))
        typer.echo(printable(where))
        seen = {label for view in found.views for label, n in view.seen_at_once_max.items() if n}
        if advice := advice_text(seen):
            typer.echo(advice)
        typer.echo(caution_text())
    if failure is not None:
        raise failure
