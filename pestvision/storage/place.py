"""Where the album is kept."""

from __future__ import annotations

import os
from pathlib import Path

DATA_VARIABLE = "PESTVISION_DATA"
"""Names the data folder for the commands and the page where none is given."""


def data_folder(given: Path | None = None) -> Path:
    """Give the data folder: the one given, else the one that `DATA_VARIABLE` names, else the user's own."""
    if given is not None:
        return given
    named = os.environ.get(DATA_VARIABLE)
    if named:
        return Path(named).expanduser()
    import platformdirs

    return platformdirs.user_data_path("pestvision", appauthor=False)
