"""Draw pairs of photos with and without movers, and cut what the mover net is shown of them.

Half of the pairs are drawn tanks; in the others the place is a real photograph, of those that may be
trained on. A fifth are taken from a stand. What lies on a mover is a mover, what only grazes one is left
out, and everything else is none.
"""

from __future__ import annotations

import multiprocessing
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.errors import PhotoError
from pestvision.motion.align import AlignedPair, align_pair
from pestvision.motion.candidates import find_candidates
from pestvision.motion.noise import map_change
from pestvision.motion.patches import cut_patches
from pestvision.motion.tracks import carried_box
from pestvision.photos.read import read_photo
from training.evaluate_motion import is_found, touches
from training.scenes.pairs import USUAL, Stir, draw_sight
from training.scenes.records import TRIPOD, HandHeld

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from pestvision.arrays import F32, F64, U8, Bool
    from training.scenes.pairs import Sight

HELD = HandHeld(exposure_ev=1.0)
PARALLAX_OF_WIDTH = 0.01
SIZES = ((480, 640), (720, 960), (960, 720), (600, 800))
SHARE_ON_STAND = 0.2
SHARE_REAL = 0.5  # of the pairs: their place is a photograph
SHARE_SMALL = 0.15  # of the pairs: animals from 8 px, as 16 px are once a large photo is halved
GROUND_SCALES = (0.8, 2.0)  # a photograph is drawn smaller or larger than it is
MOST_GROUND_PX = 1500
TUNE_VIEWS = ("d", "e")  # the other fixed views are the exam's


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """Candidates of pairs as the net is shown them, with what they are.

    `pictures`, `numbers`: as in `Patches`. `is_mover` (N,) bool; `is_fitted` (N,) bool, False for what
    only grazes a mover; `pair` (N,) int, the seed of its pair; `boxes` (N, 4) float32 at the working
    size; `side` (N,) int8: the photo it is seen on, 0 first, 1 second, 2 both.
    """

    pictures: U8
    numbers: F32
    is_mover: Bool
    is_fitted: Bool
    pair: F64
    boxes: F32
    side: F64


def ground_paths(folder: Path) -> list[Path]:
    """Give the photographs that may be a place: all but the exam's views and the clip."""
    paths = [*(folder / "backgrounds").iterdir(), *(folder / "photos").iterdir()]
    for view in TUNE_VIEWS:
        paths += list((folder / "sequences" / view).iterdir())
    return sorted(paths)


def draw_for_fit(seed: int, grounds: Sequence[Path]) -> tuple[Sight, float]:
    """Draw the pair of a seed; give it with the length of the smallest mover to be looked for."""
    rng = np.random.default_rng(seed)
    held = TRIPOD if rng.random() < SHARE_ON_STAND else HELD
    is_small = rng.random() < SHARE_SMALL
    height, width = SIZES[int(rng.integers(len(SIZES)))]
    ground, stir = None, Stir(*(int(rng.integers(0, 2 * n + 2)) for n in (2, 1, 2, 1)))
    if grounds and rng.random() < SHARE_REAL:
        found = _ground(rng, grounds)
        if found is not None:
            ground = found
            height, width = size_inside(ground)
            stir = Stir(
                stills=int(rng.integers(0, 3)),
                plants=int(rng.integers(0, 2)),
                bubbles=int(rng.integers(0, 3)),
                glares=int(rng.integers(0, 3)),
            )
    long_px = min(200.0, 0.25 * max(height, width))
    sight = draw_sight(
        rng,
        height_px=height,
        width_px=width,
        movers=int(rng.integers(0, 4)),
        hand_held=held,
        stir=stir,
        length_px=(8.0, long_px / 2) if is_small else (14.0, long_px),
        ground=ground,
        parallax_of_width=PARALLAX_OF_WIDTH * float(rng.integers(0, 2)) * (held is HELD),
    )
    return sight, 8.0 if is_small else 16.0


