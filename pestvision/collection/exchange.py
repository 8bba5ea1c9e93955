"""Hand albums on and take them in: the two doors of the album, and what they answer with."""

from __future__ import annotations

from pestvision.collection.export_album import LAYOUTS, Exported, export_album
from pestvision.collection.import_album import Conflict, Imported, Overlap, import_album

__all__ = [
    "LAYOUTS",
    "Conflict",
    "Exported",
    "Imported",
    "Overlap",
    "export_album",
    "import_album",
]
