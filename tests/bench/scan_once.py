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


def decode_s(path: Path) -> float:
    """Give the time of plainly decoding a photo: the median of five."""
    times = []
    for _ in range(5):
        start = time.perf_counter()
        rgb = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR_RGB)
        times.append(time.perf_counter() - start)
        if rgb is None:
            raise RuntimeError(path)
    return statistics.median(times)


def main() -> None:
    cv2.setNumThreads(2)
    torch.set_num_threads(2)
    folder = Path(sys.argv[1])
    classifier = Classifier.load()
    start = time.perf_counter()
    night = scan_night(folder, classifier)
    spent_s = time.perf_counter() - start
    peak = peak_mb()  # before the plain decoding
    pairs = [pair for view in night.views for pair in view.pairs]
    measured = {
        "n_photos": night.n_photos,
        "n_aligned": sum(pair.aligned for pair in pairs),
        "n_moved": sum(len(pair.moved) for pair in pairs),
        "peak_mb": round(peak, 1),
        "photo_s": round(spent_s / night.n_photos, 4),
        "decode_s": round(decode_s(min(folder.iterdir())), 4),
    }
    sys.stdout.write(json.dumps(measured) + "\n")


if __name__ == "__main__":
    main()
