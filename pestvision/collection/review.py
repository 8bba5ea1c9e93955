"""What to label next: the few crops that would teach most, each with the reason why it is asked about."""

from __future__ import annotations

import json
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.collection.records import Crop, group_of
from pestvision.organisms.calibrate import group_probabilities
from pestvision.organisms.classes import GROUP_NAMES, GROUPS, Group

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence

    import numpy.typing as npt

    from pestvision.arrays import F32, F64
    from pestvision.collection.library import Library

MOST_WEIGHED = 4000
"""Unlabelled crops that are weighed at a time: the least sure ones by half, and by half any others. With
50,000 the list is there within a second."""
N_NEIGHBOURS = 5  # labelled crops asked what a crop is; few, so that they are near
DOUBTED_FROM = 0.0  # of a label: another group is as likely, asked without that label
ORDER_STEP = 5
"""Of so many suggestions one is a label that is doubted, while there are such."""


class Reason(StrEnum):
    """Why a crop is asked about."""

    DISPUTED = "disputed"
    DOUBTED = "doubted"
    UNSURE = "unsure"
    UNLIKE = "unlike"
    NEIGHBOURS = "neighbours"


WORDS: dict[Reason, str] = {
    Reason.DISPUTED: "People disagree on it.",
    Reason.DOUBTED: "Its label does not fit the other labels: is it right?",
    Reason.UNSURE: "The net is not sure what it is.",
    Reason.UNLIKE: "It is unlike everything that is labelled.",
    Reason.NEIGHBOURS: "Crops that look like it are labelled otherwise than the net says.",
}


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A crop to label next.

    `words` says why in a sentence. `likely` is the group that the net holds likeliest, with its
    probability; None where the net has not read the crop.
    """

    crop: Crop
    reason: Reason
    words: str
    likely: Group | None
    p_likely: float


def next_crops(
    library: Library,
    model: str,
    *,
    limit: int = 12,
    only: Reason | None = None,
    skip: Collection[int] = (),
) -> list[Suggestion]:
    """Give the crops that would teach most, the best first; of those that look alike one alone.

    Parameters
    ----------
    library
        The album.
    model
        Names the net whose readings are asked; crops that it has not read come last.
    limit
        How many.
    only
        One reason alone.
    skip
        Crops not wanted, by number: those that the person has passed over.
    """
    skipped = set(skip)
    doubted = iter([number for number, _ in doubted_labels(library) if number not in skipped])
    numbers: list[tuple[int, Reason]] = []
    if only in {None, Reason.DISPUTED}:
        numbers += [(number, Reason.DISPUTED) for number in _disputed(library, limit)]
    if only in {None, Reason.UNSURE, Reason.UNLIKE, Reason.NEIGHBOURS}:
        weighed = _weighed(library, model, only)
        if only is None:
            weighed = _with_doubted(weighed, doubted)
        numbers += weighed
    if only in {None, Reason.DOUBTED}:
        numbers += [(number, Reason.DOUBTED) for number in doubted]
    if only is None:
        numbers += [(number, Reason.UNLIKE) for number in _not_read(library, model, limit)]
    chosen = [item for item in dict.fromkeys(numbers) if item[0] not in skipped]
    return _suggestions(library, model, chosen, limit)


def doubted_labels(library: Library) -> list[tuple[int, float]]:
    """Give labelled crops whose label is doubted, with the doubt, the most doubted first.

    The doubts are those of the last time that the tool learned from the labels (`learn.doubt_of_labels`);
    a crop that was labelled or taken away since is left out.
    """
    row = library.database.one("SELECT at, about FROM heads ORDER BY id DESC LIMIT 1")
    if row is None:
        return []
    at, about = row
    doubts = {int(number): float(doubt) for number, doubt in json.loads(about)["doubts"].items()}
    changed = {
        int(number)
        for (number,) in library.database.rows(
            "SELECT crop FROM labels WHERE at > ? OR withdrawn_at > ? "
            "UNION SELECT id FROM crops WHERE removed IS NOT NULL",
            (at, at),
        )
    }
    there = {int(number) for (number,) in library.database.rows("SELECT id FROM crops")}
    found = [
        (number, doubt)
        for number, doubt in doubts.items()
        if doubt > DOUBTED_FROM and number in there and number not in changed
    ]
    return sorted(found, key=lambda item: -item[1])


def _disputed(library: Library, limit: int) -> list[int]:
    sql = "SELECT id FROM crops WHERE is_disputed = 1 AND removed IS NULL ORDER BY id LIMIT ?"
    return [int(row[0]) for row in library.database.rows(sql, (limit,))]


def _not_read(library: Library, model: str, limit: int) -> list[int]:
    sql = (
        "SELECT id FROM crops WHERE removed IS NULL AND label IS NULL AND is_disputed = 0 AND NOT EXISTS "
        "(SELECT 1 FROM readings WHERE readings.crop = crops.id AND readings.model = ?) LIMIT ?"
    )
    return [int(row[0]) for row in library.database.rows(sql, (model, limit))]


def _with_doubted(
    weighed: Sequence[tuple[int, Reason]], doubted: Iterator[int]
) -> list[tuple[int, Reason]]:
    """Put a doubted label after every few others."""
    joined = []
    for place, item in enumerate(weighed, start=1):
        joined.append(item)
        if place % (ORDER_STEP - 1) == 0:
            number = next(doubted, None)
            if number is not None:
                joined.append((number, Reason.DOUBTED))
    return joined


@dataclass(frozen=True, slots=True, eq=False)
class _Read:
    """Crops that were read: `numbers` (N,), `p_groups` (N, 4), `places` (N, D), `twins` (N,)."""

    numbers: npt.NDArray[np.int64]
    p_groups: F64
    places: F32
    twins: npt.NDArray[np.int64]

    def some(self, index: npt.NDArray[np.int64]) -> _Read:
        return _Read(
            self.numbers[index], self.p_groups[index], self.places[index], self.twins[index]
        )


def _read(rows: Sequence[tuple[Any, ...]]) -> _Read:
    """Take rows of `(number, twins, p_fine, place)`."""
    if not rows:
        none = np.zeros(0, np.int64)
        return _Read(none, np.zeros((0, len(GROUPS))), np.zeros((0, 1), np.float32), none)
    numbers, twins, p_fine, places = zip(*rows, strict=True)
    return _Read(
        np.array(numbers, np.int64),
        group_probabilities(np.frombuffer(b"".join(p_fine), "<f4").reshape(len(rows), -1)),
        np.frombuffer(b"".join(places), "<f2").reshape(len(rows), -1).astype(np.float32),
        np.array(twins, np.int64),
    )


_COLUMNS = "crops.id, crops.twins, readings.p_fine, readings.place"
_FROM = (
    "FROM crops JOIN readings ON readings.crop = crops.id AND readings.model = ? "
    "WHERE crops.removed IS NULL AND crops.is_disputed = 0"
)


def _weighed(library: Library, model: str, only: Reason | None) -> list[tuple[int, Reason]]:
    """Weigh unlabelled crops; give them by how much they would teach, one of each that look alike."""
    waiting = _read(
        library.database.rows(f"SELECT {_COLUMNS} {_FROM} AND crops.label IS NULL", (model,))
    )
    if not len(waiting.numbers):
        return []
    waiting = _a_few(waiting)
    rows = library.database.rows(
        f"SELECT {_COLUMNS}, crops.label {_FROM} AND crops.label IS NOT NULL", (model,)
    )
    known = [row for row in rows if group_of(row[4]) is not None]
    labelled = _read([row[:4] for row in known])
    groups = np.array([GROUPS.index(Group(group_of(row[4]) or "")) for row in known], np.int64)
    scores = {Reason.UNSURE: unsure(waiting.p_groups)}
    if known:
        apart, nearest = _nearest(waiting.places, labelled.places)
        scores[Reason.UNLIKE] = unlike(apart)
        scores[Reason.NEIGHBOURS] = disagreement(waiting.p_groups, groups[nearest])
    if only is not None:
        scores = {reason: score for reason, score in scores.items() if reason == only}
    if not scores:
        return []
    table = np.stack(list(scores.values()))
    reasons = list(scores)
    order = np.argsort(-table.max(0), kind="stable")
    seen: set[int] = set()
    chosen = []
    for index in order:
        twins = int(waiting.twins[index])
        if twins not in seen:
            seen.add(twins)
            chosen.append((int(waiting.numbers[index]), reasons[int(table[:, index].argmax())]))
    return chosen


def _a_few(waiting: _Read) -> _Read:
    """Keep the least sure half of `MOST_WEIGHED`, and as many of the others, spread evenly."""
    if len(waiting.numbers) <= MOST_WEIGHED:
        return waiting
    order = np.argsort(-unsure(waiting.p_groups), kind="stable")
    half = MOST_WEIGHED // 2
    rest = np.sort(order[half:])
    spread = rest[np.linspace(0, len(rest) - 1, half).astype(np.int64)]
    return waiting.some(np.concatenate([order[:half], spread]))


def unsure(p_groups: F64) -> F64:
    """Give how unsure the net is of (N, 4) probabilities: 1 where two groups are as likely, 0 for certain.

    Source: Settles 2009, "Active learning literature survey", section 3.1 (margin sampling).
    """
    ordered = np.sort(p_groups, axis=1)
    return np.asarray(1.0 - (ordered[:, -1] - ordered[:, -2]))


def unlike(apart: F64) -> F64:
    """Turn (N,) distances to the nearest labelled crop into 0 to 1: by their rank among all."""
    order = np.argsort(np.argsort(apart, kind="stable"), kind="stable")
    return np.asarray((order + 1) / len(apart))


def disagreement(p_groups: F64, neighbours: npt.NDArray[np.int64]) -> F64:
    """Give the share of (N, k) labelled neighbours, by group, that are of another than the likeliest."""
    return np.asarray((neighbours != p_groups.argmax(1)[:, None]).mean(1))


def _nearest(places: F32, labelled: F32) -> tuple[F64, npt.NDArray[np.int64]]:
    """Give each place's distance to the nearest labelled one, and which are the nearest few."""
    squares = (
        np.square(places).sum(1)[:, None]
        + np.square(labelled).sum(1)[None]
        - 2.0 * (places @ labelled.T)
    )
    n = min(N_NEIGHBOURS, len(labelled))
    nearest = np.argpartition(squares, n - 1, axis=1)[:, :n]
    return np.sqrt(np.maximum(squares.min(1), 0.0)).astype(np.float64), nearest


