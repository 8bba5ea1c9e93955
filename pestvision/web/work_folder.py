"""The private folder of one run of the page: what is sent, what is kept, and the reports."""

from __future__ import annotations

import shutil
import tempfile
import time
from pathlib import Path

from pestvision.errors import OutputError
from pestvision.web import words

STALE_WORK_S = 7 * 86400  # folders older than that were left by a page that was killed


def make_work_folder(parent: Path | None = None) -> Path:
    """Make a private folder for one run of the page, and clear away those of runs long dead.

    Parameters
    ----------
    parent
        Where to make it; `page` in the user's data folder where None.

    Raises
    ------
    OutputError
        If it cannot be made.
    """
    import platformdirs

    if parent is None:
        parent = platformdirs.user_data_path("pestvision", appauthor=False) / "page"
    try:
        parent.mkdir(parents=True, exist_ok=True)
        for old in parent.glob("run-*"):
            if time.time() - old.stat().st_mtime > STALE_WORK_S:
                shutil.rmtree(old, ignore_errors=True)
        work = Path(tempfile.mkdtemp(prefix="run-", dir=parent))
        for name in ("sent", "kept", "reports"):
            (work / name).mkdir()
    except OSError as error:
        message = words.NO_WORK_FOLDER.format(folder=parent, reason=error.strerror)
        raise OutputError(message, advice=words.NO_WORK_FOLDER_ADVICE) from error
    return work
