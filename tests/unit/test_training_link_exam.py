"""The exam of who is who, on made-up places: what counts as one identity, a break, a swap, a false track."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pestvision.motion.blobs import Blob
from pestvision.motion.links import LinkEvidence
from pestvision.motion.tracks import Mover
from training import link_exam
from training.link_exam import (
    NO_FLAWS,
    Flaws,
    Found,
    Marks,
    Truth,
    boxes_of,
    fitted,
    found_by_truth,
    is_honest,
    mark,
    mover_at,
    samples_of,
    steps_of,
    table,
)
from training.scenes.series import SeriesMover


def box(x: float, y: float = 100.0) -> tuple[float, float, float, float]:
    return (x - 20.0, y - 10.0, x + 20.0, y + 10.0)


def truth_of(*paths: dict[int, float], n: int = 4, sigmas: float = 9.0) -> Truth:
    """Movers on rows of their own, 200 pixels apart: for each the middle's x by photo."""
    fines = ("leech", "snail", "shrimp-or-fish")[: len(paths)]
    return Truth(
        movers=tuple(SeriesMover(k, fine, 40.0, sigmas) for k, fine in enumerate(fines)),
        fines=fines,
        places=tuple(
            {k: box(path[p], 100 + 200 * k) for k, path in enumerate(paths) if p in path}
            for p in range(n)
        ),
        matrices=(np.eye(3),) * n,
        size=(700, 900),
    )


def tracks_of(*pairs: list[tuple[int, object, object]]) -> tuple[tuple[Mover, ...], ...]:
    return tuple(tuple(Mover(one, other, None, 9.0, n) for n, one, other in pair) for pair in pairs)


WALKS = ({0: 100, 1: 170, 2: 240, 3: 310}, {0: 100, 1: 160, 2: 220, 3: 280})


def marked(monkeypatch: pytest.MonkeyPatch, truth: Truth, tracks: object) -> Marks:
    monkeypatch.setattr(link_exam, "linked", lambda _found: tracks)
    marks = Marks()
    mark(marks, truth, [Found(np.eye(3), ())] * 3)
    return marks


def walked(*numbers: tuple[int, int]) -> tuple[tuple[Mover, ...], ...]:
    """Every mover found on every photo, with the numbers given by pair."""
    return tracks_of(
        *(
            [
                (number[k], box(path[p], 100 + 200 * k), box(path[p + 1], 100 + 200 * k))
                for k, path in enumerate(WALKS)
            ]
            for p, number in enumerate(numbers)
        )
    )


@pytest.mark.parametrize(
    ("numbers", "kept", "breaks", "swaps"),
    [
        (((1, 2), (1, 2), (1, 2)), [True, True], 0, 0),
        (((1, 2), (1, 2), (3, 2)), [False, True], 1, 0),  # a break
        (((1, 1), (1, 1), (1, 1)), [False, False], 0, 1),  # one track that holds both
        (((1, 2), (2, 1), (2, 1)), [False, False], 2, 2),  # they change numbers
    ],
)
def test_an_identity_is_kept_by_one_number_that_is_nobody_elses(
    monkeypatch: pytest.MonkeyPatch, numbers: object, kept: list[bool], breaks: int, swaps: int
) -> None:
    marks = marked(monkeypatch, truth_of(*WALKS), walked(*numbers))  # type: ignore[misc]
    assert marks.kept == kept
    assert (marks.breaks, marks.swaps) == (breaks, swaps)
    assert marks.found == [True] * 8
    assert marks.kept_creeping == kept
    assert f"{sum(kept) / 2:.3f}" in table(marks)


