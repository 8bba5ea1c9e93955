"""A folder of photos as views: one view is one place seen many times, in order of time.

Every folder, the given one and those in it, is looked at for itself: photos lying in one folder may
show several places and are told apart by what is in them. Nothing a folder holds stops the scan.
"""

from __future__ import annotations

import os
import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final, Literal

from pestvision.errors import FolderError, PhotoError
from pestvision.photos.places import LOOK_SIDE_PX, Look, describe_place, likeness
from pestvision.photos.read import read_reduced, shown_name
from pestvision.progress import Progress, silent

if TYPE_CHECKING:
    from datetime import datetime

    from pestvision.photos.exif import TakenAt
    from pestvision.settings import PhotoSettings

# Read, whatever is in them. Pictures that are not read belong here too: a raw photo, a GIF or an
# AVIF among the photos is named with its reason and not passed over.
_PHOTO_EXTENSIONS: Final = frozenset(
    f".{extension}"
    for extension in (
        *("jpg", "jpeg", "jpe", "jfif", "mpo", "png", "apng", "webp", "tif", "tiff"),
        *("heic", "heif", "hif", "gif", "bmp", "avif", "jxl", "jp2"),
        *("dng", "cr2", "cr3", "crw", "nef", "nrw", "arw", "srf", "sr2", "orf", "rw2", "raf"),
        *("pef", "srw", "x3f", "raw"),
    )
)
_REPORT_FOLDER: Final = "pestvision-night-"
_MAX_EDGES: Final = 4  # a place keeps its first look and so many that are least like it
_EDGE_LIKENESS: Final = 0.6  # a look more like the first than this would bridge to nothing new
_BY_EDGE: Final = 1e-3  # below any likeness that is found
_GIVE_PHOTOS: Final = "Give a folder with JPEG, PNG, WebP, TIFF or HEIC photos of your tanks."


@dataclass(frozen=True, slots=True)
class Frame:
    """One usable photo of a series, not decoded yet.

    `height` and `width` are pixels of the upright photo. `name` is the path relative to the folder
    given, with forward slashes.
    """

    path: Path
    name: str
    taken: TakenAt
    height: int
    width: int

    def __post_init__(self) -> None:
        if self.height < 1 or self.width < 1:
            raise ValueError(f"a frame of {self.width} × {self.height} pixels")


@dataclass(frozen=True, slots=True)
class Skipped:
    """A file that could not be used, and why, in one sentence with advice."""

    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class View:
    """Photos of one place, in order.

    `ordered_by` says what the order rests on; `notes` are sentences for the person (equal times,
    a missing time, one photo only).
    """

    name: str
    frames: tuple[Frame, ...]
    ordered_by: Literal["time taken", "file name"]
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.frames:
            raise ValueError(f"the view {self.name} has no photo")


@dataclass(frozen=True, slots=True)
class Series:
    """Everything a folder holds: its views and what was skipped."""

    folder: Path
    views: tuple[View, ...]
    skipped: tuple[Skipped, ...]


@dataclass(slots=True)
class _Listing:
    """What lies in a folder and below it, before any file is opened."""

    photos: dict[str, list[Path]] = field(default_factory=dict)  # by folder, "" for the given one
    others: Counter[str] = field(default_factory=Counter)  # files by extension
    skipped: list[Skipped] = field(default_factory=list)


@dataclass(slots=True, eq=False)
class _Place:
    """A view while it is being gathered: its first look, and the looks least like that."""

    first: Look
    frames: list[Frame]
    edges: list[tuple[float, Look]] = field(default_factory=list)

    def likeness(self, look: Look) -> float:
        """Give the likeness to the first look, or if that is none a tiny one for an edge."""
        to_first = likeness(self.first, look)
        if to_first == 0 and any(likeness(edge, look) for _, edge in self.edges):
            return _BY_EDGE
        return to_first

    def add(self, frame: Frame, look: Look, likeness_to_first: float) -> None:
        """Take a photo in."""
        self.frames.append(frame)
        if likeness_to_first < _EDGE_LIKENESS:
            self.edges.append((likeness_to_first, look))
            self.edges = sorted(self.edges, key=lambda edge: edge[0])[:_MAX_EDGES]


