"""A thousand photos of 2 megapixels, one in twenty of them bad: scanned once whole, once killed and resumed.

    python tests/bench/thousand_photos.py [--photos N] [--jobs N]

It draws the photos, scans them with the shipped net, kills a second scan with `kill -9` at a random moment,
goes on with `--resume`, and says whether both reports are the same to the byte, whether every bad file is
named, and whether no good one is missing. It takes half an hour on two cores.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import numpy as np

HEIGHT, WIDTH = 1200, 1664
PER_VIEW = 25
BAD_EVERY = 20
BAD = ("truncated", "empty", "text", "folder", "unreadable")


def draw(folder: Path, n_photos: int, rng: np.random.Generator) -> tuple[set[str], set[str]]:
    """Draw views of a pane each, with animals that creep; give the names of the good and the bad files."""
    good, bad = set(), set()
    pane = np.zeros(0)
    for number in range(n_photos):
        view, rank = divmod(number, PER_VIEW)
        if rank == 0:
            pane = glass(rng)
        path = folder / f"pane-{view:02d}" / f"{rank:03d}.jpg"
        path.parent.mkdir(parents=True, exist_ok=True)
        name = path.relative_to(folder).as_posix()
        if number % BAD_EVERY == BAD_EVERY - 1:
            spoil(path, BAD[number // BAD_EVERY % len(BAD)], pane, rng)
            bad.add(name)
            continue
        path.write_bytes(photo(pane, rank, rng))
        good.add(name)
    return good, bad


def glass(rng: np.random.Generator) -> np.ndarray:
    """Draw a pane a little larger than the photo."""
    size = (HEIGHT + 80, WIDTH + 80)
    pane = np.full((*size, 3), 100.0, np.float32)
    for side, strength in ((160, 30.0), (30, 14.0), (6, 8.0)):
        coarse = rng.normal(0, strength, (size[0] // side, size[1] // side, 3)).astype(np.float32)
        pane += cv2.resize(coarse, size[::-1], interpolation=cv2.INTER_CUBIC)
    return np.clip(pane, 15, 215).astype(np.uint8)


def photo(pane: np.ndarray, rank: int, rng: np.random.Generator) -> bytes:
    """Take a photo of a pane with two animals that have crept on."""
    shown = pane.copy()
    for animal in range(2):
        middle = (300 + 600 * animal + 30 * rank, 300 + 400 * animal + 12 * rank)
        cv2.ellipse(shown, middle, (34, 10), 20.0 * rank, 0, 360, (25, 30, 45), -1, cv2.LINE_AA)
    top, left = rng.integers(0, 80, 2)
    shown = shown[top : top + HEIGHT, left : left + WIDTH]
    grain = rng.normal(0, 2.5, (HEIGHT, WIDTH, 1))
    taken = np.clip(shown + grain, 0, 255).astype(np.uint8)
    return cv2.imencode(".jpg", taken, [cv2.IMWRITE_JPEG_QUALITY, 90])[1].tobytes()


def spoil(path: Path, how: str, pane: np.ndarray, rng: np.random.Generator) -> None:
    """Write a bad file."""
    if how == "folder":
        path.mkdir()
    elif how == "unreadable":  # whoever may read everything is refused by a link to nowhere
        path.symlink_to(path.with_name("gone.jpg"))
    elif how == "text":
        path.write_text("not a photo\n" * 200, encoding="utf-8")
    elif how == "empty":
        path.write_bytes(b"")
    else:
        whole = photo(pane, 0, rng)
        path.write_bytes(whole[: len(whole) // 3])


def scan(folder: Path, out: Path, jobs: int) -> subprocess.Popen[bytes]:
    """Start a scan that can be gone on with."""
    words = ["night", str(folder), "--out", str(out), "--jobs", str(jobs), "--resume"]
    return subprocess.Popen(
        [sys.executable, "-m", "pestvision", *words],
        stdout=subprocess.DEVNULL,
        env=os.environ | {"OMP_NUM_THREADS": "1"},
        start_new_session=True,
    )


def tables(out: Path) -> tuple[bytes, bytes]:
    """Give what both reports must have in common."""
    return (out / "night.jsonl").read_bytes(), (out / "findings.csv").read_bytes()


def say(line: str) -> None:
    """Tell at once."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def main() -> None:
    """Draw, scan, kill, go on, compare."""
    parser = argparse.ArgumentParser(
        description="Scan a thousand photos, and again with a kill -9."
    )
    parser.add_argument("--photos", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=2)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as root:
        folder = Path(root) / "shelves"
        good, bad = draw(folder, options.photos, np.random.default_rng(0))
        begun = time.monotonic()
        whole = Path(root) / "whole"
        status = scan(folder, whole, options.jobs).wait()
        lasted = time.monotonic() - begun
        lines = [json.loads(line) for line in tables(whole)[0].splitlines()]
        used = {name for line in lines for name in line["photos"]}
        skipped = {item["photo"] for line in lines for item in line["skipped"]}
        say(f"whole: status {status}, {lasted:.0f} s, {len(used)} photos used of {len(good)} good")
        say(f"good ones lost: {sorted(good - used)}; bad ones not named: {sorted(bad - skipped)}")
        again = Path(root) / "again"
        process = scan(folder, again, options.jobs)
        time.sleep(random.Random(1).uniform(0.2, 0.8) * lasted)
        process.send_signal(signal.SIGKILL)
        process.wait()
        begun = time.monotonic()
        status = scan(folder, again, options.jobs).wait()
        same = tables(whole) == tables(again)
        say(f"gone on with: status {status}, {time.monotonic() - begun:.0f} s, the same: {same}")


if __name__ == "__main__":
    main()
