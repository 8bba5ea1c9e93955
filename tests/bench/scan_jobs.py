"""Scan one folder with one process and with two, in turns, and print times and peak memory as JSON.

Run in an interpreter of its own. The two processes are started and have their net before the clock
runs; how long that takes is told apart. Peaks are `VmHWM` of each process's /proc/self/status.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import statistics
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING

from scan_once import peak_mb

from pestvision.findings.crew import Basis, look_over, start_worker
from pestvision.findings.night import scan_night
from pestvision.organisms.classify import Classifier
from pestvision.report.tables import night_lines
from pestvision.settings import Settings

if TYPE_CHECKING:
    from concurrent.futures import Executor

N_JOBS = 2
ROUNDS = 2


def ready(executor: Executor, classifier: Classifier) -> float:
    """Start the processes and have each load the net; give the seconds that took."""
    start = time.perf_counter()
    basis = Basis.of(classifier, Settings())
    waiting = [executor.submit(look_over, basis, ()) for _ in range(4 * N_JOBS)]
    for future in waiting:
        future.result()
    return time.perf_counter() - start


def processor_s(processes: dict[int, float]) -> float:
    """Add up the processor's seconds of this process and of others, as /proc tells them."""
    own = time.process_time()
    ticks = os.sysconf("SC_CLK_TCK")
    for pid in processes:
        fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
        own += (int(fields[11]) + int(fields[12])) / ticks
    return own


def main() -> None:
    folder = Path(sys.argv[1])
    classifier = Classifier.load()
    spawn = multiprocessing.get_context("spawn")
    one_s, two_s, one_cpu_s, two_cpu_s, said = [], [], [], [], set()
    n_photos = 0
    with ProcessPoolExecutor(N_JOBS, mp_context=spawn, initializer=start_worker) as pool:
        start_s = ready(pool, classifier)
        peaks: dict[int, float] = dict(pool.map(own_peak, range(8 * N_JOBS)))
        for _ in range(ROUNDS):  # in turns, so that a busy moment falls on both
            for executor, clock, processor in (
                (None, one_s, one_cpu_s),
                (pool, two_s, two_cpu_s),
            ):
                before = time.perf_counter(), processor_s(peaks)
                night = scan_night(folder, classifier, executor=executor)
                clock.append(time.perf_counter() - before[0])
                processor.append(processor_s(peaks) - before[1])
                said.add("\n".join(night_lines(night)))
                n_photos = night.n_photos
        peaks |= dict(pool.map(own_peak, range(8 * N_JOBS)))
    measured = {
        "n_photos": n_photos,
        "n_answers": len(said),
        "start_s": round(start_s, 2),
        "one_s": round(statistics.median(one_s), 3),
        "two_s": round(statistics.median(two_s), 3),
        "speedup": round(statistics.median(one_s) / statistics.median(two_s), 3),
        "processor_ratio": round(statistics.median(two_cpu_s) / statistics.median(one_cpu_s), 3),
        "worker_peak_mb": round(max(peaks.values()), 1),
        "main_peak_mb": round(peak_mb(), 1),
    }
    sys.stdout.write(json.dumps(measured) + "\n")


def own_peak(_rank: int) -> tuple[int, float]:
    """Give a worker's number and its peak memory: a task."""
    time.sleep(0.05)  # so that the other worker takes some of them
    return os.getpid(), peak_mb()


if __name__ == "__main__":
    main()
