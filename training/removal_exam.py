"""An exam for how many are left: made tanks of known truth, and what the tool and the textbooks say of them.

    python -m training.removal_exam [--runs N] [--only WORD]

It prints one table a group. Each row is one kind of tank, made `--runs` times. The columns:

- *covers*: share of runs in which the true number lies in the tool's 95 % range, refused runs too (the range is
  worked out for them all the same, so that refusing the hard ones gains nothing), and, in brackets, only where
  the tool answers;
- *width*: median width of that range, in animals;
- *refused*, *warned*: share of runs in which the tool says that it cannot say, and in which it answers and
  raises a doubt that touches its range; *either* is their sum;
- *first night*: share in which Schnute's test doubts the textbook numbers, which is said beside them;
- *Carle-Strub*, *Zippin*, *Moran*: share of runs in which the textbook's 95 % range holds the true number, of
  those in which it answers; in brackets the share in which it does not. Moran's is a likelihood interval.

Animals are found in a night of effort e with chance 1 - (1 - p)^e. `equal` is p = .3 for all; the others
draw each animal's own p from a Beta distribution, both with a mean of .3. Those found are taken out.

Priors and thresholds were chosen on other seeds than these.
"""

from __future__ import annotations

import argparse
import functools
import math
import time
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.settings import TankSettings
from pestvision.tanks.catchability import Beliefs, beliefs_of
from pestvision.tanks.estimators import carle_strub, moran, zippin
from pestvision.tanks.records import Night
from pestvision.tanks.removal import Doubt, Weighed, weigh

if TYPE_CHECKING:
    from pestvision.arrays import F64
    from pestvision.tanks.estimates import Estimate

EXAM_SEED: Final = 5_600_000
RUNS: Final = 2000
MEAN_CHANCE: Final = 0.3
EQUAL, MILD, HARD = "equal", "Beta(3, 7)", "Beta(.6, 1.4)"
CHANCES: Final = {EQUAL: None, MILD: (3.0, 7.0), HARD: (0.6, 1.4)}
YOUNG: Final = (20, 30)  # of a brood, drawn evenly
SHORTEST, LONGEST, USUAL = 5.0, 45.0, 15.0  # minutes of a look
FIRST_DAY: Final = date(2026, 3, 1)
SETTINGS: Final = TankSettings()
TEXTBOOKS: Final = ("Carle-Strub", "Zippin", "Moran")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of tank.

    Parameters
    ----------
    group, name
        The table it stands in, and its name there.
    chances
        How unequal animals are: a key of `CHANCES`.
    there
        Animals at the beginning.
    nights, apart_days
        How many looks, and the days from one to the next.
    hatch
        Number of the look before which a brood comes out, from 0; None without one.
    is_brood_noted
        The keeper wrote that one carried young, in a look before they came out.
    efforts
        `even`; `written` (5 to 45 minutes, drawn evenly on their logarithm, half of them under 15, and written
        down); `untimed` (the same, not written); `wrong` (the same, and each written as a usual look).
    """

    group: str
    name: str
    chances: str = EQUAL
    there: int = 50
    nights: int = 5
    apart_days: int = 1
    hatch: int | None = None
    is_brood_noted: bool = False
    efforts: str = "even"


@dataclass(slots=True)
class Tally:
    """What came of one kind of tank."""

    runs: int = 0
    covered: int = 0
    answered: int = 0
    covered_answered: int = 0
    refused: int = 0
    warned: int = 0
    first_nights: int = 0
    widths: list[int] = field(default_factory=list)
    textbook_covered: dict[str, int] = field(default_factory=lambda: dict.fromkeys(TEXTBOOKS, 0))
    textbook_answered: dict[str, int] = field(default_factory=lambda: dict.fromkeys(TEXTBOOKS, 0))

    @property
    def coverage(self) -> float:
        """Share of runs, refused ones too, in which the range holds the truth."""
        return self.covered / self.runs

    @property
    def told(self) -> float:
        """Share of runs in which the tool warns or refuses."""
        return (self.warned + self.refused) / self.runs

    def textbook(self, name: str) -> float:
        """Share of the runs a textbook answers in which its range holds the truth."""
        return self.textbook_covered[name] / max(1, self.textbook_answered[name])


CLOSED: Final = "Closed tanks"
BROOD: Final = "A brood of 20 to 30 comes out"
EFFORT: Final = "Looks of 5 to 45 minutes"
KINDS: Final = (
    *(Kind(CLOSED, f"50 there, 5 nights, {chances}", chances) for chances in CHANCES),
    *(
        Kind(CLOSED, f"{there} there, 5 nights, {chances}", chances, there=there)
        for there in (20, 10)
        for chances in CHANCES
    ),
    *(
        Kind(CLOSED, f"50 there, {nights} nights, {chances}", chances, nights=nights)
        for nights in (4, 8)
        for chances in CHANCES
    ),
    Kind(CLOSED, "50 there, 14 nights, equal", nights=14),
    Kind(CLOSED, "50 there, 8 looks a week apart, equal", nights=8, apart_days=7),
    Kind(BROOD, "noted by the keeper, 8 nights", nights=8, hatch=4, is_brood_noted=True),
    Kind(BROOD, "seen by nobody, 8 looks a week apart", nights=8, apart_days=7, hatch=5),
    Kind(BROOD, "seen by nobody, 14 nights", nights=14, hatch=7),
    Kind(BROOD, "seen by nobody, 8 nights", nights=8, hatch=4),
    Kind(BROOD, "seen by nobody, 5 nights", hatch=3),
    Kind(EFFORT, "written down, equal", efforts="written"),
    Kind(EFFORT, "written down, Beta(3, 7)", MILD, efforts="written"),
    Kind(EFFORT, "not written down, equal", efforts="untimed"),
    Kind(EFFORT, "written down as usual ones, equal", efforts="wrong"),
)


def main() -> None:
    """Make the tanks and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=RUNS)
    parser.add_argument("--only", default="", help="rows whose group or name holds this")
    options = parser.parse_args()
    start = time.perf_counter()
    group = ""
    for number, kind in enumerate(KINDS):
        if options.only not in f"{kind.group} {kind.name}":
            continue
        if kind.group != group:
            group = kind.group
            print(f"\n{heading(group)}")
        print(row(kind, examine(kind, runs=options.runs, seed=EXAM_SEED + number)), flush=True)
    print(f"\n{options.runs} runs a row, {time.perf_counter() - start:.0f} s")


