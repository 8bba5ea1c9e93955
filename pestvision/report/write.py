"""Write a report: three files that are all there, or none."""

from __future__ import annotations

import contextlib
import os
import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pestvision.errors import OutputError
from pestvision.findings.kept import FOLDER_NAME as UNFINISHED
from pestvision.report.html import render_report
from pestvision.report.tables import findings_csv, night_lines

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from pathlib import Path

    from pestvision.findings.finding import NightResult
    from pestvision.organisms.classify import Classifier

HTML_NAME = "report.html"
CSV_NAME = "findings.csv"
JSONL_NAME = "night.jsonl"
NAMES = (JSONL_NAME, CSV_NAME, HTML_NAME)
"""In the order of writing: where the page is, the tables are too."""

MAX_NUMBERED = 1000  # reports of one name in one place; more is a mistake in a script


@dataclass(frozen=True, slots=True)
class ReportFiles:
    """Where a report was written."""

    folder: Path
    html: Path
    csv: Path
    jsonl: Path


def write_report(
    result: NightResult,
    out: Path,
    *,
    replace: bool = False,
    written: datetime | None = None,
    classifier: Classifier | None = None,
) -> ReportFiles:
    """Write report.html, findings.csv and night.jsonl into a folder.

    Parameters
    ----------
    result
        A scanned night.
    out
        The folder to write into; made where it is missing. Where a report already lies there, `-2`,
        `-3` and so on is added to its name, unless `replace` is True or that report is not whole.
    replace
        Write over a report that lies there.
    written
        When the report is written, to be told in it; now where None.
    classifier
        Asked which places of the shown crops speak for their label; None leaves those pictures out.

    Returns
    -------
    ReportFiles
        The folder and the three files.

    Raises
    ------
    OutputError
        If the files cannot be written. No half-written file stays, and a report that was to be
        replaced is still there.
    """
    texts = {
        JSONL_NAME: "".join(line + "\n" for line in night_lines(result)),
        CSV_NAME: "\ufeff" + findings_csv(result),  # the mark by which spreadsheets know UTF-8
        HTML_NAME: render_report(result, written=written, classifier=classifier),
    }
    folder = out
    try:
        folder, is_new = _claim_folder(out, replace=replace)
        try:
            _write_all(folder, texts)
        except OSError:
            if is_new:
                with contextlib.suppress(OSError):
                    folder.rmdir()
            raise
    except OSError as error:
        message = f"The report cannot be written to {folder}: {error.strerror or error}."
        advice = "Free some space, or choose another folder that you may write to."
        raise OutputError(message, advice=advice) from error
    return ReportFiles(folder, folder / HTML_NAME, folder / CSV_NAME, folder / JSONL_NAME)


def _claim_folder(out: Path, *, replace: bool) -> tuple[Path, bool]:
    """Give the first folder of this name that holds no report, and whether it was made here."""
    for folder in _numbered(out):
        try:
            folder.mkdir(parents=True)
        except FileExistsError:
            if _is_free(folder) or replace:
                return folder, False
        else:
            return folder, True
    raise _too_many(out)


def free_folder(out: Path) -> Path:
    """Give the folder that `write_report` would write into, and make nothing.

    Raises
    ------
    OutputError
        If there are too many reports of this name.
    """
    for folder in _numbered(out):
        if not os.path.lexists(folder) or _is_free(folder):
            return folder
    raise _too_many(out)


def _numbered(out: Path) -> Iterator[Path]:
    out = out if out.name not in {"", ".."} else out.resolve()
    yield out
    for rank in range(2, MAX_NUMBERED):
        yield out.with_name(f"{out.name}-{rank}")


def _is_free(folder: Path) -> bool:
    """Tell whether a folder that is there holds no report, or one that is not whole."""
    if not folder.is_dir():
        return False
    return (folder / UNFINISHED).is_dir() or not any((folder / name).exists() for name in NAMES)


def _too_many(out: Path) -> OutputError:
    message = f"There are {MAX_NUMBERED - 1} reports named {out.name} already."
    return OutputError(message, advice="Choose another name, or move old reports away.")


def _write_all(folder: Path, texts: dict[str, str]) -> None:
    """Write every text under a temporary name, then give all of them their names."""
    waiting: dict[Path, Path] = {}
    try:
        for name in NAMES:
            temporary = folder / f".{name}.{secrets.token_hex(4)}"
            with temporary.open("xb") as file:
                waiting[folder / name] = temporary
                file.write(texts[name].encode("utf-8", "replace"))  # names can hold anything
                file.flush()
                os.fsync(file.fileno())
        for final, temporary in waiting.items():
            temporary.replace(final)
    finally:
        for temporary in waiting.values():
            with contextlib.suppress(OSError):
                temporary.unlink(missing_ok=True)
    _sync_folder(folder)


def _sync_folder(folder: Path) -> None:
    """Make the new names last through a power cut, where the system can."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
