"""The work behind the album's commands."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING, Any

from pestvision.cli.answers import complain
from pestvision.cli.given import is_folder
from pestvision.collection.records import NewCrop, NewPhoto, require_name
from pestvision.errors import OutputError, PersonError, PhotoError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from pestvision.arrays import BoxXyxy
    from pestvision.collection.exchange import Imported
    from pestvision.collection.library import Library
    from pestvision.collection.records import Added, Crop
    from pestvision.settings import Settings

PHOTO_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif"})
"""Files of a folder that are taken; one that is named by itself is tried whatever it is called."""


def photos_in(given: Sequence[Path]) -> list[Path]:
    """Give the photos named, and those in the folders named, in order.

    Raises
    ------
    PersonError
        If a folder cannot be listed, or there is no photo at all.
    """
    paths: list[Path] = []
    for path in given:
        if not is_folder(path):
            paths.append(path)
            continue
        try:
            inside = sorted(
                item for item in path.rglob("*") if item.suffix.lower() in PHOTO_SUFFIXES
            )
        except OSError as error:
            message = f"The folder {path} cannot be listed: {error.strerror or error}."
            raise PersonError(
                message, advice="Make it readable, or copy the photos elsewhere."
            ) from error
        paths += inside
    if not paths:
        message = "What was given holds no photo."
        raise PersonError(
            message, advice="Give photos, or a folder with JPEG, PNG, WebP, TIFF or HEIC."
        )
    return paths


def name_of(text: str | None, what: str) -> str | None:
    """Trim a name that was typed; None where none was."""
    return None if text is None else require_name(text, what)


def new_photos(
    paths: Sequence[Path],
    region: BoxXyxy | None,
    settings: Settings,
    library: Library,
    *,
    is_whole: bool,
    label: str | None,
    who: str,
    tank: str | None,
    camera: str | None,
    source: str | None,
) -> Iterator[NewPhoto]:
    """Give photos to be added, each with what is found on it, one after the other.

    A photo that cannot be looked at goes on as it is: `add_photos` names it with its reason.
    """
    from pestvision.cli.work import checked, load_classifier
    from pestvision.collection.adapt import personal_classifier
    from pestvision.findings.album import crops_of, judge_of, labels_of_person

    def photo(path: Path, crops: tuple[NewCrop, ...]) -> NewPhoto:
        return NewPhoto(path, path.name, crops, tank=tank, camera=camera, source=source)

    if is_whole or region is not None:
        for path in paths:
            yield photo(path, (NewCrop(region, labels_of_person(label, who)),))
        return
    classifier = personal_classifier(library, load_classifier())
    judge = judge_of(classifier)
    for path in paths:
        try:
            found = checked(path, classifier, settings, None)
        except PhotoError:
            yield photo(path, (NewCrop(),))
            continue
        yield photo(path, crops_of(found, path, judge, label=label, who=who))


def added_json(added: Added) -> dict[str, Any]:
    """Give what was added as an object for other programs."""
    return {
        "action": added.action,
        "crops": list(added.crops),
        "known": added.n_known,
        "labels": added.n_labels,
        "skipped": [{"photo": name, "reason": reason} for name, reason in added.skipped],
    }


def imported_json(done: Imported) -> dict[str, Any]:
    """Give what an import did as an object for other programs."""
    return {
        "kind": done.kind,
        "action": done.action,
        "crops": list(done.crops),
        "known": done.n_known,
        "labels": done.n_labels,
        "withdrawn": done.n_withdrawn,
        "conflicts": [
            {"crop": item.crop, "photo": item.photo_name, "said": dict(item.said)}
            for item in done.conflicts
        ],
        "overlaps": [
            {"crops": list(item.crops), "photo": item.photo_name, "labels": list(item.labels)}
            for item in done.overlaps
        ],
        "unmatched": dict(done.unmatched),
        "skipped": [{"photo": name, "reason": reason} for name, reason in done.skipped],
    }


def save_pictures(library: Library, crops: Sequence[Crop], folder: Path) -> None:
    """Save the pictures of crops as PNG, named by their numbers; what is there already stays.

    Raises
    ------
    OutputError
        If they cannot be written.
    """
    from PIL import Image

    try:
        folder.mkdir(parents=True, exist_ok=True)
        for crop in crops:
            path = folder / f"crop-{crop.id}.png"
            if not path.exists():
                Image.fromarray(library.picture(crop)).save(path, format="PNG")
    except OSError as error:
        raise OutputError(
            f"The crops cannot be saved in {folder}: {error.strerror or error}.",
            advice="Free some space, or give another folder that you may write to.",
        ) from error
    complain(f"The pictures are in {folder}.")


def agreement_lines(library: Library) -> Iterator[str]:
    """Say for every two people, and for all together, how well their labels agree."""
    from pestvision.collection.agreement import cohen_kappa, krippendorff_alpha

    said = library.groups_by_person()
    people = sorted(said)
    crops = sorted({number for own in said.values() for number in own})
    if len(people) < 2:
        yield "Only one person has labelled; agreement needs two who label the same crops."
        return
    for one, other in combinations(people, 2):
        both = [number for number in crops if number in said[one] and number in said[other]]
        found = cohen_kappa([said[one][n] for n in both], [said[other][n] for n in both])
        if found.kappa is None:
            yield f"{one} and {other}: {len(both)} crops in common. {found.reason}"
        else:
            span = "" if found.interval is None else " ({:.2f} to {:.2f})".format(*found.interval)
            yield (
                f"{one} and {other}: {len(both)} crops in common, {found.observed:.0%} labelled alike, "
                f"Cohen's kappa {found.kappa:.2f}{span}"
            )
    ratings = [[said[person].get(number) for number in crops] for person in people]
    alpha = krippendorff_alpha(ratings)
    told = alpha.reason if alpha.alpha is None else f"Krippendorff's alpha {alpha.alpha:.2f}"
    yield f"All {len(people)} together: {told}"
    yield "1 is full agreement, 0 what chance alone would give. Labels count by group; “don't know” does not."
