"""A check of a 12-megapixel close-up: its time over plain decoding, and its peak memory.

The bar of the time is published, not asserted: a timed assertion fails where the machine is busy.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from apart import measured_apart
from PIL import Image

from training.scenes import draw_close_up

if TYPE_CHECKING:
    from pytest_benchmark.fixture import BenchmarkFixture

BAR_RATIO = 6.0
"""What a check may take, as a multiple of plain decoding: 4.2 to 5.3 in 14 runs on two quiet cores, 6.0 to
7.2 in eight runs while other programs wanted them. The run prints its own figure."""
GUARD_RATIO = 20.0  # not the bar: other work on both cores once made it 115
MAX_PEAK_MB = 1200.0
RUNNER = Path(__file__).with_name("check_once.py")

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not sys.platform.startswith("linux"), reason="the peak is read from Linux's /proc"
    ),
]


def test_a_check_takes_little_memory_and_its_time_is_told_against_decoding(
    benchmark: BenchmarkFixture, tmp_path: Path
) -> None:
    drawn = draw_close_up(
        np.random.default_rng(4), ["leech", "snail"], height_px=3000, width_px=4000, fill=(0.2, 0.4)
    )
    path = tmp_path / "close-up.jpg"
    # with grain as a phone's sensor has it, and so the 4 to 5 MB that a phone writes
    grain = np.random.default_rng(0).normal(0, 7, drawn.rgb.shape).astype(np.int16)
    grainy = np.clip(drawn.rgb.astype(np.int16) + grain, 0, 255).astype(np.uint8)
    Image.fromarray(grainy).save(path, quality=95)
    measured = benchmark.pedantic(measured_apart, args=(RUNNER, path), rounds=1)
    benchmark.extra_info.update(measured, bar_ratio=BAR_RATIO)
    assert measured["n_findings"] >= 1  # it had something to do
    assert measured["ratio"] <= GUARD_RATIO, measured
    assert measured["peak_mb"] <= MAX_PEAK_MB, measured
