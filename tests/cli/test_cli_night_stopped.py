"""A real night, killed and stopped for real: processes of their own, files on a real disk."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import psutil
import pytest
from drawn_glasses import draw_night

from pestvision.findings.kept import FOLDER_NAME, PIECE, TEMPORARY

if TYPE_CHECKING:
    from collections.abc import Callable

PROGRAM = Path(__file__).with_name("quick_program.py")
PATHS = os.pathsep.join(str(Path(__file__).parents[rank]) for rank in (1, 2))
SHELF = {"amber": 10, "moss": 26, "slate": 1}  # photos of a pane; stretches of 8 pairs
N_KILLS = {"1": 3, "2": 2}  # by the number of processes
LAST_S = 60  # for a program to end that was asked to; a busy machine takes its time

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(os.name != "posix", reason="kill -9 and Ctrl-C are sent as POSIX signals"),
]


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three panes, and files that are no photo: one empty, one cut off."""
    folder = tmp_path_factory.mktemp("stopped") / "shelf"
    paths = draw_night(folder, SHELF)
    (folder / "amber" / "0003b.jpg").write_bytes(b"")
    (folder / "moss" / "0007b.jpg").write_bytes(paths[0].read_bytes()[:4000])
    return folder


@pytest.fixture(scope="module")
def undisturbed(shelf: Path) -> tuple[bytes, bytes]:
    out = shelf.parent / "undisturbed"
    with started(shelf, out) as process:
        assert process.wait(timeout=600) == 0
    return tables(out)


def started(shelf: Path, out: Path, *words: str) -> subprocess.Popen[str]:
    """Start a scan in a session of its own, so that what it starts can be told from the tests'."""
    command = [sys.executable, str(PROGRAM), "night", str(shelf), "--out", str(out), *words]
    return subprocess.Popen(
        command,
        env=os.environ | {"PYTHONPATH": PATHS, "OMP_NUM_THREADS": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def tables(out: Path) -> tuple[bytes, bytes]:
    return (out / "night.jsonl").read_bytes(), (out / "findings.csv").read_bytes()


def n_kept(out: Path) -> int:
    return len(list((out / FOLDER_NAME).glob(f"*{PIECE}")))


def wait_until(is_so: Callable[[], bool], process: subprocess.Popen[str]) -> None:
    """Wait for something the program does; one that ends first is through with its work."""
    while process.poll() is None and not is_so():
        time.sleep(0.005)


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_killed_at_random_moments_and_gone_on_with_it_writes_the_same_report(
    shelf: Path, undisturbed: tuple[bytes, bytes], tmp_path: Path, jobs: str
) -> None:
    out = tmp_path / "report"
    moments = random.Random(int(jobs))
    for rank in range(N_KILLS[jobs]):
        n_before = n_kept(out)
        with started(shelf, out, "--jobs", jobs, "--resume") as process:
            helpers: list[psutil.Process] = []
            if rank:  # the first kill comes at any time, the others while there is work
                wait_until(lambda before=n_before: n_kept(out) > before, process)  # type: ignore[misc]
            time.sleep(moments.uniform(0, 1.5 if rank == 0 else 0.4))
            if process.poll() is None:
                helpers = psutil.Process(process.pid).children(recursive=True)
                process.send_signal(signal.SIGKILL)
            process.communicate(timeout=LAST_S)
        if process.returncode == 0:  # the machine was quick: the whole report is there already
            break
        assert process.returncode == -signal.SIGKILL
        assert not (out / "report.html").exists()
        psutil.wait_procs(helpers, timeout=LAST_S)
        assert [helper for helper in helpers if helper.is_running()] == []  # nobody is left behind
    n_before = n_kept(out)
    with started(shelf, out, "--jobs", jobs, "--resume") as process:
        _output, errors = process.communicate(timeout=600)
    assert process.returncode == 0, errors
    assert n_before > 0 or len(list(tmp_path.iterdir())) > 1  # there was something to go on with
    reports = sorted(tmp_path.glob("report*"))
    for report in reports:
        assert tables(report) == undisturbed
        assert sorted(path.name for path in report.iterdir()) == [
            "findings.csv",
            "night.jsonl",
            "report.html",
        ]


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_ctrl_c_leaves_the_finished_views_in_a_report_that_says_how_to_go_on(
    shelf: Path, undisturbed: tuple[bytes, bytes], tmp_path: Path, jobs: str
) -> None:
    out = tmp_path / "report"
    with started(shelf, out, "--jobs", jobs, "--json") as process:
        assert process.stdout is not None
        first = process.stdout.readline()  # a view is finished
        os.killpg(process.pid, signal.SIGINT)  # as a terminal sends it: to all of them
        _output, errors = process.communicate(timeout=600)
    if process.returncode == 0:
        pytest.skip("the machine was so quick that the scan had ended before Ctrl-C came")
    assert process.returncode == 130, errors
    assert "Traceback" not in errors
    assert "Stopped, as you asked." in errors
    assert "run the same command again with --resume" in errors
    lines = (out / "night.jsonl").read_bytes().splitlines()
    whole = undisturbed[0].splitlines()
    assert len(lines) < len(whole)
    assert lines == [line for line in whole if line in lines]
    assert first.startswith('{"view": "amber"')
    html = (out / "report.html").read_text(encoding="utf-8")
    assert "This is not the whole night" in html
    assert "--resume" in html
    assert n_kept(out) >= 2  # the finished view's, at the least

    with started(shelf, out, "--jobs", jobs, "--resume") as process:
        _output, errors = process.communicate(timeout=600)
    assert process.returncode == 0, errors
    assert tables(out) == undisturbed  # it took the place of the report that was not whole
    assert "not the whole night" not in (out / "report.html").read_text(encoding="utf-8")
    assert [path.name for path in tmp_path.iterdir()] == ["report"]
    assert not (out / FOLDER_NAME).exists()


def test_two_processes_write_what_one_writes(
    shelf: Path, undisturbed: tuple[bytes, bytes], tmp_path: Path
) -> None:
    out = tmp_path / "report"
    with started(shelf, out, "--jobs", "2") as process:
        output, errors = process.communicate(timeout=600)
    assert process.returncode == 0, errors
    assert tables(out) == undisturbed
    assert "37 photos used" in output
    assert errors.count("Skipped: ") == 2
    assert not list(out.rglob(f"*{TEMPORARY}"))
