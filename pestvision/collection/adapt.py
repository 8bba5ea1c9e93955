"""Learn from the keeper's labels, and use what was learned only where it is proven to be better.

A personal head is tried on crops that it has not learned from, whole photos and bursts at a time. It is
adopted when it tells more of the keeper's own crops right by more than chance, misses no more leeches, and
still tells what the shipped head tells of a yardstick that comes with the net. Every version is kept.
"""

from __future__ import annotations

import json
import math
import time
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from pestvision.collection.learn import (
    N_GROUPS,
    Taught,
    ask_unseen,
    balanced_accuracy,
    balanced_likelihood,
    doubt_of_labels,
    fit,
    gain_interval,
)
from pestvision.collection.readings import read_unread
from pestvision.collection.records import KEEPER, group_of, require_name, stamp
from pestvision.errors import LabelError
from pestvision.organisms.calibrate import conformal_threshold, fit_temperature, softmax
from pestvision.organisms.classes import GROUP_NAMES, GROUPS, Group
from pestvision.organisms.personal import (
    PersonalHead,
    features_of,
    log_groups,
    read_head,
    write_head,
)
from pestvision.organisms.yardstick import load_yardstick
from pestvision.progress import silent

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy.typing as npt

    from pestvision.arrays import F32, F64
    from pestvision.collection.library import Library
    from pestvision.organisms.classify import Classifier
    from pestvision.progress import Progress

NEEDED_CROPS = 5
NEEDED_UNITS = 3
"""Of a group, before it can be learned: fewer cannot be divided into some to learn and some to ask about."""
GOOD_CROPS = 20
"""Of a group: so many are advised where a head was no better; see the curve in `training/README.md`."""
BURST_S = 60.0
"""Photos of one tank taken within so long are one burst: they show the same animals (common practice)."""
MARGIN = 0.02
"""By so much of balanced accuracy a head may fall behind the shipped one on the yardstick: less than the standard
error of a share of .83 of its 248 crops, .024."""
LEECH_MARGIN = 0.05
"""And by so much more of the keeper's own leeches, or one of them, it may rule out: a missed one costs a brood
(common practice, no source). Ruled out is what is less likely leech-like than `LEAST_LEECH`."""
LEAST_LEECH = 0.10  # as the card's rule for looking again
ALPHA = 0.05  # of the conformal sets, as on the model card
ENOUGH_TO_CALIBRATE = 40
"""Labels from which temperature and conformal threshold are the keeper's own: with 38 the threshold would
still be the largest score."""
N_WORST = 12
LEECH = GROUPS.index(Group.LEECH_LIKE)