def test_keep_rates_are_told_by_number_and_by_the_longest_step(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Steps of 70 and 60 pixels are 1.75 and 1.5 lengths; one of 130 pixels more is 3.25."""
    marks = marked(monkeypatch, truth_of(*WALKS), walked((1, 2), (1, 2), (3, 2)))
    assert marks.kept_of_n == {2: [False, True]}
    assert marks.kept_by_step == {1: [False, True]}
    assert marks.steps_creeping == pytest.approx([1.75] * 3 + [1.5] * 3)
    far = truth_of({0: 100, 1: 230, 2: 240, 3: 310}, WALKS[1])
    assert steps_of(far, far.movers[0]) == pytest.approx([3.25, 0.25, 1.75])
    assert "longest step 1 to 3 lengths | 0.500" in table(marks)


def test_a_piece_with_another_number_counts_by_every_box_only(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    whole = walked((1, 2), (1, 2), (1, 2))
    piece = Mover((95.0, 95.0, 110.0, 105.0), None, None, 9.0, 7)
    marks = marked(monkeypatch, truth_of(*WALKS), ((*whole[0], piece), *whole[1:]))
    assert marks.kept == [True, True]
    assert marks.kept_by_all == [False, True]


def test_what_is_too_faint_or_found_once_has_no_identity_to_lose(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    whole = walked((1, 2), (3, 2), (1, 2))
    assert marked(monkeypatch, truth_of(*WALKS, sigmas=3.9), whole).kept == []
    once = tracks_of([(1, box(100), None)], [], [])
    marks = marked(monkeypatch, truth_of(WALKS[0]), once)
    assert (marks.kept, marks.unseen, marks.found) == ([], 1, [True, False, False, False])


def test_a_track_is_false_that_touches_no_mover_anywhere() -> None:
    truth = truth_of(*WALKS)
    near = (100.0, 109.0, 180.0, 189.0)  # grazes the first mover, its middle far off
    tracks = tracks_of([(1, box(700, 600), None), (2, near, None)], [(3, box(170), None)], [])
    boxes, false = boxes_of(truth, tracks)
    assert false == {1}
    assert boxes == {0: {1: [(3, 1.0)]}}


def test_a_box_on_two_movers_is_the_ones_that_it_overlaps_most() -> None:
    places = {0: box(100), 1: box(120)}
    assert mover_at(places, box(106)) == 0
    assert mover_at(places, box(114)) == 1
    assert mover_at(places, box(400)) is None


def test_blobs_made_from_the_truth_without_flaws_are_linked_without_fault() -> None:
    truth = truth_of(*WALKS, {0: 100, 1: 100, 2: 260, 3: 300})
    found = found_by_truth(np.random.default_rng(1), truth, NO_FLAWS)
    assert [blob.seen_on for blob in found[0].blobs] == ["first", "second"] * 2  # the third rests
    marks = Marks()
    mark(marks, truth, found)
    assert marks.kept == [True] * 3
    assert marks.honest == [True]
    assert (marks.n_tracks, marks.false_tracks) == (3, 0)


def test_movers_that_are_alike_have_one_colour(rng):
    truth = truth_of(*WALKS)
    for alike in (False, True):
        (first, *_rest) = found_by_truth(rng, truth, replace(NO_FLAWS, alike=alike))
        assert (len({blob.contrast_rgb for blob in first.blobs}) == 1) is alike


def test_flaws_are_as_many_as_asked_for() -> None:
    truth = truth_of(*WALKS, n=4)
    rng = np.random.default_rng(2)
    missing = [found_by_truth(rng, truth, Flaws(missed=0.5, false_a_pair=0.0)) for _ in range(60)]
    n_blobs = sum(len(one.blobs) for found in missing for one in found)
    assert 0.4 < n_blobs / (60 * 12) < 0.6
    noisy = [found_by_truth(rng, truth, Flaws(missed=1.0, false_a_pair=2.0)) for _ in range(30)]
    assert 1.5 < sum(len(one.blobs) for found in noisy for one in found) / 90 < 2.5


def test_a_count_above_the_truth_is_not_honest() -> None:
    """One leech, and two places on its long body that lie too far apart to be told as one."""
    blobs = tuple(
        Blob((x, 95.0, x + 20.0, 105.0), "first", 9.0, 200, 20.0, (40.0, 40.0, 40.0))
        for x in (100.0, 380.0)
    )
    long_leech = Truth(
        movers=(SeriesMover(0, "leech", 300.0, 9.0),),
        fines=("leech",),
        places=({0: (100.0, 90.0, 400.0, 110.0)},) * 2,
        matrices=(np.eye(3),) * 2,
        size=(700, 900),
    )
    assert not is_honest(long_leech, [Found(np.eye(3), blobs)])
    assert is_honest(long_leech, [Found(np.eye(3), blobs[:1])])


def test_weights_fitted_on_true_places_speak_for_the_near_and_the_alike() -> None:
    samples = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        starts = rng.uniform(60, 600, 3)
        paths = [{p: float(x + 60 * p) for p in range(4)} for x in starts]
        truth = truth_of(*paths)
        samples += samples_of(truth, found_by_truth(rng, truth, Flaws(missed=0.3)))
    _const, weights = fitted(samples)
    assert isinstance(weights, LinkEvidence)
    assert weights.near_1 < 0
    assert {is_one for _evidence, is_one in samples} == {True, False}
