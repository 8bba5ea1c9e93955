"""What lies about a changed region, and where its like is on the other photo.

A picture's noise and its misplaced edges change it everywhere a little and to both sides; a body is of
one sign and stands clear of what is about it. A mirror image or a bubble is rigid: its exact shape is
found again elsewhere with the opposite sign, and a bubble's straight above.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, U8, Bool, as_f32
from pestvision.motion.noise import largest_channel
from pestvision.motion.regions import Z_GROW

if TYPE_CHECKING:
    from pestvision.motion.noise import ChangeMap
    from pestvision.motion.regions import Region

LEAST_RING = 20  # pixels: fewer give no noise
MOST_PIXELS = 400  # of a region: beyond, more of them say no more
MEAN_TO_SIGMA = 1.25  # of |x|, x normal: sqrt(pi / 2)
CROWD_PX = 25  # side of the square about each pixel that counts as near, at the working size
TOUCH_PX = 9  # the same, for clipped pixels and the photo's end
FINE_PX = 1.5  # standard deviation of the smoothing that fine detail does not survive
CORE_LEAST_PX = 8  # pixels: a region with a smaller inside is taken whole

MOST_APART = 60.0  # grey levels: a lamp's mirror image must not rule over all that is about it
TWIN_LENGTH_PX = 14  # a region is halved until it is at most twice as long
N_HALVINGS = 4
TWIN_LENGTHS = 8.0  # of a region: as far off its like is looked for
TWIN_REACH_PX = 100  # the same at most, in the halved picture
TWIN_MARGIN_PX = 2  # about a region's box


@dataclass(frozen=True, slots=True, eq=False)
class Surroundings:
    """A pair's maps that are made once.

    `response`: from `thread_response`. `halvings`: the signed grey difference, first minus second,
    float32, each half as large as the one before. `clipped`: level from which a pixel is clipped.
    """

    response: F32
    halvings: tuple[F32, ...]
    clipped: int


@dataclass(frozen=True, slots=True)
class Standing:
    """How a region stands among what is about it. The names are those of `Evidence`."""

    thread: float = 0.0
    clear: float = 0.0
    one_sign: float = 0.0
    unrest: float = 0.0
    crowd: float = 0.0
    texture: float = 0.0
    clipped: float = 0.0
    gap: float = 0.0
    twin: float = 0.0
    risen: float = 0.0


def look_around(change: ChangeMap, response: F32) -> Surroundings:
    """Make the maps of a pair."""
    greys = [cv2.cvtColor(photo, cv2.COLOR_RGB2GRAY) for photo in (change.first, change.second)]
    apart = cv2.subtract(greys[0], greys[1], dtype=cv2.CV_32F)
    halvings = [as_f32(np.clip(apart, -MOST_APART, MOST_APART))]
    halvings[0][~change.usable] = 0.0
    for _ in range(N_HALVINGS):
        height, width = (max(1, side // 2) for side in halvings[-1].shape)
        half = cv2.resize(halvings[-1], (width, height), interpolation=cv2.INTER_AREA)
        halvings.append(as_f32(half))
    return Surroundings(response, tuple(halvings), int(change.first[::8, ::8].max()) - 1)


def measure_standing(
    region: Region, change: ChangeMap, about: Surroundings, *, is_on_second: bool
) -> Standing:
    """Measure how a region stands among what is about it.

    Parameters
    ----------
    region
        A candidate.
    change, about
        The pair's maps.
    is_on_second
        Whether it stands out on the second photo only.
    """
    first, second = change.first[region.window], change.second[region.window]
    apart = np.subtract(first, second, dtype=np.float32)
    inside, ring = apart[region.mask], apart[region.ring]
    offset, clear, unrest = np.zeros(3, np.float32), 0.0, 1.5
    if len(ring) >= LEAST_RING:
        offset = np.median(ring, axis=0)
        noise = np.abs(ring - offset).mean(axis=0) * MEAN_TO_SIGMA + 0.5
        root = np.sqrt(min(len(inside), MOST_PIXELS))
        clear = float(np.log1p((np.abs((inside - offset).mean(axis=0)) * root / noise).max()))
        unrest = float(np.log(np.clip(change.z[region.window][region.ring], 0, 5).mean() + 0.05))
    inside = inside - offset
    of_one_sign = np.abs(inside.sum(axis=0)) / (np.abs(inside).sum(axis=0) + 1)
    strength = max(3.0, float(np.abs(inside.mean(axis=0)).max()))
    twin, risen = _twin(region, about, is_on_second=is_on_second)
    wide = _grown(region.mask, CROWD_PX) & ~_grown(region.mask, 3)
    near = _grown(region.mask, TOUCH_PX)
    lightest = cv2.max(*(largest_channel(photo) for photo in (first, second)))
    clipped = np.asarray(lightest >= about.clipped)
    return Standing(
        thread=_thread(region, about.response),
        clear=clear,
        one_sign=float(of_one_sign.max()),
        unrest=unrest,
        crowd=float((change.z[region.window][wide] > Z_GROW).mean()) if wide.any() else 0.0,
        texture=_texture(second if is_on_second else first, region.mask, strength),
        clipped=float(clipped[near].mean()),
        gap=float((~change.usable[region.window])[near].mean()),
        twin=twin,
        risen=risen,
    )


def _grown(mask: Bool, side: int) -> Bool:
    square = np.ones((side, side), np.uint8)
    return np.asarray(cv2.dilate(mask.view(np.uint8), square), np.uint8).view(np.bool_)


def _thread(region: Region, response: F32) -> float:
    """Give the logarithm of the strongest answer along a line."""
    rows, columns = np.nonzero(region.mask)
    rows = np.clip((rows + region.window[0].start) // 2, 0, response.shape[0] - 1)
    columns = np.clip((columns + region.window[1].start) // 2, 0, response.shape[1] - 1)
    return float(np.log1p(response[rows, columns].max()))


def _texture(photo: U8, mask: Bool, strength: float) -> float:
    """Give the fine detail inside a region over its change, 0 to 1: a mirror image has none."""
    inside = cv2.erode(mask.view(np.uint8), np.ones((3, 3), np.uint8)).view(np.bool_)
    if inside.sum() < CORE_LEAST_PX:
        inside = mask
    grey = cv2.cvtColor(np.ascontiguousarray(photo), cv2.COLOR_RGB2GRAY).astype(np.float32)
    fine = np.abs(grey - cv2.GaussianBlur(grey, (0, 0), FINE_PX))[inside].mean()
    return float(min(fine / strength, 1.0))


def _twin(region: Region, about: Surroundings, *, is_on_second: bool) -> tuple[float, float]:
    """Look for a region's like: give its correlation, and the same if it lies straight above.

    The change of a thing that moved and did not turn is found twice, with opposite signs.
    """
    level = int(np.clip(np.log2(region.length_px / TWIN_LENGTH_PX), 0, N_HALVINGS))
    apart = about.halvings[level]
    x0, y0, x1, y1 = (int(edge) >> level for edge in region.box)
    x0, y0 = max(0, x0 - TWIN_MARGIN_PX), max(0, y0 - TWIN_MARGIN_PX)
    x1, y1 = x1 + TWIN_MARGIN_PX + 1, y1 + TWIN_MARGIN_PX + 1
    here = np.ascontiguousarray(apart[y0:y1, x0:x1])
    if float(here.std()) <= 0.5:  # half a grey level: nothing to compare
        return 0.0, 0.0
    reach = min(TWIN_REACH_PX, int(TWIN_LENGTHS * region.length_px) >> level)
    top, left = max(0, y0 - reach), max(0, x0 - reach)
    field = np.ascontiguousarray(-apart[top : y1 + reach, left : x1 + reach])
    _, best, _, at = cv2.minMaxLoc(cv2.matchTemplate(field, here, cv2.TM_CCOEFF_NORMED))
    twin = float(np.clip(best, 0, 1)) if np.isfinite(best) else 0.0
    aside, down = at[0] + left - x0, at[1] + top - y0
    is_above = down > 0 if is_on_second else down < 0
    if not is_above:
        return twin, 0.0
    return twin, twin * float(np.exp(-np.square(aside * 2**level / region.length_px) / 2))
