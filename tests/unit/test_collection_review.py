"""What to label next: the reasons, the order, and what is asked only once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from played_album import N_PLACES, Patterned, filled, photo, picture, read_all

from pestvision.collection.adapt import adapt
from pestvision.collection.intake import add_photos
from pestvision.collection.records import NewPhoto, Reading
from pestvision.collection.review import (
    Reason,
    disagreement,
    doubted_labels,
    next_crops,
    unlike,
    unsure,
)
from pestvision.organisms.classes import FINE_NAMES, GROUPS, Group
from pestvision.organisms.net import SIGNATURE

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.collection.library import Library

MODEL = "played"


def note(library: Library, number: int, fine: str, p: float, place: float = 0.0) -> None:
    """Have the net be so sure of a class, for a crop at a place."""
    p_fine = np.full(14, (1 - p) / 13, np.float32)
    p_fine[FINE_NAMES.index(fine)] = p
    where = np.full(N_PLACES, place, np.float32)
    signature = np.ones(SIGNATURE, np.float32)
    library.note_readings([(number, Reading(MODEL, p_fine, where, signature, 1.0, 0.5))])


def test_the_least_sure_is_asked_first_and_says_so(tmp_path: Path) -> None:
    library, numbers = filled(tmp_path, 4)
    with library:
        for number, p in zip(numbers, (0.99, 0.3, 0.8, 0.95), strict=True):
            note(library, number, "leech", p)
        found = next_crops(library, MODEL)
        assert [item.crop.id for item in found][:2] == [numbers[1], numbers[2]]
        assert found[0].reason == Reason.UNSURE
        assert found[0].words == "The net is not sure what it is."
        assert found[-1].likely == Group.LEECH_LIKE
        assert found[-1].p_likely == pytest.approx(0.99)


def test_what_is_unlike_everything_labelled_is_asked(tmp_path: Path) -> None:
    library, numbers = filled(tmp_path, 6)
    with library:
        for number in numbers:
            note(library, number, "leech", 0.97, place=9.0 if number == numbers[5] else 0.0)
        library.label(numbers[:2], "leech")
        found = next_crops(library, MODEL, only=Reason.UNLIKE)
        assert found[0].crop.id == numbers[5]
        assert found[0].reason == Reason.UNLIKE


def test_a_crop_whose_neighbours_are_labelled_otherwise_is_asked(tmp_path: Path) -> None:
    library, numbers = filled(tmp_path, 12)
    with library:
        for number in numbers:
            note(library, number, "leech", 0.97, place=5.0 if number in numbers[:6] else 0.0)
        library.label(numbers[:5], "snail")
        library.label(numbers[6:11], "leech")
        found = next_crops(library, MODEL, only=Reason.NEIGHBOURS)
        assert found[0].crop.id == numbers[5]
        assert "the net says leech-like" in found[0].words.lower()


def test_disputes_come_first_and_labelled_crops_are_left_alone(tmp_path: Path) -> None:
    library, numbers = filled(tmp_path, 5)
    with library:
        for number in numbers:
            note(library, number, "leech", 0.5)
        library.label(numbers[:2], "leech")
        library.label(numbers[1:2], "snail", who="other")
        found = next_crops(library, MODEL)
        assert (found[0].crop.id, found[0].reason) == (numbers[1], Reason.DISPUTED)
        assert numbers[0] not in [item.crop.id for item in found]
        assert len(found) == 4


def test_of_crops_that_look_alike_one_is_asked(tmp_path: Path) -> None:
    library, numbers = filled(tmp_path, 2)
    with library:
        twice = add_photos(library, [photo(0)])
        assert twice.n_known == 1
        larger = NewPhoto(picture(0, side_px=96), "larger.png")
        added = add_photos(library, [larger]).crops
        assert library.crop(added[0]).twins == library.crop(numbers[0]).twins
        for number in (*numbers, *added):
            note(library, number, "leech", 0.5)
        found = [item.crop.id for item in next_crops(library, MODEL)]
        assert len(found) == 2
        assert numbers[1] in found


def test_what_the_net_has_not_read_is_asked_last(tmp_path: Path) -> None:
    library, numbers = filled(tmp_path, 3)
    with library:
        note(library, numbers[2], "leech", 0.9)
        found = next_crops(library, MODEL)
        assert [item.crop.id for item in found] == [numbers[2], numbers[0], numbers[1]]
        assert found[1].likely is None


def test_skipped_crops_are_not_asked_again_and_an_empty_album_asks_nothing(tmp_path: Path) -> None:
    library, numbers = filled(tmp_path / "a", 3)
    with library:
        for number in numbers:
            note(library, number, "leech", 0.5)
        found = next_crops(library, MODEL, skip={numbers[0]})
        assert numbers[0] not in [item.crop.id for item in found]
    empty, _ = filled(tmp_path / "b", 0)
    with empty:
        assert next_crops(empty, MODEL) == []


def test_a_wrong_label_is_doubted_after_adapting_until_it_is_labelled_anew(tmp_path: Path) -> None:
    net: Any = Patterned(shipped_right=0.8, strength=1.0)
    library, numbers = filled(tmp_path, 80)
    with library:
        truth = {number: place % 4 for place, number in enumerate(numbers)}
        wrong = numbers[4:80:16]
        for number, group in truth.items():
            given = (group + 1) % 4 if number in wrong else group
            library.label([number], str(GROUPS[given]))
        read_all(library, net, truth)
        adapt(library, net)
        doubted = [number for number, _ in doubted_labels(library)]
        assert set(wrong) <= set(doubted[:16])
        found = next_crops(library, net.model, only=Reason.DOUBTED)
        assert found[0].words.startswith("It is labelled ")
        library.label([doubted[0]], "leech-like")
        assert doubted[0] not in [number for number, _ in doubted_labels(library)]
        library.delete(doubted[1:2])
        assert doubted[1] not in [number for number, _ in doubted_labels(library)]
        assert doubted[1] not in [item.crop.id for item in next_crops(library, net.model)]


def test_measures_by_hand() -> None:
    p = np.array([[0.5, 0.5, 0.0, 0.0], [1.0, 0.0, 0.0, 0.0], [0.6, 0.3, 0.1, 0.0]])
    np.testing.assert_allclose(unsure(p), [1.0, 0.0, 0.7])
    np.testing.assert_allclose(unlike(np.array([3.0, 1.0, 2.0])), [1.0, 1 / 3, 2 / 3])
    neighbours = np.array([[0, 0, 1], [1, 1, 1], [0, 0, 0]])
    np.testing.assert_allclose(disagreement(p, neighbours), [1 / 3, 1.0, 0.0])
