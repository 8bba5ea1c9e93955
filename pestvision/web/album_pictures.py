"""Crops of the album as small pictures for the page, cut once and kept for a while."""

from __future__ import annotations

from collections import OrderedDict
from concurrent.futures import ThreadPoolExecutor
from threading import Lock, Thread
from typing import TYPE_CHECKING

from pestvision.errors import StoreError
from pestvision.organisms.crops import cut_crop
from pestvision.report.pictures import jpeg_uri

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pestvision.collection.library import Library
    from pestvision.collection.records import Crop

THUMB_PX = 112
LARGE_PX = 448
"""Side of the crop that is asked about: sharp on a phone's screen, and 30 kB to send."""
QUALITY = 82
MOST_KEPT = 2000  # a thumbnail has about 5 kB
N_WORKERS = 2  # the two ordinary cores this is made for


class CropPictures:
    """Gives crops as data addresses.

    Parameters
    ----------
    library
        Gives the album.
    """

    def __init__(self, library: Callable[[], Library]) -> None:
        self._library = library
        self._kept: OrderedDict[tuple[str, int], str] = OrderedDict()
        self._lock = Lock()

    def uri(self, crop: Crop, side_px: int = THUMB_PX) -> str:
        """Give one crop; an empty text where its photo is damaged or gone."""
        place = (crop.key, side_px)
        with self._lock:
            known = self._kept.get(place)
            if known is not None:
                self._kept.move_to_end(place)
                return known
        return self._cut(self._library(), crop, side_px)

    def _cut(self, library: Library, crop: Crop, side_px: int) -> str:
        try:
            rgb = library.photo_rgb(crop)
        except StoreError:
            return ""
        cut = cut_crop(rgb, crop.box_xyxy_px, size_px=side_px)
        uri = jpeg_uri(cut, quality=QUALITY)
        with self._lock:
            self._kept[crop.key, side_px] = uri
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
        return uri

    def uris(self, crops: Sequence[Crop], side_px: int = THUMB_PX) -> list[str]:
        """Give several, those of one photo one after the other."""
        by_photo: dict[int, list[Crop]] = {}
        for crop in crops:
            by_photo.setdefault(crop.photo, []).append(crop)

        def cut(group: list[Crop]) -> list[tuple[int, str]]:
            return [(crop.id, self.uri(crop, side_px)) for crop in group]

        with ThreadPoolExecutor(N_WORKERS, "album pictures") as pool:
            found = dict(item for group in pool.map(cut, by_photo.values()) for item in group)
        return [found[crop.id] for crop in crops]

    def prepare(self, crops: Sequence[Crop], side_px: int) -> None:
        """Cut pictures that will be asked for next, on a thread of its own."""
        library = self._library()
        with self._lock:
            unknown = [crop for crop in crops if (crop.key, side_px) not in self._kept]

        def cut() -> None:
            for crop in unknown:
                self._cut(library, crop, side_px)

        if unknown:
            Thread(target=cut, name="album pictures", daemon=True).start()
