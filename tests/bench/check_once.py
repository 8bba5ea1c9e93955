"""Check one photo several times and print, as JSON, times and peak memory.

Run in an interpreter of its own: the peak is `VmHWM` of /proc/self/status.
"""

from __future__ import annotations

import json
import statistics
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import torch
from scan_once import peak_mb

from pestvision.findings.check import check_photo
from pestvision.organisms.classify import Classifier
from pestvision.photos.read import read_photo

ROUNDS = 7


def main() -> None:
    cv2.setNumThreads(2)
    torch.set_num_threads(2)
    path = Path(sys.argv[1])
    classifier = Classifier.load()
    answer = check_photo(read_photo(path), classifier)  # once to warm up
    checking, decoding = [], []
    for _ in range(ROUNDS):  # in turns, so that a busy moment falls on both
        start = time.perf_counter()
        cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR_RGB)
        decoding.append(time.perf_counter() - start)
        start = time.perf_counter()
        answer = check_photo(read_photo(path), classifier)
        checking.append(time.perf_counter() - start)
    measured = {
        "n_findings": len(answer.findings),
        "verdict": answer.verdict.label,
        "check_s": statistics.median(checking),
        "decode_s": statistics.median(decoding),
        "ratio": statistics.median(checking) / statistics.median(decoding),
        "peak_mb": peak_mb(),
    }
    sys.stdout.write(json.dumps(measured) + "\n")


if __name__ == "__main__":
    main()
