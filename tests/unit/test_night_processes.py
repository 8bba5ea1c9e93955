"""The real net in processes of their own, and on a small cluster: the result is that of one process."""

from __future__ import annotations

import multiprocessing
from concurrent.futures import ProcessPoolExecutor
from typing import TYPE_CHECKING

import numpy as np
import pytest
from drawn_glasses import draw_night

from pestvision.findings.crew import Basis, look_over, start_worker
from pestvision.findings.night import scan_night
from pestvision.organisms.classify import Classifier
from pestvision.report.tables import findings_csv, night_lines
from pestvision.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from concurrent.futures import Executor
    from pathlib import Path

    from pestvision.findings.finding import NightResult

PHOTOS = {"left": 10, "right": 3, "back": 1}  # two stretches, one, and a single photo

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module", autouse=True)
def _as_the_program_is_started() -> Iterator[None]:
    """Undo the two threads that all tests tell torch to use: the program tells it nothing.

    A net that was told so differs by the last bit from one in a process that was not.
    """
    import torch

    told = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(told)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("processes") / "night"
    draw_night(folder, PHOTOS)
    return folder


@pytest.fixture(scope="module")
def classifier() -> Classifier:
    return Classifier.load()


@pytest.fixture(scope="module")
def alone(folder: Path, classifier: Classifier) -> NightResult:
    """What one process finds; that it finds something is part of the test."""
    night = scan_night(folder, classifier)
    assert sum(len(pair.moved) for view in night.views for pair in view.pairs) >= 10
    return night


def compare(found: NightResult, alone: NightResult) -> None:
    assert night_lines(found) == night_lines(alone)
    assert findings_csv(found) == findings_csv(alone)
    assert (found.notes, found.skipped) == (alone.notes, alone.skipped)
    for view, other in zip(found.views, alone.views, strict=True):
        assert (view.busiest, view.busiest_scale) == (other.busiest, other.busiest_scale)
        if other.busiest_rgb is not None:
            assert np.array_equal(view.busiest_rgb, other.busiest_rgb)
        for track, its in zip(view.tracks, other.tracks, strict=True):
            assert track.judgement == its.judgement  # not rounded as in a line
            assert np.array_equal(track.crop_rgb, its.crop_rgb)


def test_two_processes_find_what_one_finds(
    folder: Path, classifier: Classifier, alone: NightResult
) -> None:
    spawn = multiprocessing.get_context("spawn")
    executor: Executor
    with ProcessPoolExecutor(2, mp_context=spawn, initializer=start_worker) as executor:
        compare(scan_night(folder, classifier, executor=executor), alone)
        other = Basis("0.0.0", "", Settings())  # and each worker asks whether it has the same net
        refused = executor.submit(look_over, other, ()).result()
    assert "pestvision 0.0.0" in refused.message


def test_a_cluster_of_two_workers_finds_what_one_process_finds(
    folder: Path, classifier: Classifier, alone: NightResult, tmp_path: Path
) -> None:
    distributed = pytest.importorskip("distributed", reason="it comes with the extra cluster")
    with (
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            dashboard_address="127.0.0.1:0",  # any free port: two test runs may meet
            host="127.0.0.1",
            local_directory=tmp_path,
        ) as cluster,
        distributed.Client(cluster) as client,
        client.get_executor() as executor,
    ):
        compare(scan_night(folder, classifier, executor=executor), alone)
