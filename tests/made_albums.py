"""Invented albums for tests: drawn glasses, keepers called One and Two, tanks called Amber, Moss and Slate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pestvision.collection.intake import add_photos
from pestvision.collection.library import Library
from pestvision.collection.records import Label, NewCrop, NewPhoto
from tests.photo_files import drawn_glass, exif_block, packed

if TYPE_CHECKING:
    from pathlib import Path

TANKS = ("Amber", "Moss", "Slate")
BOXES = ((10.0, 10.0, 60.5, 50.0), (80.0, 20.0, 120.0, 70.3))


def glass(seed: int, *, height: int = 90, width: int = 140, **exif: Any) -> bytes:
    """A small photo file, with EXIF where asked for."""
    options = {"exif": exif_block(**exif)} if exif else {}
    return packed(drawn_glass(seed, height, width), "JPEG", quality=90, **options)


def net_label(key: str, label: str = "harmless") -> Label:
    """What a net said."""
    at = "2026-11-20T10:00:00.000000Z"
    return Label(key, label, "net", "net", at, model="net-a", confidence=0.75)


def new_photo(seed: int, **about: Any) -> NewPhoto:
    """A drawn photo with two boxes, of one of the tanks."""
    crops = tuple(NewCrop(box, (net_label(f"net{seed}{rank}"),)) for rank, box in enumerate(BOXES))
    usual = {"crops": crops, "tank": TANKS[seed % 3], "camera": f"Cam {seed % 2}"}
    return NewPhoto(glass(seed), f"glass {seed}.jpg", **(usual | about))


def made_album(folder: Path, n_photos: int = 4) -> Library:
    """An album with labels of two keepers: agreed, disputed, taken back, *I don't know*, and none."""
    library = Library(folder)
    photos = [new_photo(seed) for seed in range(n_photos)]
    crops = add_photos(library, photos, who="One").crops
    library.label([crops[0]], "leech", who="One")
    library.label([crops[0]], "leech-like", who="Two")
    library.label([crops[1]], "snail", who="One")
    library.label([crops[1]], "flatworm", who="Two")
    library.label([crops[2]], "dont-know", who="One")
    library.take_back(library.label([crops[3]], "leech", who="One"))
    library.label([crops[3]], "snail", who="Two")
    library.label([crops[4]], "harmless", who="One", settles=True)
    return library


def tables(library: Library) -> dict[str, Any]:
    """All that an album holds, without its row numbers and actions."""
    database = library.database
    photos = database.rows(
        "SELECT sha256, suffix, name, width, height, taken, tank, camera, source FROM photos WHERE id IN "
        "(SELECT photo FROM crops WHERE removed IS NULL) ORDER BY sha256"
    )
    crops = database.rows(
        "SELECT crops.key, sha256, x0, y0, x1, y1, looks, label, n_labels, is_disputed FROM crops "
        "JOIN photos ON photos.id = crops.photo WHERE removed IS NULL ORDER BY crops.key"
    )
    labels = database.rows(
        "SELECT labels.key, crops.key, labels.label, who, kind, model, confidence, at, settles, "
        "withdrawn_at FROM labels JOIN crops ON crops.id = labels.crop WHERE removed IS NULL "
        "ORDER BY labels.key"
    )
    alike: dict[int, set[str]] = {}
    for key, twins in database.rows("SELECT key, twins FROM crops WHERE removed IS NULL"):
        alike.setdefault(twins, set()).add(key)
    groups = sorted(sorted(keys) for keys in alike.values())
    return {"photos": photos, "crops": crops, "labels": labels, "alike": groups}