@dataclass(frozen=True, slots=True)
class Version:
    """A personal head that was tried.

    `about` holds its figures: `n`, `own`, `yardstick`, `confusion_before`, `confusion_after` (rows are the
    labelled groups, columns what was said, in the order of `GROUPS`), `worst`.
    """

    id: int
    at: str
    is_better: bool
    is_trusted: bool
    about: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of adapting: `sentence` for the person, `missing` what more labels would help."""

    version: Version | None
    is_adopted: bool
    sentence: str
    missing: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Material:
    """The labelled crops of an album that a net has read: their numbers, and what is learned from them."""

    numbers: tuple[int, ...]
    taught: Taught


def gather(library: Library, model: str, middle: F32) -> Material:
    """Give every crop with a label of a group that a model has read."""
    rows = library.database.rows(
        "SELECT crops.id, crops.label, crops.twins, photos.id, photos.tank, photos.taken, "
        "readings.p_fine, readings.place, signatures.signature "
        "FROM crops JOIN photos ON photos.id = crops.photo "
        "JOIN readings ON readings.crop = crops.id AND readings.model = ? "
        "JOIN signatures ON signatures.crop = crops.id AND signatures.model = ? "
        "WHERE crops.removed IS NULL AND crops.label IS NOT NULL ORDER BY crops.id",
        (model, model),
    )
    known = [(row, group) for row in rows if (group := group_of(row[1])) is not None]
    rows = [row for row, _ in known]
    p_fine = _floats([row[6] for row in rows], "<f4", 14)
    places = _floats([row[7] for row in rows], "<f2", None)
    signatures = _floats([row[8] for row in rows], "<f2", len(middle))
    taught = Taught(
        features_of(signatures, middle),
        log_groups(p_fine),
        np.array([GROUPS.index(group) for _, group in known], np.int64),
        units_of([row[2] for row in rows], [row[3:6] for row in rows]),
        places,
    )
    return Material(tuple(int(row[0]) for row in rows), taught)


def units_of(
    twins: Sequence[int], photos: Sequence[tuple[int, str | None, str | None]]
) -> npt.NDArray[np.int64]:
    """Give the number of the unit of each of (N,) crops.

    Parameters
    ----------
    twins
        Crops of one number look alike.
    photos
        Number, tank and time of each crop's photo. Crops of one photo belong together, and those of
        photos of one tank taken within `BURST_S`.
    """
    n = len(twins)
    above = list(range(n))

    def top(index: int) -> int:
        while above[index] != index:
            above[index] = above[above[index]]
            index = above[index]
        return index

    first_of: dict[tuple[str, int], int] = {}
    for index in range(n):
        for key in (("twins", twins[index]), ("photo", photos[index][0])):
            above[top(index)] = top(first_of.setdefault(key, index))
    timed = sorted(
        (tank or "", moment, index)
        for index, (_, tank, taken) in enumerate(photos)
        if (moment := _seconds(taken)) is not None
    )
    for (tank, moment, index), (next_tank, next_moment, after) in pairwise(timed):
        if tank == next_tank and next_moment - moment <= BURST_S:
            above[top(after)] = top(index)
    return np.array([top(index) for index in range(n)], np.int64)


def missing(library: Library) -> tuple[str, ...]:
    """Say what labels are needed before adapting makes sense; nothing where there are enough."""
    rows = library.database.rows(
        "SELECT crops.label, crops.twins, photos.id, photos.tank, photos.taken "
        "FROM crops JOIN photos ON photos.id = crops.photo "
        "WHERE crops.removed IS NULL AND crops.label IS NOT NULL"
    )
    known = [(group, row) for row in rows if (group := group_of(row[0])) is not None]
    units = units_of([row[1] for _, row in known], [row[2:5] for _, row in known])
    groups = np.array([GROUPS.index(group) for group, _ in known], np.int64)
    return _missing(groups, units)


def _missing(groups: npt.NDArray[np.int64], units: npt.NDArray[np.int64]) -> tuple[str, ...]:
    """Two groups must be ready, one of them a pest or something taken for one; any two will do."""
    needs: list[tuple[int, str]] = []
    for index, group in enumerate(GROUPS):
        n_crops = int((groups == index).sum())
        n_units = len(np.unique(units[groups == index]))
        more = max(NEEDED_CROPS - n_crops, NEEDED_UNITS - n_units, 0)
        if more:
            needs.append((more, _more(more, group)))
    n_ready = N_GROUPS - len(needs)
    if n_ready >= 2:
        return ()
    return tuple(words for _, words in sorted(needs)[: 2 - n_ready])


def _more(n: int, group: Group) -> str:
    noun = "crop" if n == 1 else "crops"
    return f"{n} more {GROUP_NAMES[group]} {noun}, from other photos or days"


def adapt(
    library: Library, classifier: Classifier, *, who: str = KEEPER, progress: Progress = silent
) -> Outcome:
    """Learn from the labels, measure, and adopt what was learned where it is better.

    Parameters
    ----------
    library, classifier
        The album and the net.
    who
        Who asks for it.
    progress
        Told while crops are read that the net has not read yet; about 60 a second.

    Returns
    -------
    Outcome
        With the version that was tried, adopted or not; without one where labels are missing.
    """
    who = require_name(who, "the person")
    gaps = missing(library)
    if gaps:
        return Outcome(None, False, f"Not enough labels yet: {_and(gaps)}.", gaps)
    read_unread(library, classifier, labelled_only=True, progress=progress)
    started = time.monotonic()
    progress(0, 1, "learning from your labels")
    shipped = classifier.with_head(None)
    material = gather(library, shipped.model, shipped.middle)
    gaps = _missing(material.taught.groups, material.taught.units)
    if gaps:  # pictures that are damaged or gone cannot be read
        return Outcome(None, False, f"Not enough labels yet: {_and(gaps)}.", gaps)
    head, about = learn(material, shipped)
    about["seconds"] = round(time.monotonic() - started, 2)
    is_better = not about["against"]
    with library.database.atomic():
        at = stamp(library.now())
        number = library.database.run(
            "INSERT INTO heads (at, model, parameters, about, is_better) VALUES (?, ?, ?, ?, ?)",
            (at, shipped.model, write_head(head), json.dumps(about), int(is_better)),
        )
        if is_better:
            library.database.run(
                "INSERT INTO trusted (at, who, head) VALUES (?, ?, ?)", (at, who, number)
            )
    progress(1, 1, "learning from your labels")
    version = Version(number, at, is_better, is_better, about)
    advice = () if is_better else _advice(material.taught)
    return Outcome(version, is_better, _sentence(number, about, advice), advice)


def learn(material: Material, shipped: Classifier) -> tuple[PersonalHead, dict[str, Any]]:
    """Fit a head, and measure it on crops that it has not learned from; give it with its figures.

    `about["against"]` lists what speaks against it, as sentences; empty where it is better.
    """
    taught = material.taught
    unseen = ask_unseen(taught)
    before, after = taught.log_p, unseen.logits
    fitted = fit(taught, pull=unseen.pull)
    has_many = len(taught) >= ENOUGH_TO_CALIBRATE
    temperature = fit_temperature(after, taught.groups.astype(np.float64)) if has_many else 1.0
    p_after = softmax(after / temperature)
    right = p_after[np.arange(len(taught)), taught.groups]
    threshold = min(conformal_threshold(1 - right, ALPHA), 1.0) if has_many else None
    head = PersonalHead(
        weights=fitted.weights.astype(np.float32),
        bias=fitted.bias.astype(np.float32),
        share=fitted.share,
        temperature=temperature,
        set_threshold=threshold,
        middle=shipped.middle,
        places=taught.places,
        near=fitted.near,
        model=shipped.model,
    )
    low, high = gain_interval(taught, after, balanced_accuracy)
    about: dict[str, Any] = {
        "n": {str(group): int((taught.groups == i).sum()) for i, group in enumerate(GROUPS)},
        "n_units": len(np.unique(taught.units)),
        "own": {
            "before": balanced_accuracy(taught.groups, before),
            "after": balanced_accuracy(taught.groups, after),
            "low": low,
            "high": high,
            "likelihood_low": gain_interval(taught, after, balanced_likelihood)[0],
            "leeches_kept_before": leeches_kept(taught.groups, before)[0],
            "leeches_kept_after": leeches_kept(taught.groups, after)[0],
            "misses_leeches": misses_leeches(taught.groups, before, after),
        },
        "yardstick": _yardstick(head, shipped),
        "confusion_before": confusion(taught.groups, before),
        "confusion_after": confusion(taught.groups, after),
        "worst": _worst(material, p_after),
        "doubts": {
            str(number): round(float(doubt), 3)
            for number, doubt in zip(
                material.numbers, doubt_of_labels(taught.groups, after), strict=True
            )
        },
        "pull": unseen.pull,
        "temperature": temperature,
        "set_threshold": threshold,
    }
    about["against"] = _against(about)
    return head, about


def confusion(groups: npt.NDArray[np.int64], logits: F64) -> list[list[int]]:
    """Count crops by labelled group (rows) and by what is said (columns), in the order of `GROUPS`."""
    table = np.zeros((N_GROUPS, N_GROUPS), np.int64)
    np.add.at(table, (groups, logits.argmax(1)), 1)
    return [[int(n) for n in row] for row in table]


def versions(library: Library) -> list[Version]:
    """Give every version that was tried, the newest first."""
    trusted = _trusted(library)
    return [
        Version(number, at, bool(is_better), number == trusted, json.loads(about))
        for number, at, is_better, about in library.database.rows(
            "SELECT id, at, is_better, about FROM heads ORDER BY id DESC"
        )
    ]


def trust(library: Library, version: int | None, *, who: str = KEEPER) -> str:
    """Use a version from now on, or the shipped head where None; give a sentence that says so.

    Raises
    ------
    LabelError
        If there is no such version, or it was not better than the shipped head.
    """
    who = require_name(who, "the person")
    with library.database.atomic():
        if version is not None:
            row = library.database.one("SELECT is_better FROM heads WHERE id = ?", (version,))
            if row is None:
                message = f"There is no version {version} of your own labels' head."
                raise LabelError(message, advice="See them with: pestvision album trust")
            if not row[0]:
                message = f"Version {version} was measured and is no better than the shipped head."
                raise LabelError(message, advice="Label more crops, and adapt again.")
        library.database.run(
            "INSERT INTO trusted (at, who, head) VALUES (?, ?, ?)",
            (stamp(library.now()), who, version),
        )
    if version is None:
        return "The shipped head is in use again; your labels and versions are kept."
    return f"Version {version} of your own labels' head is in use."


def personal_classifier(library: Library, classifier: Classifier) -> Classifier:
    """Give the classifier with the head that is trusted, or with the shipped one.

    A head that was learned with other weights of the net is not used: adapt again then.
    """
    number = _trusted(library)
    row = None
    if number is not None:
        row = library.database.one("SELECT model, parameters FROM heads WHERE id = ?", (number,))
    if number is None or row is None or row[0] != classifier.model:
        return classifier if classifier.head is None else classifier.with_head(None)
    return classifier.with_head(read_head(row[1], model=row[0], version=number))


def _trusted(library: Library) -> int | None:
    row = library.database.one("SELECT head FROM trusted ORDER BY id DESC LIMIT 1")
    return None if row is None or row[0] is None else int(row[0])


def _yardstick(head: PersonalHead, shipped: Classifier) -> dict[str, float]:
    """Hold a head to the crops that come with the net; both are asked about the same ones."""
    yardstick = load_yardstick(shipped)
    if yardstick is None:
        return {}
    p_fine = shipped.p_fine_of(yardstick.signatures)
    places = shipped.places_of(yardstick.signatures)
    after = head.group_logits(p_fine, yardstick.signatures, places)
    return {
        "before": balanced_accuracy(yardstick.groups, log_groups(p_fine)),
        "after": balanced_accuracy(yardstick.groups, after),
        "margin": MARGIN,
    }


def _against(about: dict[str, Any]) -> list[str]:
    own, yardstick = about["own"], about["yardstick"]
    against = []
    if not (own["likelihood_low"] > 0 and own["after"] >= own["before"]):
        against.append(
            f"the gain on your own crops, {_points(own['after'] - own['before'])}, may be chance "
            f"({_points(own['low'])} to {_points(own['high'])})"
        )
    if own["misses_leeches"]:
        against.append("it would rule out more of your leeches")
    if yardstick and yardstick["after"] < yardstick["before"] - MARGIN:
        against.append(
            f"it falls behind by {_points(yardstick['before'] - yardstick['after'])} on the yardstick "
            f"that comes with the net, and {_points(MARGIN)} are allowed"
        )
    return against


def _sentence(number: int, about: dict[str, Any], advice: tuple[str, ...]) -> str:
    own = about["own"]
    told = (
        f"of your own crops it tells {own['after']:.0%} right, the one before {own['before']:.0%} "
        "(each group counts alike, asked only about photos it has not learned from)"
    )
    if not about["against"]:
        return f"Version {number} is in use: {told}."
    more = f" More labels would help: {_and(advice)}." if advice else ""
    return f"Version {number} is not used: {_and(about['against'])}.{more}"


def _advice(taught: Taught) -> tuple[str, ...]:
    """Say of which groups more labels would help most."""
    counts = [int((taught.groups == index).sum()) for index in range(N_GROUPS)]
    needs = [
        (GOOD_CROPS - n, group) for n, group in zip(counts, GROUPS, strict=True) if n < GOOD_CROPS
    ]
    needs.sort(key=lambda item: (item[1] not in (Group.LEECH_LIKE, Group.FLATWORM_LIKE), -item[0]))
    return tuple(_more(more, group) for more, group in needs[:2])


def leeches_kept(groups: npt.NDArray[np.int64], logits: F64) -> tuple[int, int]:
    """Count the labelled leeches that are not ruled out, and all labelled leeches."""
    mine = groups == LEECH
    kept = softmax(logits[mine])[:, LEECH] >= LEAST_LEECH
    return int(kept.sum()), int(mine.sum())


def misses_leeches(groups: npt.NDArray[np.int64], before: F64, after: F64) -> bool:
    """Tell whether more leeches are ruled out than before, beyond `LEECH_MARGIN` and a single one."""
    kept, n = leeches_kept(groups, before)
    lost = kept - leeches_kept(groups, after)[0]
    return lost > max(1.0, LEECH_MARGIN * n)


def _worst(material: Material, p: F64) -> list[dict[str, Any]]:
    """List the crops that the new head gets most wrong, those with the surest mistakes first."""
    groups = material.taught.groups
    wrong = np.flatnonzero(p.argmax(1) != groups)
    order = wrong[np.argsort(-p[wrong].max(1))][:N_WORST]
    return [
        {
            "crop": material.numbers[index],
            "label": str(GROUPS[groups[index]]),
            "said": str(GROUPS[int(p[index].argmax())]),
            "p": round(float(p[index].max()), 3),
        }
        for index in order
    ]


def _floats(blobs: Sequence[bytes], kind: str, width: int | None) -> F32:
    if not blobs:
        return np.zeros((0, width or 0), np.float32)
    joined = np.frombuffer(b"".join(blobs), kind)
    return joined.reshape(len(blobs), -1).astype(np.float32)


def _seconds(taken: str | None) -> float | None:
    """Give an ISO time as seconds for comparing; the zone is left out, since one camera keeps one."""
    if taken is None:
        return None
    try:
        moment = datetime.fromisoformat(taken).replace(tzinfo=None)
    except ValueError:
        return None
    return (moment - datetime(2000, 1, 1)).total_seconds()  # noqa: DTZ001 - both without a zone


def _points(share: float) -> str:
    if not math.isfinite(share):
        return "nothing measurable"
    n = round(100 * share, 1)
    return f"{n:g} point{'' if abs(n) == 1 else 's'}"


def _and(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
