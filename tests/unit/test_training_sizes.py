"""Animals reduced to a few pixels, and the least length that the tool tells anything at."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from made_run import FLATWORM, HARMLESS, LEECH, example_of

from pestvision.organisms.crops import cut_crop
from training.sizes import USUAL_MIN_LENGTH_PX, least_length_px, seen_small, size_curve, size_row

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64, U8
    from training.data import Example


def test_a_reduced_crop_is_the_one_cut_from_a_photo_in_which_the_animal_is_that_small() -> None:
    rng = np.random.default_rng(3)
    photo = np.kron(rng.integers(60, 200, (48, 48, 3)), np.ones((8, 8, 1)))
    photo = np.clip(photo + rng.normal(0, 40, photo.shape), 0, 255).astype(np.uint8)
    box = (96.0, 128.0, 256.0, 224.0)  # 160 px long
    far = photo.reshape(48, 8, 48, 8, 3).mean((1, 3)).astype(np.uint8)  # a camera 8 times as far
    cut = cut_crop(far, tuple(value / 8 for value in box))
    small = seen_small(cut_crop(photo, box), 20)
    assert small.shape == cut.shape
    other = np.abs(cut_crop(photo, box).astype(int) - cut).mean()
    assert np.abs(small.astype(int) - cut).mean() < 0.25 * other


def test_detail_smaller_than_a_pixel_is_gone() -> None:
    stripes = np.zeros((224, 224, 3), np.uint8)
    stripes[:, ::2] = 255
    wide = np.kron(stripes[:4, :4], np.ones((56, 56, 1))).astype(np.uint8)
    assert seen_small(stripes, 16).std() < 0.1 * seen_small(wide, 16).std()
    assert seen_small(wide, 16).std() > 0.8 * wide.std()


def four_groups(n: int) -> list[Example]:
    groups = (LEECH, FLATWORM, HARMLESS, 3)
    made = [example_of(group, f"s{group}-{i}") for group in groups for i in range(n)]
    return [replace(item, crop=np.full((224, 224, 3), 50, np.uint8)) for item in made]


def told(groups: Sequence[int], right: Sequence[bool]) -> F64:
    p = np.full((len(groups), 4), 0.02)
    for row, group, is_right in zip(p, groups, right, strict=True):
        row[group if is_right else (group + 2) % 4] = 0.94
    return p


def test_a_curve_leaves_out_what_is_shorter_and_counts_the_rest() -> None:
    examples = [
        replace(item, length_px=length)
        for item, length in zip(four_groups(2), [10.0, 40.0] * 4, strict=True)
    ]
    asked: list[list[int]] = []

    def ask(crops: Sequence[U8], indices: Sequence[int]) -> F64:
        assert len(crops) == len(indices)
        asked.append(list(indices))
        return told([examples[i].group for i in indices], [True] * len(indices))

    rows = size_curve(examples, ask, look_again=0.1, sizes_px=(8, 32, 64))
    assert asked == [list(range(8)), [1, 3, 5, 7]]  # at 64 px there is nothing to measure
    assert [(row["length_px"], row["n"], row["n_leech"]) for row in rows] == [(8, 8, 2), (32, 4, 1)]
    assert all(row["balanced_accuracy"] == row["leech_auc"] == 1.0 for row in rows)


def test_a_row_is_what_it_is_by_hand() -> None:
    groups = np.array([0, 0, 0, 1, 2, 2, 3])
    right = [True, True, False, True, True, False, True]
    p = told(groups.tolist(), right)
    weights = np.array([0.25, 0.25, 0.5, 1.0, 0.5, 0.5, 1.0])
    row = size_row(p, groups, weights, look_again=0.1)
    assert row["leech_called"] == row["leech_found"] == 0.5  # the heavy one is missed
    assert row["balanced_accuracy"] == pytest.approx((0.5 + 1 + 0.5 + 1) / 4)
    # over the others: .94 (half of the leeches' weight) ties with the one called leech, 1/6 of the others;
    # the missed one (.02) ties with the other 5/6
    assert row["leech_auc"] == pytest.approx(0.5 * (5 / 6 + 1 / 12) + 0.5 * (5 / 12), abs=1e-4)
    assert size_row(p, groups, weights, look_again=0.01)["leech_found"] == 1.0


def curve(areas: dict[int, float]) -> list[dict[str, Any]]:
    return [{"length_px": length, "leech_auc": area} for length, area in areas.items()]


def test_the_least_length_is_the_shortest_that_holds_for_all_longer_ones_too() -> None:
    good = {8: 0.95, 16: 0.96, 32: 0.97}
    assert least_length_px({"a": curve(good), "b": curve(good)}) == (8.0, True)
    # a dip at 16 makes what lies below a lucky draw
    assert least_length_px({"a": curve(good | {16: 0.89}), "b": curve(good)}) == (32.0, True)
    assert least_length_px({"a": curve(good), "b": curve(good | {8: 0.8999})}) == (16.0, True)
    assert least_length_px({"a": curve(good | {8: 0.9})}) == (8.0, True)


def test_where_no_length_is_good_enough_our_own_rule_holds_and_says_so() -> None:
    bad = {8: 0.99, 16: 0.99, 32: 0.89}
    assert least_length_px({"a": curve(bad)}) == (USUAL_MIN_LENGTH_PX, False)
