"""An exam for scales from things at hand: drawn tables of known truth with coins, cards and rulers.

    python -m training.coin_exam [--runs N] [--only coins|cards|rulers] [--seed N] [--workers N]

Each row is one kind of photo, drawn `--runs` times (1600 × 1200 pixels; things lie flat, seen at a slant
of up to 28°, rulers 15°, through a phone's lens, on varied grounds with snails, bubbles, debris, pebbles
and bottle caps about). The columns:

- *found*: for coins, share of photos in which the true ellipse (middle within 8 % of its long semi-axis,
  the long semi-axis within 5 %, which makes the scale, the short one within 8 %, to which the side of a
  leaning coin adds up to 5 %) is among the first three offered; for cards and rulers, share in which a scale
  is given by itself;
- *error*, *95th*: of the length of a line of 16 mm (coins), 40 mm (cards), 20 mm (rulers) on the table
  about the thing's middle, in eight directions, its mean taken: the median and the 95th percentile of its
  absolute value, where a scale is given;
- *held*: share of those within 1.96 of the standard deviations that the scale says of itself;
- *over 5 %*: share of all photos in which a scale is given that is off by more;
- *false*: for coins, mean number of other round things among the offers.

Thresholds and weights (`python -m training.coin_fit`) were chosen on other seeds than these: tune with
`--seed 7300000`.
"""

from __future__ import annotations

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np

