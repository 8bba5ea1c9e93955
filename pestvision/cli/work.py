"""The work behind the commands: one photo checked, crops saved, a night's report and summary."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from pestvision.cli.answers import complain
from pestvision.cli.given import is_folder
from pestvision.cli.text import caution_text, night_text, printable
from pestvision.errors import FolderError, OutputError, UnreadablePhotoError

if TYPE_CHECKING:
    from pestvision.arrays import BoxXyxy
    from pestvision.findings.finding import NightResult, PhotoCheck, ViewResult
    from pestvision.organisms.classify import Classifier
    from pestvision.settings import Settings


def load_classifier() -> Classifier:
    """Load the net once for the whole command; torch loads here."""
    from pestvision.organisms.classify import Classifier

    return Classifier.load()


def checked(
    path: Path, classifier: Classifier, settings: Settings, region: BoxXyxy | None
) -> PhotoCheck:
    """Read one photo and check it, or the marked region of it.

    Raises
    ------
    PhotoError
        If it cannot be used, or the region lies outside it.
    """
    from pestvision.findings.check import check_photo
    from pestvision.photos.read import read_photo

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
    return check_photo(photo, classifier, settings=settings, box_xyxy_px=region)


def json_line(answer: dict[str, Any]) -> str:
    """Give one line of JSON; ASCII only, so that no file name can steer a terminal."""
    return json.dumps(answer, ensure_ascii=True, allow_nan=False)


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


def finish_night(
    found: NightResult, target: Path, *, as_json: bool, classifier: Classifier | None = None
) -> None:
    """Write the report and print what was found; a report that cannot be written hides nothing.

    Raises
    ------
    FolderError
        If no photo could be used.
    OutputError
        If the report cannot be written. What was found is printed first.
    """
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
        typer.echo(caution_text())
    if failure is not None:
        raise failure
