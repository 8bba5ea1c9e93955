"""How soon the program answers: its help against the load of torch alone, in one run."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pytest_benchmark.fixture import BenchmarkFixture

ROUNDS = 5
MAX_RATIO = 0.5  # help that takes longer feels as if torch were loaded for it


def seconds(*words: str) -> float:
    """Run Python with these words and give how long it took."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *words], check=True, capture_output=True, timeout=120)
    return time.perf_counter() - start


def test_help_takes_less_than_half_the_time_of_loading_torch(benchmark: BenchmarkFixture) -> None:
    torch_s: list[float] = []
    help_s: list[float] = []

    def load_torch() -> None:  # before each round, so that both meet the same busy computer
        torch_s.append(seconds("-c", "import torch"))

    def show_help() -> None:
        help_s.append(seconds("-m", "pestvision", "--help"))

    load_torch()  # both are read from the disk once before they count
    show_help()
    torch_s.clear()
    help_s.clear()
    benchmark.pedantic(show_help, setup=load_torch, rounds=ROUNDS)
    ratio = statistics.median(help_s) / statistics.median(torch_s)
    benchmark.extra_info |= {"torch_median_s": statistics.median(torch_s), "ratio": ratio}
    assert ratio < MAX_RATIO
