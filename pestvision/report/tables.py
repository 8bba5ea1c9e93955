"""The tables of a report: one row a sighting for spreadsheets, one JSON line a view for programs."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING

from pestvision.findings.words import CAUTION
from pestvision.organisms.classes import GROUPS
from pestvision.report.order import by_worry, view_by_worry
from pestvision.storage.cells import safe_cell

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pestvision.arrays import BoxXyxy
    from pestvision.findings.finding import Finding, NightResult, TrackResult, ViewResult
    from pestvision.storage.cells import Cell

COLUMNS: tuple[str, ...] = (
    "view",
    "photo",
    "taken",
    "number",
    "label",
    "confidence",
    *(f"p_{str(group).replace('-', '_')}" for group in GROUPS),
    "most_like",
    "length_mm",
    "length_mm_low",
    "length_mm_high",
    "x0_px",
    "y0_px",
    "x1_px",
    "y1_px",
    "reasons",
    "caution",
)
"""Boxes are in pixels of the original, upright photo; `number` is the one in the report. Lengths are in
millimetres, of the whole track and not of one sighting, and empty where no scale was known."""


def findings_csv(result: NightResult) -> str:
    """Give every sighting of a night as CSV (RFC 4180: comma, CRLF, quotes doubled)."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for view in sorted(result.views, key=view_by_worry):
        for row in _rows(view):
            writer.writerow([safe_cell(value) for value in row])
    return text.getvalue()


def _rows(view: ViewResult) -> Iterator[tuple[Cell, ...]]:
    taken = dict(zip(view.photos, view.taken, strict=True))
    for track in sorted(view.tracks, key=lambda item: by_worry(item.judgement)):
        for name, box in track.sightings:
            place = (view.view, name, taken.get(name), track.id)
            yield (*place, *_judged(track, box))
    if view.still is not None:
        for finding in sorted(view.still.findings, key=lambda item: by_worry(item.judgement)):
            place = (view.view, view.still.photo, view.still.taken, finding.id)
            yield (*place, *_judged(finding, finding.box_xyxy_px))


def _judged(item: TrackResult | Finding, box: BoxXyxy) -> tuple[Cell, ...]:
    judgement = item.judgement
    lengths = (None, None, None) if item.length is None else item.length.as_json().values()
    return (
        judgement.label,
        round(judgement.confidence, 4),
        *judgement.probabilities().values(),
        judgement.fine,
        *lengths,
        *(round(value, 1) for value in box),
        " ".join(judgement.reasons),
        CAUTION,
    )


def night_lines(result: NightResult) -> list[str]:
    """Give a night as JSON Lines, one view a line, by the `night --json` contract.

    ASCII only: a file name that is no text is escaped and comes back as it was. Skipped files that belong to no view are told in the first line, so that none is lost.
    """
    lines = []
    for rank, view in enumerate(result.views):
        line = view.as_json()
        if rank == 0:
            line["skipped"] += [
                {"photo": item.name, "reason": item.reason} for item in result.skipped
            ]
        lines.append(json.dumps(line, ensure_ascii=True, allow_nan=False))
    return lines