from pestvision.organisms.calibrate import wilson_interval
from pestvision.size.card_outline import find_card
from pestvision.size.coin import coin_scale, find_coins
from pestvision.size.records import Scale
from pestvision.size.ruler import find_ruler
from training.scenes.handy import through
from training.scenes.handy_coins import draw_coin_table
from training.scenes.handy_flat import (
    BARE,
    HALVES,
    INCH,
    METRIC,
    draw_card_table,
    draw_ruler_table,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.arrays import F64
    from pestvision.size.coin import RoundThing
    from training.scenes.handy import DrawnTable

EXAM_SEED: Final = 7_400_000
RUNS: Final = 100
SIZE: Final = (1200, 1600)
OFFERS: Final = 3
MIDDLE_OFF, LONG_OFF, SHORT_OFF = 0.08, 0.05, 0.08
FAR_OFF: Final = 0.05
COIN_LINE_MM, CARD_LINE_MM, RULER_LINE_MM = 16.0, 40.0, 20.0


@dataclass(slots=True)
class Tally:
    """What came of one kind of photo."""

    name: str
    runs: int = 0
    found: int = 0
    first: int = 0
    errors: list[float] = field(default_factory=list)
    sigmas: list[float] = field(default_factory=list)
    false: int = 0
    seconds: float = 0.0

    def add(self, scale: Scale, error: float) -> None:
        """Count a scale that was given."""
        self.errors.append(abs(error))
        self.sigmas.append(abs(error) / scale.relative_sd)

    def row(self) -> str:
        """Give one row of the table."""
        some = self.errors or [float("nan")]
        held = np.mean([sigma < 1.96 for sigma in self.sigmas]) if self.sigmas else float("nan")
        far = sum(error > FAR_OFF for error in self.errors) / self.runs
        return (
            f"{self.name:<28}{self.runs:>6}{self.found / self.runs:>8.2f}{np.median(some):>9.2%}"
            f"{np.quantile(some, 0.95):>9.2%}{held:>7.2f}{far:>9.2f}{self.false / self.runs:>8.2f}"
            f"{self.seconds / self.runs:>8.1f}"
        )


def length_error(scale: Scale, table: DrawnTable, middle_mm: F64, length_mm: float) -> float:
    """Give the mean relative error of a length about a place, over eight directions."""
    to_px = np.asarray(np.linalg.inv(table.to_mm), np.float64)
    errors = []
    for turn in np.linspace(0, np.pi, 8, endpoint=False):
        half = np.array([np.cos(turn), np.sin(turn)]) * length_mm / 2
        ends = through(to_px, np.array([middle_mm - half, middle_mm + half]))
        errors.append(scale.length_mm(ends) / length_mm - 1)
    return float(np.mean(errors))


def is_true(thing: RoundThing, outline_xy_px: F64) -> bool:
    """Whether a round thing is the one with this outline."""
    middle, axes, _ = cv2.fitEllipse(outline_xy_px.astype(np.float32))
    long, short = max(axes) / 2, min(axes) / 2
    off = np.hypot(*np.subtract(thing.centre_xy_px, middle))
    return bool(
        off < MIDDLE_OFF * long
        and abs(thing.semi_axes_px[0] / long - 1) < LONG_OFF
        and abs(thing.semi_axes_px[1] / short - 1) < SHORT_OFF
    )


@dataclass(frozen=True, slots=True)
class CoinPhoto:
    """What came of one photo with a coin: the true one's place among the offers, if any, and its scale."""

    n_false: int
    seconds: float
    place: int | None = None
    scale: Scale | None = None
    error: float = float("nan")


def examine_photo(seed: int, size: tuple[int, int] = SIZE) -> CoinPhoto:
    """Draw a table with a coin and look for it."""
    table, kind = draw_coin_table(np.random.default_rng(seed), size=size)
    start = time.perf_counter()
    offers = find_coins(table.rgb)
    seconds = time.perf_counter() - start
    true = [at for at, thing in enumerate(offers) if is_true(thing, table.outline_xy_px)]
    n_false = len(offers) - len(true)
    if not true or true[0] >= OFFERS:
        return CoinPhoto(n_false, seconds)
    scale = coin_scale(offers[true[0]], kind)
    if not isinstance(scale, Scale):
        return CoinPhoto(n_false, seconds, true[0])
    error = length_error(scale, table, np.asarray(table.middle_mm), COIN_LINE_MM)
    return CoinPhoto(n_false, seconds, true[0], scale, error)


def examine_coins(
    runs: int, *, seed: int = EXAM_SEED, size: tuple[int, int] = SIZE, workers: int = 1
) -> Tally:
    """Draw tables with a coin and look for it on each."""
    tally = Tally("coins")
    seeds, sizes = range(seed, seed + runs), [size] * runs
    if workers > 1:
        with ProcessPoolExecutor(workers) as pool:
            photos = list(pool.map(examine_photo, seeds, sizes))
    else:
        photos = list(map(examine_photo, seeds, sizes))
    for photo in photos:
        tally.runs += 1
        tally.seconds += photo.seconds
        tally.false += photo.n_false
        tally.found += photo.place is not None
        tally.first += photo.place == 0
        if photo.scale is not None:
            tally.add(photo.scale, photo.error)
    return tally


def examine_flat(
    name: str,
    runs: int,
    draw: Callable[[np.random.Generator], DrawnTable],
    find: Callable[[DrawnTable], object],
) -> Tally:
    """Draw tables with a card or a ruler and take the scale by itself."""
    tally = Tally(name)
    for run in range(runs):
        table = draw(np.random.default_rng(EXAM_SEED + run))
        start = time.perf_counter()
        scale = find(table)
        tally.seconds += time.perf_counter() - start
        tally.runs += 1
        if not isinstance(scale, Scale):
            continue
        tally.found += 1
        middle = through(table.to_mm, scale.outline_xy_px.mean(axis=0)[None])[0]
        line = CARD_LINE_MM if name.startswith("card") else RULER_LINE_MM
        tally.add(scale, length_error(scale, table, middle, line))
    return tally


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--runs", type=int, default=RUNS)
    parser.add_argument("--only", choices=("coins", "cards", "rulers"))
    parser.add_argument("--seed", type=int, default=EXAM_SEED, help="first seed of the coins")
    parser.add_argument("--workers", type=int, default=1, help="processes for the coins")
    given = parser.parse_args()
    print(
        f"{'':<28}{'runs':>6}{'found':>8}{'error':>9}{'95th':>9}{'held':>7}{'over 5 %':>9}{'false':>8}"
        f"{'s':>8}"
    )
    if given.only in (None, "coins"):
        tally = examine_coins(given.runs, seed=given.seed, workers=given.workers)
        print(tally.row(), flush=True)
        low, high = wilson_interval(tally.found, tally.runs)
        print(
            f"  found {low:.2f} to {high:.2f} (Wilson, 95 %); first offered {tally.first / tally.runs:.2f}"
        )
    if given.only in (None, "cards"):
        for name, corner in (("cards", 3.18), ("cards' size, sharp corners", 0.2)):
            tally = examine_flat(
                name,
                given.runs,
                lambda rng, corner=corner: draw_card_table(rng, size=SIZE, corner_mm=corner),  # type: ignore[misc]
                lambda table: find_card(table.rgb),
            )
            print(tally.row(), flush=True)
    if given.only in (None, "rulers"):
        for ticks in (METRIC, INCH, HALVES, BARE):
            tally = examine_flat(
                f"rulers, {ticks.unit}",
                given.runs,
                lambda rng, ticks=ticks: draw_ruler_table(rng, ticks, size=SIZE),  # type: ignore[misc]
                lambda table: find_ruler(table.rgb),
            )
            print(tally.row(), flush=True)


if __name__ == "__main__":
    main()