def _suggestions(
    library: Library, model: str, numbers: Sequence[tuple[int, Reason]], limit: int
) -> list[Suggestion]:
    """Look up crops and what the net says of them, those that look alike once."""
    found: list[Suggestion] = []
    seen: set[int] = set()
    for start in range(0, len(numbers), 4 * limit):
        part = numbers[start : start + 4 * limit]
        said = _said(library, model, [number for number, _ in part])
        for (_, reason), crop in zip(
            part, library.crops([number for number, _ in part]), strict=True
        ):
            if crop.id in seen or (reason != Reason.DOUBTED and -crop.twins in seen):
                continue
            seen |= {crop.id, -crop.twins}
            likely, p_likely = said.get(crop.id, (None, 0.0))
            found.append(Suggestion(crop, reason, _words(crop, reason, likely), likely, p_likely))
            if len(found) == limit:
                return found
    return found


def _said(library: Library, model: str, numbers: Sequence[int]) -> dict[int, tuple[Group, float]]:
    marks = ",".join("?" * len(numbers))
    rows = library.database.rows(
        f"SELECT crop, p_fine FROM readings WHERE model = ? AND crop IN ({marks})",
        (model, *numbers),
    )
    said = {}
    for number, p_fine in rows:
        p_groups = group_probabilities(np.frombuffer(p_fine, "<f4"))
        said[int(number)] = (GROUPS[int(p_groups.argmax())], float(p_groups.max()))
    return said


def _words(crop: Crop, reason: Reason, likely: Group | None) -> str:
    words = WORDS[reason]
    if reason == Reason.DOUBTED and crop.group is not None:
        words = f"It is labelled {GROUP_NAMES[crop.group]}, which does not fit the other labels: is it right?"
    if reason == Reason.NEIGHBOURS and likely is not None:
        words = f"The net says {GROUP_NAMES[likely]}, and crops that look like it are labelled otherwise."
    return words