def read_series(
    folder: Path, *, settings: PhotoSettings | None = None, progress: Progress = silent
) -> Series:
    """Group a folder into views, each in order of time.

    Parameters
    ----------
    folder
        Its photos and those of its sub-folders are used; hidden files and folders and earlier
        reports are not. Only small copies are decoded, one after the other.
    settings
        The limits on one photo.
    progress
        Told before each photo, and once at the end.

    Returns
    -------
    Series
        Every view has at least one photo. What could not be used is in `skipped`, with its reason.

    Raises
    ------
    FolderError
        If the folder is missing, is not a folder, may not be opened, or has no photo that can be
        used; the message says what it has instead.

    Notes
    -----
    A JPEG takes a third to a half of the time of decoding it whole. HEIC, PNG, WebP and TIFF have no
    quick small copy and are decoded whole. Memory holds one photo and a few small looks a view, so
    it does not grow with the number of photos; a folder in which every photo shows another place
    takes time with the square of their number.
    """
    listing = _list_folder(folder)
    total = sum(len(paths) for paths in listing.photos.values())
    if total == 0:
        raise _no_photo(folder, listing)
    views: list[View] = []
    n_done = 0
    for inside in sorted(listing.photos, key=natural_key):
        places: list[_Place] = []
        for path in listing.photos[inside]:
            progress(n_done, total, f"reading {shown_name(path)}")
            n_done += 1
            name = _relative(path, folder)
            try:
                reduced = read_reduced(path, LOOK_SIDE_PX, settings=settings)
            except PhotoError as error:
                listing.skipped.append(Skipped(name, error.sentence()))
                continue
            header = reduced.header
            frame = Frame(path, name, header.taken, header.height, header.width)
            _put(places, frame, describe_place(reduced.rgb))
        views += _named_views(_merged(places), inside, folder, set(listing.photos))
    progress(total, total, "grouped")
    skipped = tuple(sorted(listing.skipped, key=lambda item: natural_key(item.name)))
    if not views:
        first = next(item for item in skipped if item.reason)
        message = f"None of the {total} photos in {_folder_name(folder)} can be used; the first:"
        raise FolderError(f"{message} {first.reason}", advice=_GIVE_PHOTOS)
    return Series(folder, tuple(views), skipped)


def photos_in(folder: Path) -> list[Path]:
    """Give the photos that lie in a folder itself, in order of their names.

    Raises
    ------
    FolderError
        If the folder cannot be read.
    """
    found = [
        path
        for path in _entries_of_given(folder)
        if path.suffix.lower() in _PHOTO_EXTENSIONS
        and not path.name.startswith(".")
        and not _is_folder(path)
    ]
    return sorted(found, key=lambda path: natural_key(path.name))


def natural_key(name: str) -> tuple[tuple[tuple[int, int | str], ...], str]:
    """Give a sort key in which `photo 9` comes before `photo 10`; capitals do not matter."""
    parts = re.split(r"([0-9]+)", name.casefold())
    return tuple(
        (0, int(part)) if part.isascii() and part.isdigit() else (1, part) for part in parts if part
    ), name


def _list_folder(folder: Path) -> _Listing:
    listing = _Listing()
    entries = _entries_of_given(folder)
    seen = {_identity(folder)}
    waiting = [(folder, entries)]
    while waiting:
        place, entries = waiting.pop()
        links: list[Path] = []
        inner: list[Path] = []
        for path in entries:
            if path.name.startswith("."):
                continue
            if _is_folder(path):
                if not path.name.startswith(_REPORT_FOLDER):
                    (links if path.is_symlink() else inner).append(path)
            elif path.suffix.lower() in _PHOTO_EXTENSIONS:
                inside = "" if place == folder else _relative(place, folder)
                listing.photos.setdefault(inside, []).append(path)
            else:
                listing.others[path.suffix.lower()] += 1
        for path in inner + links:  # a real folder before a link to it
            found = _entries_below(path, folder, seen, listing)
            if found is not None:
                waiting.append((path, found))
    for paths in listing.photos.values():
        paths.sort(key=lambda path: natural_key(path.name))
    return listing


def _entries_of_given(folder: Path) -> list[Path]:
    name = _folder_name(folder)
    try:
        return _entries(folder)
    except FileNotFoundError as error:
        raise FolderError(f"There is no folder {name}.", advice="Check the path.") from error
    except NotADirectoryError as error:
        message = f"{name} is a file, and a folder of photos was expected."
        raise FolderError(message, advice="Give the folder it lies in.") from error
    except PermissionError as error:
        message = f"The folder {name} may not be opened by this user: permission was refused."
        advice = "Change the folder's permission, or copy it to a folder of your own."
        raise FolderError(message, advice=advice) from error
    except (OSError, ValueError) as error:
        why = (getattr(error, "strerror", None) or str(error)).lower()
        message = f"The folder {name} cannot be read: {why}."
        raise FolderError(message, advice="Check the path and the disk.") from error


def _entries_below(
    path: Path, folder: Path, seen: set[tuple[int, int]], listing: _Listing
) -> list[Path] | None:
    """List a sub-folder once, or say in the listing why not."""
    name = _relative(path, folder)
    try:
        identity = _identity(path)
        if identity in seen:
            reason = f"{name} is a link to a folder that is read already. Nothing is lost."
            listing.skipped.append(Skipped(name, reason))
            return None
        seen.add(identity)
        found = _entries(path)
    except OSError as error:
        why = (error.strerror or "unknown reason").lower()
        reason = (
            f"The folder {name} cannot be opened: {why}. Change its permission or leave it out."
        )
        listing.skipped.append(Skipped(name, reason))
        return None
    if path.suffix.lower() in _PHOTO_EXTENSIONS and not found:
        reason = f"{name} is an empty folder named like a photo. Copy the photo again."
        listing.skipped.append(Skipped(name, reason))
    return found


def _entries(folder: Path) -> list[Path]:
    with os.scandir(folder) as entries:
        return sorted((folder / entry.name for entry in entries), key=lambda path: path.name)


