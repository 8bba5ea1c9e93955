"""The exam of the personal head: nothing is asked about that was labelled, and it can tell good from bad."""

from __future__ import annotations

import numpy as np
import pytest

from pestvision.collection.learn import N_GROUPS
from pestvision.organisms.calibrate import softmax
from training.album_exam import (
    COUNTS,
    Album,
    Answer,
    ask,
    by_photo,
    by_source,
    curve,
    is_let,
    rows_of_curve,
    some_of_each,
    wrong_labels_shown,
)
from training.album_figure import drawn, rows_of
from training.foreign import FOREIGN, draw_tank
from training.yardstick import OPEN, usable

N_FEATURES = 30


def made(*, signal: float, shipped_right: float = 0.6, n: int = 160, seed: int = 0) -> Album:
    """An album of 20 sources with four photos each, two crops a photo."""
    rng = np.random.default_rng(seed)
    groups = np.arange(n) % N_GROUPS
    directions = np.random.default_rng(5).normal(0, 1, (N_GROUPS, N_FEATURES))
    features = signal * directions[groups] + rng.normal(0, 1, (n, N_FEATURES))
    said = np.where(rng.random(n) < shipped_right, groups, rng.integers(0, N_GROUPS, n))
    return Album(
        "made",
        (features / np.sqrt(N_FEATURES)).astype(np.float32),
        np.log(softmax(2.0 * np.eye(N_GROUPS)[said])),
        groups,
        np.array([f"s{place % 4}-{place // 32}" for place in range(n)]),
        np.array([f"p{place % 4}-{place // 8}" for place in range(n)]),
        np.zeros((n, 2), np.float32),  # all at one place: the head has its whole say
    )


@pytest.fixture(autouse=True)
def _small(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("training.album_exam.N_REPEATS", 2)
    monkeypatch.setattr("training.foreign.GROUND_PX", 560)


@pytest.mark.parametrize(("split_of", "what"), [(by_source, "sources"), (by_photo, "photos")])
def test_no_source_or_photo_is_on_both_sides_and_every_group_on_each(split_of, what) -> None:
    album = made(signal=1.0)
    for seed in range(5):
        pool, rest = split_of(album, np.random.default_rng(seed))
        names = getattr(album, what)
        assert not set(names[pool]) & set(names[rest])
        assert sorted([*pool, *rest]) == list(range(len(names)))
        assert set(album.groups[pool]) == set(album.groups[rest]) == set(range(N_GROUPS))


def test_so_many_of_each_group_are_taken_and_fewer_where_there_are_fewer() -> None:
    groups = np.array([0] * 9 + [1] * 3 + [2] * 9)
    index = np.arange(1, 21)
    taken = some_of_each(groups, index, 5, np.random.default_rng(0))
    assert np.bincount(groups[taken]).tolist() == [5, 3, 5]
    assert set(taken) <= set(index)


def test_a_source_weighs_as_much_as_another_within_its_group() -> None:
    album = made(signal=1.0)
    index = np.arange(7, 150)
    weights = album.weights(index)
    for group in range(N_GROUPS):
        sources = album.sources[index]
        for source in set(sources[album.groups[index] == group]):
            mine = (album.groups[index] == group) & (sources == source)
            assert weights[mine].sum() == pytest.approx(1.0)


def test_a_signal_is_let_pass_and_gains_and_no_signal_is_not_let_pass() -> None:
    good, none = made(signal=1.5), made(signal=0.0, shipped_right=0.8)
    rng = np.random.default_rng(0)
    answer = ask(good, by_photo(good, rng), 20, rng)
    assert answer.is_let
    assert answer.used == answer.always > answer.shipped + 0.1
    assert answer.n_labelled == 80
    answer = ask(none, by_photo(none, rng), 20, rng)
    assert answer.used == answer.shipped
    assert not is_let(none.taught(np.arange(80)))[0]


def test_the_curve_has_a_row_for_each_count_and_is_the_same_each_time() -> None:
    albums = [made(signal=1.0)]
    first, second = curve(albums, by_photo), curve(albums, by_photo)
    assert first == second
    rows = list(rows_of_curve("other photos", first))
    assert len(rows) == len(COUNTS)
    assert all(row.count("|") == 10 for row in rows)


def test_a_loss_of_more_than_a_point_is_counted() -> None:
    lost, kept = (Answer(8, 0.8, used, 0.9, 0.7, is_let=True) for used in (0.785, 0.795))
    (row,) = rows_of_curve("x", {5: [lost, kept, kept]})
    assert "| 1 of 3 |" in row


def test_wrong_labels_are_shown_early_where_crops_can_be_told() -> None:
    assert min(wrong_labels_shown([made(signal=1.5, shipped_right=0.8)])) >= 0.8
    assert max(wrong_labels_shown([made(signal=0.0, shipped_right=0.25)])) <= 0.6


def test_the_picture_shows_every_row_of_the_table() -> None:
    table = [
        "14 classes",
        "| split | asked for a group | labelled | shipped | used | always | alone | let | lost > 1 |",
        "|---|---|---|---|---|---|---|---|---|",
        "| other photos | 5 | 20 | 0.800 | 0.810 | 0.820 | 0.700 | 40% | 1 of 120 |",
        "| other photos | 20 | 60 | 0.800 | 0.830 | 0.860 | 0.750 | 60% | 1 of 120 |",
        "| old phone | 5 | 20 | 0.600 | 0.610 | 0.620 | 0.500 | 0% | 0 of 20 |",
    ]
    rows = rows_of(table)
    assert [row[0] for row in rows] == ["other photos", "other photos", "old phone"]
    picture = drawn(rows)
    assert picture.count("<polyline") == 8
    for words in ("other photos", "old phone", "shipped", "labels a group"):
        assert words in picture


@pytest.mark.parametrize("name", list(FOREIGN))
def test_a_foreign_tank_is_drawn_the_same_each_time_and_unlike_the_plain_one(name: str) -> None:
    crops, groups = draw_tank(7, FOREIGN[name], n_each=1)
    again, _ = draw_tank(7, FOREIGN[name], n_each=1)
    plain, _ = draw_tank(7, lambda rgb, _rng: rgb, n_each=1)
    assert len(crops) == len(groups) == 14
    assert set(groups) == {0, 1, 2, 3}
    assert all(crop.shape == (224, 224, 3) and crop.dtype == np.uint8 for crop in crops)
    for one, other in zip(crops, again, strict=True):
        np.testing.assert_array_equal(one, other)
    apart = [np.abs(a.astype(int) - b).mean() for a, b in zip(crops, plain, strict=True)]
    assert min(apart) > 3
    if name == "infra-red":
        assert all((crop[..., 0] == crop[..., 1]).all() for crop in crops)


def test_the_yardstick_takes_open_licences_and_no_stress_set() -> None:
    from types import SimpleNamespace

    made_of = [(OPEN, "planarian"), ("unstated", "planarian"), (OPEN, "marine-polyclad")]
    examples = [SimpleNamespace(licence=licence, kind=kind) for licence, kind in made_of]
    assert usable(examples) == examples[:1]  # type: ignore[arg-type, comparison-overlap]
