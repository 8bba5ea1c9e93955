"""Scan one folder and print, as JSON, the peak memory and the time a photo took.

Run in an interpreter of its own. The peak is `VmHWM` of /proc/self/status and not `ru_maxrss`, which
a new process takes over from the one that started it.
"""

from __future__ import annotations

import json
import re
import statistics
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import torch

from pestvision.findings.night import scan_night
from pestvision.organisms.classify import Classifier


def peak_mb() -> float:
    status = Path("/proc/self/status").read_text(encoding="ascii")
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    if found is None:
        raise RuntimeError(status)
    return int(found.group(1)) / 1024


def decode_s(path: Path) -> tuple[float, float]:
    """Give the time of plainly decoding a photo, by the clock and of the processor: medians of five."""
    clock, processor = [], []
    for _ in range(5):
        start = (time.perf_counter(), time.process_time())
        rgb = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR_RGB)
        clock.append(time.perf_counter() - start[0])
        processor.append(time.process_time() - start[1])
        if rgb is None:
            raise RuntimeError(path)
    return statistics.median(clock), statistics.median(processor)


def main() -> None:
    cv2.setNumThreads(2)
    torch.set_num_threads(2)
    folder = Path(sys.argv[1])
    classifier = Classifier.load()
    start = (time.perf_counter(), time.process_time())
    night = scan_night(folder, classifier)
    spent = (time.perf_counter() - start[0], time.process_time() - start[1])
    peak = peak_mb()  # before the plain decoding
    decoding = decode_s(min(folder.iterdir()))
    pairs = [pair for view in night.views for pair in view.pairs]
    measured = {
        "n_photos": night.n_photos,
        "n_aligned": sum(pair.aligned for pair in pairs),
        "n_moved": sum(len(pair.moved) for pair in pairs),
        "peak_mb": round(peak, 1),
        "photo_s": round(spent[0] / night.n_photos, 4),
        "decode_s": round(decoding[0], 4),
        "photo_cpu_s": round(spent[1] / night.n_photos, 4),
        "decode_cpu_s": round(decoding[1], 4),
    }
    sys.stdout.write(json.dumps(measured) + "\n")


if __name__ == "__main__":
    main()