def _identity(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_dev, status.st_ino


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except OSError:  # a link that leads back to itself
        return False


def _relative(path: Path, folder: Path) -> str:
    inside = path.relative_to(folder).as_posix()
    return "".join(letter if letter.isprintable() else "?" for letter in inside)


def _folder_name(folder: Path) -> str:
    return shown_name(folder) if folder.name else shown_name(Path.cwd() / folder)


def _no_photo(folder: Path, listing: _Listing) -> FolderError:
    n_others = listing.others.total()
    if listing.skipped:
        what = f"something in it cannot be used: {listing.skipped[0].reason.rstrip('.')}"
    elif n_others:
        kinds = ", ".join(kind or "no extension" for kind, _ in listing.others.most_common(4))
        what = f"{n_others} other file{'s' if n_others > 1 else ''} ({kinds})"
    else:
        what = "nothing else either"
    message = f"The folder {_folder_name(folder)} has no photo in it, and {what}."
    return FolderError(message, advice=_GIVE_PHOTOS)


def _put(places: list[_Place], frame: Frame, look: Look) -> None:
    """Add a photo to the place it shows, or to a new one.

    `places` is kept in order of use, the last used at the end. A keeper takes several photos of one
    tank or goes round all of them: the last used is asked first, then the one longest unused.
    """
    for place in [*places[-1:], *places[:-1]]:
        found = place.likeness(look)
        if found > 0:
            place.add(frame, look, found)
            places.remove(place)
            places.append(place)
            return
    places.append(_Place(look, [frame]))


def _merged(places: list[_Place]) -> list[_Place]:
    """Join places that turn out to be one: the photo that links them may have come in between."""
    merged: list[_Place] = []
    for place in places:
        for other in [one for one in merged if _is_one_place(one, place)]:
            merged.remove(other)
            place.edges += [(_BY_EDGE, other.first), *other.edges]
            place.frames += other.frames
        merged.append(place)
    return merged


def _is_one_place(one: _Place, other: _Place) -> bool:
    """Compare edges; the two first looks were compared when the later place was made."""
    if any(likeness(one.first, edge) for _, edge in other.edges):
        return True
    return any(other.likeness(edge) for _, edge in one.edges)


def _named_views(
    places: list[_Place], inside: str, folder: Path, all_inside: set[str]
) -> list[View]:
    """Order each place's photos, order the places by their first photo's name, and name them."""
    places = sorted(places, key=lambda place: min(natural_key(one.name) for one in place.frames))
    whole = inside or _folder_name(folder)
    is_taken = not inside and whole in all_inside  # a sub-folder of the same name
    if len(places) == 1 and not is_taken:
        return [_ordered_view(whole, places[0].frames)]
    prefix = f"{inside}, " if inside else ""
    return [
        _ordered_view(f"{prefix}view {number}", place.frames)
        for number, place in enumerate(places, start=1)
    ]


def _ordered_view(name: str, frames: list[Frame]) -> View:
    by_name = sorted(frames, key=lambda frame: natural_key(frame.name))
    n_timeless = sum(frame.taken.local is None for frame in by_name)
    notes: list[str] = []
    if len(by_name) == 1:
        notes.append("There is one photo of this place: nothing to compare it with.")
    elif n_timeless:
        which = "No photo says" if n_timeless == len(by_name) else f"{n_timeless} photos do not say"
        notes.append(f"{which} when it was taken: all are in order of their file names.")
    if n_timeless:
        return View(name, tuple(by_name), "file name", tuple(notes))
    in_time, more_notes = _in_order_of_time(by_name)
    is_by_exif = any(frame.taken.source == "exif" for frame in in_time)
    basis: Literal["time taken", "file name"] = "time taken" if is_by_exif else "file name"
    return View(name, tuple(in_time), basis, (*notes, *more_notes))


def _in_order_of_time(by_name: list[Frame]) -> tuple[list[Frame], list[str]]:
    """Sort by time; equal times keep the order of the file names."""
    notes = []
    n_by_name = sum(frame.taken.source == "file-name" for frame in by_name)
    if n_by_name:
        which = "All" if n_by_name == len(by_name) else f"{n_by_name} of the {len(by_name)}"
        notes.append(f"{which} times were read from file names, not from the photos themselves.")
    n_offsets = sum(frame.taken.offset is not None for frame in by_name)
    if 0 < n_offsets < len(by_name):
        notes.append("Some photos give their time zone and some do not: the clock time was used.")
    use_offset = n_offsets == len(by_name)
    moments = {frame.path: _moment(frame.taken, use_offset=use_offset) for frame in by_name}
    in_time = sorted(by_name, key=lambda frame: moments[frame.path])
    n_equal = len(by_name) - len(set(moments.values()))
    if n_equal:
        notes.append(
            f"{n_equal} photo{'s have' if n_equal > 1 else ' has'} the same time as another: "
            "those are in order of their file names."
        )
    return in_time, notes


def _moment(taken: TakenAt, *, use_offset: bool) -> datetime:
    if taken.local is None:
        raise ValueError("a photo without a time is not sorted by time")
    if use_offset and taken.offset is not None:
        return taken.local - taken.offset
    return taken.local
