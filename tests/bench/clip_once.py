"""Check one clip several times and print, as JSON, times and peak memory.

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

from pestvision.findings.clip import check_clip
from pestvision.organisms.classify import Classifier
from pestvision.organisms.outline_net import find_outline
from pestvision.photos.video import open_clip

LONG_S = 45.0  # a clip from this length on is checked once: its memory is what is asked


def resident_mb() -> float:
    """Give what the process holds now: `VmRSS`, in MB."""
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    kilobytes = next(line for line in status.splitlines() if line.startswith("VmRSS"))
    return int(kilobytes.split()[1]) / 1024


def main() -> None:
    cv2.setNumThreads(2)
    torch.set_num_threads(2)
    path = Path(sys.argv[1])
    clip = open_clip(path)
    is_long = (clip.seconds or 0.0) > LONG_S
    classifier = Classifier.load()
    classifier.classify([np.zeros((224, 224, 3), np.uint8)] * 4)
    find_outline(np.zeros((128, 128, 3), np.uint8), (32.0, 32.0, 96.0, 96.0))
    loaded_mb = resident_mb()
    checking, decoding = [], []
    if not is_long:
        check_clip(path, classifier)  # once to warm up: what is imported is not counted
    for _ in range(1 if is_long else 2):  # in turns, so that a busy moment falls on both
        start = time.perf_counter()
        n_frames = sum(1 for _frame in clip.frames(a_second=None))
        decoding.append(time.perf_counter() - start)
        start = time.perf_counter()
        answer = check_clip(path, classifier)
        checking.append(time.perf_counter() - start)
    measured = {
        "n_frames": n_frames,
        "n_animals": len(answer.animals),
        "seconds": answer.seconds,
        "check_s": statistics.median(checking),
        "decode_s": statistics.median(decoding),
        "ratio": statistics.median(checking) / statistics.median(decoding),
        "loaded_mb": loaded_mb,
        "peak_mb": peak_mb(),
    }
    sys.stdout.write(json.dumps(measured) + "\n")


if __name__ == "__main__":
    main()
