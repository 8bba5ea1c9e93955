"""Twenty invented tanks over two years: outbreaks, clean stretches, moves, losses. Invented throughout."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from pestvision.tanks.log import TankLog
from pestvision.tanks.records import Cargo, Kind, Means, Note, Stage
from tests.made_log import HERE, SHELF, look

if TYPE_CHECKING:
    from pathlib import Path

N_TANKS = 20
N_DAYS = 730
END = datetime(2026, 3, 1, 22, 0, tzinfo=HERE)
NAMES = (*SHELF, *(f"Rack {row}{column}" for row in "ABC" for column in "1234"))[:N_TANKS]


def two_years(rng: np.random.Generator) -> list[Note]:
    """Make the notes, in the order of time."""
    notes: list[Note] = []
    for place, name in enumerate(NAMES):
        there = np.zeros(0)  # the chance of being found, of each leech there
        for day in range(N_DAYS):
            at = END - timedelta(days=N_DAYS - day, minutes=place)
            if there.size == 0 and rng.random() < 0.002:
                there = rng.beta(3, 7, int(rng.integers(5, 60)))
            is_watched = there.size > 0 or day % 3 == place % 3
            if is_watched:
                found = rng.random(there.size) < there
                n_seen = int(found.sum())
                taken = n_seen or None
                means = Means.TRAP if day % 7 == 0 else Means.EYE
                minutes = float(rng.choice([10, 15, 20]))
                notes.append(look(name, at, n_seen, taken=taken, means=means, minutes=minutes))
                there = there[~found]
            if there.size and rng.random() < 0.3:
                count = int(rng.integers(1, 30))
                stage = Stage(rng.choice(["hatchling", "juvenile", "adult"]))
                notes.append(
                    Note(name, at + timedelta(hours=1), Kind.DIED, count=count, stage=stage)
                )
            if rng.random() < 0.05:
                other = NAMES[int((place + rng.integers(1, N_TANKS)) % N_TANKS)]
                cargo = Cargo(rng.choice(["plants", "animals", "tools", "water"]))
                moved = at - timedelta(hours=3, seconds=int(rng.integers(3000)))
                notes.append(Note(name, moved, Kind.MOVED, cargo=cargo, other=other))
            if rng.random() < 0.01:
                notes.append(
                    Note(
                        name,
                        at - timedelta(hours=5),
                        Kind.ADDED,
                        cargo=Cargo.PLANTS,
                        source="a shop",
                    )
                )
    return sorted(notes, key=lambda note: note.at)


def large_log(folder: Path, *, seed: int = 0) -> TankLog:
    """Fill a log with two years of notes and give it, opened."""
    log = TankLog(folder, now=lambda: END.astimezone(UTC))
    for name in NAMES:
        log.add_tank(name, litres=54.0)
    log.add_each(two_years(np.random.default_rng(seed)))
    return log
