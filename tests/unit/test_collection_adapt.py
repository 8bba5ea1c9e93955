"""Adapting: what is missing, what is adopted and what is not, and going back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from played_album import Patterned, filled, read_all

from pestvision.collection.adapt import (
    adapt,
    confusion,
    leeches_kept,
    misses_leeches,
    missing,
    personal_classifier,
    trust,
    units_of,
    versions,
)
from pestvision.errors import LabelError
from pestvision.organisms.classes import GROUPS, Group

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.collection.library import Library

N = 96


def taught_album(folder: Path, net: Patterned, *, n: int = N) -> tuple[Library, dict[int, int]]:
    """An album whose crops are labelled rightly and were read."""
    library, numbers = filled(folder, n)
    groups = {number: place % 4 for place, number in enumerate(numbers)}
    for group in range(4):
        mine = [number for number, own in groups.items() if own == group]
        if mine:
            library.label(mine, str(GROUPS[group]))
    read_all(library, net, groups)
    return library, groups


def test_what_can_be_learned_is_adopted_and_worn(tmp_path: Path) -> None:
    net: Any = Patterned(shipped_right=0.5, strength=1.0)
    library, groups = taught_album(tmp_path, net)
    with library:
        outcome = adapt(library, net)
        assert outcome.is_adopted
        assert outcome.version is not None
        own = outcome.version.about["own"]
        assert own["after"] > own["before"] + 0.1
        worn = personal_classifier(library, net)
        assert worn.head is not None
        assert worn.head.version == outcome.version.id == 1
        # on crops that it has never seen, too
        fresh = {number: number % 4 for number in range(1000, 1200)}
        readings = [net.read(number, group) for number, group in fresh.items()]
        p = np.stack([item.p_fine for item in readings])
        signatures = np.stack([item.signature for item in readings])
        places = np.stack([item.place for item in readings])
        logits = worn.head.group_logits(p, signatures, places)
        right = (logits.argmax(1) == np.array(list(fresh.values()))).mean()
        assert right > own["before"] + 0.1
        assert len(worn.head.places) == len(groups)


def test_labels_that_teach_nothing_change_nothing_and_say_what_would_help(tmp_path: Path) -> None:
    net: Any = Patterned(shipped_right=0.7, strength=0.0)
    library, _ = taught_album(tmp_path, net, n=48)
    with library:
        outcome = adapt(library, net)
        assert not outcome.is_adopted
        assert "is not used" in outcome.sentence
        assert "may be chance" in outcome.sentence
        assert any(
            "8 more leech-like crops, from other photos or days" in m for m in outcome.missing
        )
        assert personal_classifier(library, net).head is None
        (kept,) = versions(library)
        assert not kept.is_better
        with pytest.raises(LabelError, match="no better than the shipped") as refused:
            trust(library, kept.id)
        assert refused.value.advice


def test_wrong_labels_are_not_adopted(tmp_path: Path) -> None:
    net: Any = Patterned(shipped_right=0.9, strength=1.0)
    library, numbers = filled(tmp_path, 60)
    with library:
        rng = np.random.default_rng(0)
        for number in numbers:
            library.label([number], str(GROUPS[int(rng.integers(4))]))
        read_all(library, net, {number: place % 4 for place, number in enumerate(numbers)})
        assert not adapt(library, net).is_adopted


def test_going_back_is_one_call_and_versions_are_kept(tmp_path: Path) -> None:
    net: Any = Patterned(shipped_right=0.5)
    library, _ = taught_album(tmp_path, net)
    with library:
        adapt(library, net)
        adapt(library, net)
        assert [(v.id, v.is_trusted) for v in versions(library)] == [(2, True), (1, False)]
        assert "Version 1" in trust(library, 1)
        assert personal_classifier(library, net).head is not None
        assert personal_classifier(library, net).head.version == 1  # type: ignore[union-attr]
        assert "shipped head is in use again" in trust(library, None)
        assert personal_classifier(library, net).head is None
        assert len(versions(library)) == 2
        with pytest.raises(LabelError, match="no version 7"):
            trust(library, 7)


def test_a_head_of_other_weights_is_not_worn(tmp_path: Path) -> None:
    net: Any = Patterned(shipped_right=0.5)
    library, _ = taught_album(tmp_path, net)
    with library:
        adapt(library, net)
        other: Any = Patterned()
        other.model = "newer weights"
        assert personal_classifier(library, other).head is None


def test_two_groups_from_three_photos_each_are_enough(tmp_path: Path) -> None:
    library, numbers = filled(tmp_path, 12)
    with library:
        assert len(missing(library)) == 2
        library.label(numbers[:5], "leech")
        assert missing(library) == ("5 more flatworm-like crops, from other photos or days",)
        library.label(numbers[5:9], "snail")
        assert missing(library) == ("1 more harmless crop, from other photos or days",)
        library.label(numbers[9:10], "limpet")
        assert missing(library) == ()


def test_too_few_labels_are_told_and_nothing_is_written(tmp_path: Path) -> None:
    net: Any = Patterned()
    library, numbers = filled(tmp_path, 6)
    with library:
        library.label(numbers[:3], "leech-like")
        outcome = adapt(library, net)
        assert outcome.version is None
        assert outcome.sentence.startswith("Not enough labels yet: 2 more leech-like crops")
        assert versions(library) == []


def test_one_photo_one_burst_and_what_looks_alike_are_one_unit() -> None:
    night = "2026-03-01T22:00:0{}"
    photos = [
        (1, "Amber", None),
        (1, "Amber", None),  # the same photo
        (2, "Amber", night.format(1)),
        (3, "Amber", night.format(9)),  # eight seconds later
        (4, "Moss", night.format(9)),  # the same moment, another tank
        (5, "Amber", "2026-03-01T23:00:00"),  # an hour later
        (6, None, "no time"),
        (7, None, None),
    ]
    units = units_of([10, 11, 12, 13, 14, 15, 16, 16], photos)
    assert units[0] == units[1]
    assert units[2] == units[3]
    assert units[6] == units[7]  # they look alike
    assert len(set(units.tolist())) == 5


def test_the_confusion_table_is_that_of_scikit_learn() -> None:
    from sklearn.metrics import confusion_matrix

    rng = np.random.default_rng(1)
    groups, logits = rng.integers(0, 4, 50), rng.normal(0, 1, (50, 4))
    expected = confusion_matrix(groups, logits.argmax(1), labels=range(4))
    assert confusion(groups, logits) == expected.tolist()


def test_leeches_ruled_out_speak_against_a_head() -> None:
    leech = GROUPS.index(Group.LEECH_LIKE)
    groups = np.full(40, leech)
    sure = np.log(np.full((40, 4), 1e-6))
    sure[:, leech] = 0.0
    for n_lost, speaks in ((0, False), (1, False), (2, False), (3, True)):
        after = sure.copy()
        after[:n_lost] = [-9.0, -9.0, 0.0, -9.0]
        assert leeches_kept(groups, after) == (40 - n_lost, 40)
        assert misses_leeches(groups, sure, after) is speaks
