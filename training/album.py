"""Crops of exported albums as further real examples: `python -m training.train --album FOLDER [FOLDER ...]`.

An album is a folder that `pestvision.collection.exchange.export_album` wrote, in any layout. Crops that
nobody labelled, that are disputed, or of which a person does not know what they are, teach nothing and are
left out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pestvision.collection.import_own import OwnAlbum, read_own
from pestvision.collection.library import PICTURE_SETTINGS
from pestvision.collection.records import DONT_KNOW
from pestvision.errors import PestVisionError
from pestvision.organisms.classes import FINE_NAMES, GROUP_OF_FINE, GROUPS, Group
from pestvision.photos.read import read_photo
from training.data import Example, allow_fine, allow_groups, cut_example

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pestvision.arrays import Bool

ALBUM = "album"
"""Kind and setting of a crop that comes from an album."""
UNSTATED = "unstated"
"""Its licence: an album names none."""


def load_albums(folders: Sequence[Path]) -> list[Example]:
    """Load the labelled crops of exported albums.

    A source is a tank, whatever album it is in; photos of no tank are one source an album. A photo that is
    in several albums has the source that it has in the first, and a crop is loaded once, so that no fold
    is judged by what another has seen.

    Raises
    ------
    SystemExit
        If a folder is no exported album, or is damaged: says what is wrong.
    """
    examples: list[Example] = []
    sources: dict[str, str] = {}
    loaded: set[str] = set()
    for folder in folders:
        try:
            album = read_own(folder)
            for photo in album.photos:
                source = f"{ALBUM}-{photo['tank'] or folder.absolute().name}"
                sources.setdefault(photo["sha256"], source)
                examples += _examples(album, photo, sources[photo["sha256"]], loaded)
        except PestVisionError as error:
            raise SystemExit(error.sentence()) from error
    return examples


def _examples(
    album: OwnAlbum, photo: dict[str, Any], source: str, loaded: set[str]
) -> list[Example]:
    """Cut the labelled crops of one photo that are not loaded yet."""
    crops = [
        crop
        for crop in album.crops
        if crop["photo"] == photo["sha256"]
        and crop["label"] not in {None, DONT_KNOW}
        and crop["key"] not in loaded
    ]
    if not crops:
        return []
    loaded.update(crop["key"] for crop in crops)
    rgb = read_photo(album.folder / photo["file"], settings=PICTURE_SETTINGS).rgb
    about = {"source": source, "file": photo["file"], "licence": UNSTATED, "setting": ALBUM}
    return [
        cut_example(
            rgb,
            (crop["x0"], crop["y0"], crop["x1"], crop["y1"]),
            allowed_by(crop["label"]),
            GROUPS.index(GROUP_OF_FINE.get(crop["label"]) or Group(crop["label"])),
            about,
            {"label": crop["label"], "kind": ALBUM},
        )
        for crop in crops
    ]


def allowed_by(label: str) -> Bool:
    """Give what a label allows, (14,) bool: a class itself, or every class of a group."""
    return allow_fine(label) if label in FINE_NAMES else allow_groups([Group(label)])
