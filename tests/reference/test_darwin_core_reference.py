"""The table of observations, held against the standard's own words and a reader of its archives."""

from __future__ import annotations

import zipfile
from datetime import datetime
from typing import TYPE_CHECKING
from xml.sax.saxutils import quoteattr

from dwca.darwincore.terms import TERMS as READERS_TERMS
from dwca.read import DwCAReader

from pestvision.tanks.darwincore import COLUMNS, observations_csv
from pestvision.tanks.keys import log_key
from pestvision.tanks.records import Kind, Note, Pest
from tests.made_log import START, Hand, look, shelf

if TYPE_CHECKING:
    from pathlib import Path

TERMS = "http://rs.tdwg.org/dwc/terms/"
NEWER = {"degreeOfEstablishment"}
"""Not in the reader's own list of terms, which is older."""

# Darwin Core quick reference, terms of 2026-05-26: occurrenceStatus was `present` and `absent` before.
STATUS = {"detected", "notDetected"}
# The same: the classes that basisOfRecord may name, those of this table.
BASES = {"HumanObservation", "MachineObservation"}


def archive(folder: Path) -> Path:
    """Put our table into an archive, as the text guide to Darwin Core has it."""
    with shelf(folder / "data", Hand()) as log:
        log.add(
            look("Amber", START, 2, remark='a "quoted"\r\nremark, with a comma'),
            look("Moss", START),
            Note("Slate", START, Kind.REMOVED, pest=Pest.FLATWORM, taken=1),
        )
        table = observations_csv(log.notes(), log.tanks(), key=log_key(log), has_remarks=True)
    fields = "".join(
        f"<field index='{rank}' term={quoteattr(TERMS + name)}/>"
        for rank, name in enumerate(COLUMNS)
    )
    meta = (
        '<archive xmlns="http://rs.tdwg.org/dwc/text/">'
        "<core encoding='UTF-8' fieldsTerminatedBy=',' "
        "linesTerminatedBy='\\r\\n' fieldsEnclosedBy='&quot;' ignoreHeaderLines='1' "
        f"rowType='{TERMS}Occurrence'><files><location>occurrence.csv</location></files>"
        f"<id index='0'/>{fields}</core></archive>"
    )
    path = folder / "observations.zip"
    with zipfile.ZipFile(path, "w") as file:
        file.writestr("occurrence.csv", table)
        file.writestr("meta.xml", meta)
    return path


def test_every_column_is_a_term_of_the_standard() -> None:
    known = {term.removeprefix(TERMS) for term in READERS_TERMS if term.startswith(TERMS)}
    assert set(COLUMNS) - known == NEWER


def test_a_reader_of_archives_reads_every_row(tmp_path: Path) -> None:
    with DwCAReader(str(archive(tmp_path))) as opened:
        assert opened.descriptor.core.type == f"{TERMS}Occurrence"
        rows = [{term: row.data[TERMS + term] for term in COLUMNS} for row in opened.rows]
        ids = [row.id for row in opened.rows]
    assert ids == [row["occurrenceID"] for row in rows]
    assert [row["individualCount"] for row in rows] == ["2", "0", "1"]
    assert {row["occurrenceStatus"] for row in rows} == STATUS
    assert {row["basisOfRecord"] for row in rows} <= BASES
    assert "a comma" in rows[0]["occurrenceRemarks"]
    for row in rows:
        assert datetime.fromisoformat(row["eventDate"]) == START
