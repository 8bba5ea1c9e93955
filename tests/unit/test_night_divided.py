"""A night looked over in stretches, by any executor and in any order, says what one process says."""

from __future__ import annotations

import json
import pickle
import threading
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest
from played_night import PaintedClassifier, Script, player, walk
from threadpoolctl import threadpool_info, threadpool_limits

from pestvision.errors import WeightsError
from pestvision.findings import crew as crew_module
from pestvision.findings import stretch as stretch_module
from pestvision.findings.stretch import cut_into_stretches
from pestvision.findings.views import ONE_PHOTO
from pestvision.report.tables import findings_csv, night_lines

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Future

    from pestvision.findings.finding import NightResult

LONGER_THAN_ANY = 1000  # photos: a view is then one stretch, as if it were not divided


class Posted(ThreadPoolExecutor):
    """Sends tasks and answers as bytes, as other processes and computers do; counts what waits."""

    most_waiting = 0
    waiting = 0

    def submit(self, call: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        sent = pickle.dumps((call, args, kwargs))
        self.waiting += 1
        self.most_waiting = max(self.most_waiting, self.waiting)

        def work() -> Any:
            called, its_args, its_kwargs = pickle.loads(sent)  # noqa: S301 - its own bytes
            return pickle.loads(pickle.dumps(called(*its_args, **its_kwargs)))  # noqa: S301

        def gone(_done: object) -> None:
            self.waiting -= 1

        future = super().submit(work)
        future.add_done_callback(gone)
        return future


@pytest.fixture
def play(monkeypatch: pytest.MonkeyPatch) -> Callable[..., NightResult]:
    monkeypatch.setattr(crew_module, "_classifier_here", PaintedClassifier)
    return player(monkeypatch)


@pytest.fixture
def cut(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    return lambda n_pairs: monkeypatch.setattr(stretch_module, "STRETCH_PAIRS", n_pairs)


def told(night: NightResult) -> tuple[list[str], str, tuple[Any, ...], list[str | None]]:
    skipped = tuple((item.name, item.reason) for item in night.skipped)
    return night_lines(night), findings_csv(night), skipped, [v.busiest for v in night.views]


def some_animals(n_photos: int) -> dict[int, tuple[str, dict[int, tuple[float, ...]]]]:
    return {
        1: ("snail", walk(0, min(n_photos, 7), y=20)),
        2: ("leech", walk(2, min(n_photos, 9), y=90)),
        3: ("bubble", walk(0, min(n_photos, 8), y=160)),
    }


def left(n_photos: int = 9, **changes: Any) -> Script:
    return Script(n_photos=n_photos, animals=some_animals(n_photos), **changes)


NIGHTS: dict[str, Callable[[], tuple[Script, ...]]] = {
    "one view": lambda: (left(),),
    "several views": lambda: (left(), left(4, name="right"), left(2, name="back")),
    "a view of one photo": lambda: (left(), left(1, name="right"), left(3, name="back")),
    "a bad photo inside": lambda: (left(undecodable={1, 5}),),
    "a bad photo at a seam": lambda: (left(undecodable={2}),),
    "bad photos at every seam": lambda: (left(undecodable={2, 3, 4, 6}),),
    "a bad first and a bad last photo": lambda: (left(undecodable={0, 8}),),
    "a whole stretch bad": lambda: (left(undecodable={2, 3, 4, 5, 6}),),
    "one good photo left": lambda: (left(undecodable={0, 1, 2, 3, 5, 6, 7, 8}),),
    "no good photo": lambda: (left(3, undecodable={0, 1, 2}), left(3, name="right")),
    "a single bad photo": lambda: (left(1, undecodable={0}), left(3, name="right")),
    "pairs that cannot be aligned": lambda: (left(unaligned={1, 3}),),
}


@pytest.mark.parametrize("n_pairs", [1, 2, 3])
@pytest.mark.parametrize("who", ["this process", "an executor"])
@pytest.mark.parametrize("name", NIGHTS)
def test_a_divided_night_says_what_an_undivided_one_says(
    play, cut, name: str, who: str, n_pairs: int
) -> None:
    cut(LONGER_THAN_ANY)
    undivided = told(play(*NIGHTS[name]()))
    cut(n_pairs)
    if who == "this process":
        divided = told(play(*NIGHTS[name]()))
    else:
        with Posted(3) as executor:
            divided = told(play(*NIGHTS[name](), executor=executor))
    assert divided == undivided


def test_the_nights_of_this_file_hold_what_they_are_to_show(play) -> None:
    """Or else the comparison above would compare nothing with nothing."""
    (view,) = play(left(undecodable={2})).views
    assert len(view.tracks) >= 2
    assert {track.judgement.label for track in view.tracks} == {"leech-like", "harmless"}
    assert [item.name for item in view.skipped] == ["left/002.jpg"]
    assert ("left/001.jpg", "left/003.jpg") in [(p.first, p.second) for p in view.pairs]


@pytest.mark.parametrize(
    ("n_photos", "sizes"),
    [
        (1, [1]),
        (2, [2]),
        (3, [3]),  # two pairs, the most of a stretch here
        (4, [3, 2]),
        (5, [3, 3]),
        (8, [3, 3, 3, 2]),
    ],
)
def test_stretches_share_their_end_photo_and_hold_every_pair(
    cut, n_photos: int, sizes: list[int]
) -> None:
    cut(2)
    script = Script(n_photos=n_photos)
    frames = tuple(script.frame(rank) for rank in range(n_photos))
    stretches = cut_into_stretches(frames)
    assert [len(stretch) for stretch in stretches] == sizes
    for one, other in pairwise(stretches):
        assert one[-1] == other[0]
    pairs = [couple for s in stretches for couple in pairwise(s)]
    assert pairs == list(pairwise(frames))


def test_one_process_decodes_each_photo_once_although_stretches_share_photos(play, cut) -> None:
    cut(2)
    script = left()
    play(script)
    assert script.n_decoded == 9 + 1  # once more, the one to be shown
    assert script.most_alive == 2


def test_views_are_given_in_order_though_a_later_one_is_done_first(play) -> None:
    is_right_read = threading.Event()

    class Late(Script):
        def photo(self, rank: int) -> Any:
            if rank == 0:
                assert is_right_read.wait(timeout=30)
            return super().photo(rank)

    class Early(Script):
        def photo(self, rank: int) -> Any:
            if rank == self.n_photos - 1:
                is_right_read.set()
            return super().photo(rank)

    given: list[str] = []
    with ThreadPoolExecutor(2) as executor:
        night = play(
            Late(animals=some_animals(3)),
            Early(animals=some_animals(3), name="right"),
            executor=executor,
            on_view=lambda view: given.append(view.view),
        )
    assert given == ["left", "right"] == [view.view for view in night.views]


def test_no_more_stretches_are_handed_over_than_was_asked(play, cut) -> None:
    cut(1)
    with Posted(2) as executor:
        play(left(), left(name="right"), executor=executor, in_flight=3)
        assert executor.most_waiting <= 3
        assert executor.most_waiting >= 2


def test_progress_with_an_executor_counts_every_photo_once_and_ends_full(play, cut) -> None:
    cut(2)
    ticks: list[tuple[int, int]] = []
    with Posted(2) as executor:
        play(
            left(undecodable={2}),
            left(1, name="right"),
            executor=executor,
            progress=lambda done, total, *_: ticks.append((done, total)),
        )
    assert {total for _done, total in ticks} == {10}
    assert [done for done, _total in ticks] == sorted(done for done, _total in ticks)
    assert ticks[-1] == (10, 10)
    assert len(ticks) > 3


def test_a_photo_that_is_gone_when_it_is_read_again_ends_its_pair_and_not_the_scan(
    play, cut
) -> None:
    """Two stretches read the photo they share; here it goes away after the first."""

    class Going(Script):
        def read_photo(self, path: Any, **others: Any) -> Any:
            if path.stem == "002" and self.n_decoded >= 3:
                self.undecodable = {2}
            return super().read_photo(path, **others)

    cut(2)
    with ThreadPoolExecutor(1) as executor:
        (view,) = play(Going(n_photos=5, animals=some_animals(5)), executor=executor).views
    assert len(view.photos) == 5  # it was there, and the pair before it was compared
    assert [pair.aligned for pair in view.pairs] == [True, True, False, True]
    assert "002.jpg is damaged" in view.pairs[2].reason
    assert view.skipped == ()


def test_a_single_photo_that_is_gone_when_it_is_checked_is_skipped(play, cut) -> None:
    class Going(Script):
        def read_photo(self, path: Any, **others: Any) -> Any:
            if self.n_decoded:
                self.undecodable = {0, 1}
            return super().read_photo(path, **others)

    cut(LONGER_THAN_ANY)
    with ThreadPoolExecutor(1) as executor:
        night = play(Going(n_photos=2, undecodable={1}), left(2, name="right"), executor=executor)
    assert [view.view for view in night.views] == ["right"]
    assert [item.name for item in night.skipped] == ["left/001.jpg", "left/000.jpg"]


def test_a_single_photo_is_checked_by_the_executor_too(play) -> None:
    threads: set[str] = set()

    class Named(Script):
        def photo(self, rank: int) -> Any:
            threads.add(threading.current_thread().name)
            return super().photo(rank)

    with ThreadPoolExecutor(1, "worker") as executor:
        (view,) = play(Named(n_photos=1), executor=executor).views
    assert ONE_PHOTO in view.notes
    assert view.still is not None
    assert {name.split("_")[0] for name in threads} == {"worker"}


@pytest.mark.parametrize("what", ["weights", "version"])
def test_a_worker_with_another_net_or_program_is_refused_with_what_would_do(
    play, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    class Other(PaintedClassifier):
        card = SimpleNamespace(
            rules=PaintedClassifier.card.rules, full={"weights": "of another year"}
        )

    def of_another_version() -> PaintedClassifier:  # asked in the worker, after the scan began
        monkeypatch.setattr(crew_module, "__version__", "0.0.0")
        return PaintedClassifier()

    here = Other if what == "weights" else of_another_version
    monkeypatch.setattr(crew_module, "_classifier_here", here)
    with Posted(2) as executor, pytest.raises(WeightsError) as caught:
        play(left(), executor=executor)
    assert "other weights" in str(caught.value)
    assert "same version of pestvision" in caught.value.advice


def test_damaged_weights_in_a_worker_are_told_as_such(
    play, monkeypatch: pytest.MonkeyPatch
) -> None:
    def damaged() -> None:
        raise WeightsError("The weights are damaged.", advice="Install pestvision again.")

    monkeypatch.setattr(crew_module, "_classifier_here", damaged)
    with Posted(2) as executor, pytest.raises(WeightsError, match="are damaged") as caught:
        play(left(), executor=executor)
    assert caught.value.advice == "Install pestvision again."


def test_a_mistake_in_a_worker_is_not_hidden(play, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_given: object, **_others: object) -> None:
        raise ZeroDivisionError("in a worker")

    with Posted(2) as executor:
        play(left(3), executor=executor)  # it works until then
        monkeypatch.setattr(stretch_module, "judge_mover", broken)
        with pytest.raises(ZeroDivisionError):
            play(left(3), executor=executor)


def test_a_line_of_a_divided_night_is_json(play, cut) -> None:
    cut(2)
    with Posted(2) as executor:
        night = play(left(), executor=executor)
    (line,) = night_lines(night)
    assert len(json.loads(line)["pairs"]) == 8


def blas_threads() -> set[int]:
    return {item["num_threads"] for item in threadpool_info() if item["user_api"] == "blas"}


def test_sums_are_added_up_by_one_thread_while_a_stretch_is_looked_over_and_not_after(
    play, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last bit of a product of matrices hangs on the number of threads."""
    seen: set[int] = set()

    def classify(_self: object, crops: Any) -> Any:
        seen.update(blas_threads())
        return true_classify(PaintedClassifier(), crops)

    true_classify = PaintedClassifier.classify
    monkeypatch.setattr(PaintedClassifier, "classify", classify)
    with threadpool_limits(2, user_api="blas"):  # whatever this machine's number is
        play(left())
        assert blas_threads() == {2}
    assert seen == {1}