def _ground(rng: np.random.Generator, grounds: Sequence[Path]) -> U8 | None:
    """Read a photograph and bring it to some size; None if it is none or too small."""
    try:
        photo = read_photo(grounds[int(rng.integers(len(grounds)))]).rgb
    except PhotoError:
        return None
    scale = float(np.exp(rng.uniform(*np.log(GROUND_SCALES))))
    scale = min(scale, MOST_GROUND_PX / max(photo.shape[:2]))
    if min(photo.shape[:2]) * scale < 260:
        return None
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return np.asarray(cv2.resize(photo, None, fx=scale, fy=scale, interpolation=how), np.uint8)


def size_inside(ground: U8) -> tuple[int, int]:
    """Give the size (H, W) of photos that leave a border of a tenth to every side of a ground."""
    height, width = ground.shape[:2]
    border = round(0.1 * max(height, width))
    return height - 2 * border, width - 2 * border


def draw_still(seed: int, *, on_stand: bool = False) -> Sight:
    """Draw a tank in which no animal moves: from the hand with all that strays, or from a stand.

    Before a camera on a stand a lamp's mirror image stays where it is, and none is drawn.
    """
    height, width = ((720, 960), (960, 720))[seed % 2]
    return draw_sight(
        np.random.default_rng(seed),
        height_px=height,
        width_px=width,
        movers=0,
        hand_held=TRIPOD if on_stand else HELD,
        stir=replace(USUAL, glares=0) if on_stand else USUAL,
        parallax_of_width=0.0 if on_stand else PARALLAX_OF_WIDTH,
    )


def shown_of(sight: Sight, seed: int, *, min_length_px: float = 16.0) -> Shown | None:
    """Align a pair and cut its candidates; None if it could not be aligned or there are none."""
    pair = align_pair(sight.pair.first, sight.pair.second)
    if not isinstance(pair, AlignedPair):
        return None
    change = map_change(pair, min_length_px=min_length_px)
    regions = find_candidates(change, min_length_px=min_length_px)
    if not regions:
        return None
    patches = cut_patches([item.region for item in regions], change)
    is_mover, grazes = [], []
    for item in regions:
        x0, y0, x1, y1 = (edge * change.step for edge in item.region.box)
        boxes = ((x0, y0, x1, y1), carried_box((x0, y0, x1, y1), sight.pair.matrix))
        is_mover.append(any(is_found(mover, boxes) for mover in sight.pair.movers))
        grazes.append(any(touches(mover, boxes) for mover in sight.pair.movers))
    return Shown(
        pictures=patches.pictures,
        numbers=patches.numbers,
        is_mover=np.array(is_mover, bool),
        is_fitted=np.array(is_mover, bool) | ~np.array(grazes, bool),
        pair=np.full(len(regions), float(seed)),
        boxes=np.array([item.region.box for item in regions], np.float32),
        side=np.array([("first", "second", "both").index(i.seen_on) for i in regions], np.float64),
    )


def _one(seed: int, *, grounds: Sequence[Path], what: str) -> Shown | None:
    cv2.setNumThreads(1)
    if what != "fit":
        return shown_of(draw_still(seed, on_stand=what == "stand"), seed)
    sight, min_length_px = draw_for_fit(seed, grounds)
    return shown_of(sight, seed, min_length_px=min_length_px)


def gather(
    seeds: Sequence[int], grounds: Sequence[Path], *, what: str = "fit", n_processes: int = 2
) -> Shown:
    """Draw many pairs in processes, and put their candidates together.

    Parameters
    ----------
    seeds
        One a pair. The same seeds give the same candidates, whatever the number of processes.
    grounds
        From `ground_paths`; none leaves drawn tanks.
    what
        `fit` for pairs of all kinds, `held` for drawn tanks in which nothing moves, `stand` for the same
        from a stand.
    """
    ask = partial(_one, grounds=grounds, what=what)
    with multiprocessing.get_context("spawn").Pool(n_processes) as pool:
        parts = [part for part in pool.imap(ask, seeds, chunksize=4) if part is not None]
    return joined(parts)


def joined(parts: Sequence[Shown]) -> Shown:
    """Put candidates together."""
    names = ("pictures", "numbers", "is_mover", "is_fitted", "pair", "boxes", "side")
    return Shown(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))