def examine(kind: Kind, *, runs: int, seed: int) -> Tally:
    """Make tanks of one kind and tally what is said of them."""
    rng = np.random.default_rng(seed)
    tally = Tally()
    while tally.runs < runs:
        nights, left = make_nights(rng, kind)
        if any(night.taken for night in nights):
            count(tally, nights, left)
    return tally


def make_nights(rng: np.random.Generator, kind: Kind) -> tuple[tuple[Night, ...], int]:
    """Make the nights of one tank, and how many are left after the last one."""
    chance = _chances(rng, kind.chances, kind.there)
    noted = int(rng.integers(kind.hatch)) if kind.is_brood_noted and kind.hatch else None
    nights = []
    for number in range(kind.nights):
        if number == kind.hatch:
            young = int(rng.integers(YOUNG[0], YOUNG[1] + 1))
            chance = np.concatenate([chance, _chances(rng, kind.chances, young)])
        effort = 1.0
        if kind.efforts != "even":
            effort = math.exp(rng.uniform(math.log(SHORTEST), math.log(LONGEST))) / USUAL
        is_found = rng.random(chance.size) < 1 - (1 - chance) ** effort
        chance = chance[~is_found]
        taken = int(is_found.sum())
        nights.append(
            Night(
                day=FIRST_DAY + timedelta(days=number * kind.apart_days),
                seen=taken,
                taken=taken,
                effort=effort if kind.efforts == "written" else 1.0,
                is_timed=kind.efforts != "untimed",
                brooding=number == noted,
            )
        )
    return tuple(nights), chance.size


def count(tally: Tally, nights: tuple[Night, ...], left: int) -> None:
    """Add one tank to the tally."""
    weighed = weigh(nights, settings=SETTINGS)
    catches = tuple(night.taken for night in weighed.nights)
    efforts = tuple(night.effort for night in weighed.nights)
    beliefs = weighed.beliefs or _beliefs(catches, efforts)
    low, high = beliefs.likely_left()
    is_covered = low <= left <= high
    tally.runs += 1
    tally.covered += is_covered
    tally.widths.append(high - low)
    tally.first_nights += any(warned.doubt is Doubt.FIRST_NIGHT for warned in weighed.warned)
    if weighed.refusal is None:
        tally.answered += 1
        tally.covered_answered += is_covered
        tally.warned += any(not warned.is_of_textbook for warned in weighed.warned)
    else:
        tally.refused += 1
    for estimate in _textbooks(catches, weighed):
        if estimate.low is not None and estimate.high is not None:
            truth = sum(catches) + left
            tally.textbook_answered[estimate.method] += 1
            tally.textbook_covered[estimate.method] += estimate.low <= truth <= estimate.high


def heading(group: str) -> str:
    """Give the head of a table in Markdown."""
    names = f"{group} | covers | width | refused | warned | either | first night | " + " | ".join(
        TEXTBOOKS
    )
    columns = names.count("|") + 1
    return f"| {names} |\n|{'---|' * columns}"


def row(kind: Kind, tally: Tally) -> str:
    """Give a row of a table in Markdown."""
    answered = f"{tally.covered_answered / tally.answered:.3f}" if tally.answered else "none"
    cells = [
        kind.name,
        f"{tally.coverage:.3f} ({answered})",
        f"{np.median(tally.widths):.0f}",
        f"{tally.refused / tally.runs:.3f}",
        f"{tally.warned / tally.runs:.3f}",
        f"{tally.told:.3f}",
        f"{tally.first_nights / tally.runs:.3f}",
    ]
    for name in TEXTBOOKS:
        none = 1 - tally.textbook_answered[name] / tally.runs
        cells.append(f"{tally.textbook(name):.3f}" + (f" ({none:.3f})" if none >= 0.0005 else ""))
    return f"| {' | '.join(cells)} |"


def _chances(rng: np.random.Generator, name: str, number: int) -> F64:
    shape = CHANCES[name]
    return np.full(number, MEAN_CHANCE) if shape is None else rng.beta(*shape, number)


@functools.lru_cache(maxsize=4096)
def _beliefs(catches: tuple[int, ...], efforts: tuple[float, ...]) -> Beliefs:
    return beliefs_of(catches, efforts)


def _textbooks(catches: tuple[int, ...], weighed: Weighed) -> tuple[Estimate, ...]:
    tested = weighed.first_night
    return (
        carle_strub(catches),
        zippin(catches),
        moran(catches) if tested is None else tested.equal,
    )


if __name__ == "__main__":
    main()
