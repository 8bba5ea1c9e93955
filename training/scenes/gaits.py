"""Where a drawn animal is and how it holds itself, moment by moment, in each gait.

`SOURCED` has the periods of the literature where it has them. `WIDE` is what a reader of gaits is fitted
on: ranges so much wider that it cannot lean on what no source says.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from training.scenes.light import rotation
from training.scenes.records import Pose
from training.scenes.ribbons import midline

if TYPE_CHECKING:
    from pestvision.arrays import F64
    from training.scenes.body import Animal

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class StepRhythm:
    """A gait in steps: the rear end holds while the body lengthens, the front while it shortens.

    `period_s`: one step. `lengthening`, `holding`: shares of the period; the rest is shortening.
    `ratio`: longest over shortest length. `shortest`: in lengths at rest. `unevenness`: one standard
    deviation of a step's time from the animal's usual, over it. `turn_deg`: how far a step may turn.
    `rest_share`: how often the animal rests after a step, for up to two steps' time.
    """

    period_s: Range
    lengthening: Range
    holding: Range
    ratio: Range
    shortest: float
    unevenness: float = 0.0
    turn_deg: float = 0.0
    rest_share: float = 0.0


LOOP = StepRhythm(
    # 0.16-0.24 Hz, medicinal leech (Garcia-Perez et al. 2005, J Neurosci 25:2597, table 1).
    period_s=(1 / 0.24, 1 / 0.16),
    # Extension and plateau are about two thirds of a step (Yulita et al. 2024, meeting abstract).
    lengthening=(0.5, 0.5),
    holding=(2 / 3 - 0.5, 2 / 3 - 0.5),
    # About 2 to 3, from memory, source to be verified.
    ratio=(2.0, 3.0),
    shortest=0.6,
)
_SLOWER = (1 / 0.6) / (1 / 0.6 + 1 / 0.8)
SCRUNCH = StepRhythm(
    # 0.70-0.75 Hz in D. japonica, and lengthening slower than shortening, 0.6 and 0.8 Hz: analysis
    # code that the laboratory published with its study of scrunching.
    period_s=(1 / 0.75, 1 / 0.70),
    lengthening=(_SLOWER, _SLOWER),
    holding=(0.0, 0.0),
    # Own assumption: less than the 2.0-3.1 between a planarian's longest and shortest at all times.
    ratio=(1.4, 1.9),
    shortest=0.55,
)


@dataclass(frozen=True, slots=True)
class Habits:
    """How fast and how far each gait goes. Speeds are in lengths at rest a second.

    `glide_turn`: radians that a glide turns in a length. `breath`: largest share by which the length
    of what glides, creeps or rests comes and goes. `wave_rad`: amplitude of a bending wave.
    """

    loop: StepRhythm
    scrunch: StepRhythm
    glide_speed: Range
    glide_turn: float
    breath: float
    wave_hz: Range
    wave_rad: Range
    wave_speed: Range
    creep_speed: Range
    hop_lengths: Range
    hop_rest_s: Range
    sway_period_s: Range


SOURCED = Habits(
    loop=LOOP,
    scrunch=SCRUNCH,
    glide_speed=(0.1, 0.3),  # from memory, no source read
    glide_turn=0.5,
    breath=0.04,
    wave_hz=(0.5, 1.5),  # own assumption; a swimming leech has 1.3-1.7 (Garcia-Perez et al. 2005)
    wave_rad=(0.7, 1.3),
    wave_speed=(0.02, 0.12),
    creep_speed=(0.02, 0.05),  # own assumption
    hop_lengths=(0.8, 3.0),  # own assumption, as the rest below
    hop_rest_s=(0.3, 1.5),
    sway_period_s=(6.0, 20.0),
)
WIDE = Habits(
    loop=StepRhythm((3.0, 9.0), (0.33, 0.6), (0.0, 0.25), (1.4, 3.3), 0.6, 0.15, 25.0, 0.15),
    scrunch=StepRhythm((0.95, 1.9), (0.45, 0.65), (0.0, 0.1), (1.25, 2.2), 0.55, 0.1, 25.0, 0.05),
    glide_speed=(0.06, 0.6),
    glide_turn=1.2,
    breath=0.05,
    wave_hz=(0.35, 3.0),
    wave_rad=(0.35, 1.6),
    wave_speed=(0.0, 0.4),
    creep_speed=(0.006, 0.08),
    hop_lengths=(0.4, 5.0),
    hop_rest_s=(0.15, 2.5),
    sway_period_s=(4.0, 30.0),
)

GAITS: dict[str, tuple[str, ...]] = {
    "leech": ("loop", "still"),
    "flatworm": ("glide", "scrunch", "still"),
    "thin-worm": ("wave", "still"),
    "midge-larva": ("wave", "still"),
    "snail": ("creep", "still"),
    "limpet": ("creep", "still"),
    "small-crustacean": ("hop", "drift", "still"),
    "hydra": ("sway", "still"),
}
"""How each class goes, its usual gait first; every other one drifts, or is still."""
OTHERS = ("drift", "still")


@dataclass(frozen=True, slots=True)
class Moment:
    """A pose and where the body's middle is, in lengths at rest from where it started."""

    pose: Pose
    at: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Walk:
    """The moments of an animal, and the time of one step or wave where it has one."""

    moments: tuple[Moment, ...]
    period_s: float | None = None


def walk(
    rng: np.random.Generator,
    animal: Animal,
    gait: str,
    times: list[float],
    *,
    habits: Habits = SOURCED,
) -> Walk:
    """Give where an animal is at each of the times, seconds, ascending."""
    if gait == "loop":
        arch_rad = float(rng.choice([0.0, rng.uniform(1.5, 3.6)]))
        return _steps(rng, habits.loop, times, arch_rad=arch_rad)
    if gait == "scrunch":
        return _steps(rng, habits.scrunch, times, arch_rad=0.0)
    if gait == "glide":
        return _glide(rng, times, habits)
    if gait == "wave":
        return _wave(rng, animal, times, habits)
    if gait == "hop":
        return _hop(rng, animal, times, habits)
    if gait == "sway":
        return _sway(rng, animal, times, habits)
    if gait == "creep":
        return _creep(rng, animal, times, habits)
    if gait == "still":
        pose = animal.kind.pose(rng)
        return Walk(tuple(Moment(pose, (0.0, 0.0)) for _ in times))
    return _drift(rng, animal, times)


@dataclass(frozen=True, slots=True)
class _Step:
    """One step: when it begins, how long it takes, the directions before and in it, the tail's place."""

    start_s: float
    period_s: float
    before_deg: float
    heading_deg: float
    tail: tuple[float, float]


def _steps(
    rng: np.random.Generator, rhythm: StepRhythm, times: list[float], *, arch_rad: float
) -> Walk:
    """Step: `arch_rad` is how far the short body bows up, 0 for worm-like steps."""
    period = float(rng.uniform(*rhythm.period_s))
    longest = rhythm.shortest * float(rng.uniform(*rhythm.ratio))
    shares = float(rng.uniform(*rhythm.lengthening)), float(rng.uniform(*rhythm.holding))

    def line(length: float, heading: float) -> F64:
        pose = _step_pose(length, (rhythm.shortest, longest), heading, arch_rad)
        return np.asarray(midline(pose) @ rotation(heading).T, np.float64)

    def reach(length: float, heading: float) -> F64:
        ends = line(length, heading)
        return np.asarray(ends[-1] - ends[0], np.float64)

    toward = float(rng.uniform(0, 360))
    plan = [_Step(-float(rng.uniform(0, period)), period, toward, toward, (0.0, 0.0))]
    moments = []
    for time_s in times:
        while time_s >= plan[-1].start_s + plan[-1].period_s:
            last = plan[-1]
            gone = reach(longest, last.heading_deg) - reach(rhythm.shortest, last.heading_deg)
            tail = (last.tail[0] + float(gone[0]), last.tail[1] + float(gone[1]))
            start_s, own = _next_step(rng, rhythm, last, period)
            turned = last.heading_deg + float(rng.uniform(-1, 1)) * rhythm.turn_deg
            plan.append(_Step(start_s, own, last.heading_deg, turned, tail))
        # While it rests before the next step begins, it is short and stays where it is.
        now = plan[-1]
        phase = max(0.0, (time_s - now.start_s) / now.period_s)
        length, front_holds = _step_length(phase, shares, (rhythm.shortest, longest))
        share = min(1.0, phase / shares[0])
        heading = now.before_deg + share * (now.heading_deg - now.before_deg)
        ends = line(length, heading)
        fixed = np.asarray(now.tail)
        at = fixed + reach(longest, heading) - ends[-1] if front_holds else fixed - ends[0]
        pose = _step_pose(length, (rhythm.shortest, longest), heading, arch_rad)
        moments.append(Moment(pose, (float(at[0]), float(at[1]))))
    return Walk(tuple(moments), period)


def _next_step(
    rng: np.random.Generator, rhythm: StepRhythm, last: _Step, period: float
) -> tuple[float, float]:
    """When the next step begins, and how long it takes."""
    own = period * float(np.clip(1.0 + rhythm.unevenness * rng.standard_normal(), 0.5, 1.5))
    rest = float(rng.uniform(0, 2 * period)) if rng.random() < rhythm.rest_share else 0.0
    return last.start_s + last.period_s + rest, own


def _step_length(phase: float, shares: tuple[float, float], lengths: Range) -> tuple[float, bool]:
    """Length at a phase, and whether the front holds. Rates are nearly constant (Cacciatore 2000)."""
    shortest, longest = lengths
    lengthening, holding = shares
    if phase < lengthening:
        return shortest + phase / lengthening * (longest - shortest), False
    if phase < lengthening + holding:
        return longest, False
    share = (phase - lengthening - holding) / (1.0 - lengthening - holding)
    return longest - share * (longest - shortest), True


def _step_pose(length: float, lengths: Range, heading: float, arch_rad: float) -> Pose:
    short_share = (lengths[1] - length) / (lengths[1] - lengths[0])
    return Pose(
        name="stretched" if short_share < 0.5 else "contracted",
        heading_deg=heading,
        stretch=length,
        bends_rad=(arch_rad * short_share, 0.0, 0.0),
        phase=0.0,
    )


def _glide(rng: np.random.Generator, times: list[float], habits: Habits) -> Walk:
    """Glide along an arc at an even speed; the length stays within a few per cent."""
    speed = float(rng.uniform(*habits.glide_speed))
    turn_per_length = float(rng.uniform(-1, 1)) * habits.glide_turn
    heading = float(rng.uniform(0, 2 * np.pi))
    breath, pace = float(rng.uniform(0.0, habits.breath)), float(rng.uniform(0.05, 0.2))
    moments, at, last = [], np.zeros(2), 0.0
    for time_s in times:
        step = speed * (time_s - last)
        middle = heading + 0.5 * step * turn_per_length
        at = at + step * np.array([np.cos(middle), np.sin(middle)])
        heading += step * turn_per_length
        last = time_s
        pose = Pose(
            name="gliding",
            heading_deg=float(np.rad2deg(heading)),
            stretch=1.0 + breath * float(np.sin(2 * np.pi * pace * time_s)),
            bends_rad=(turn_per_length, 0.0, 0.0),
        )
        moments.append(Moment(pose, (float(at[0]), float(at[1]))))
    return Walk(tuple(moments))


def _wave(rng: np.random.Generator, animal: Animal, times: list[float], habits: Habits) -> Walk:
    """Waves run along the whole body; no end holds."""
    pose = animal.kind.pose(rng)
    per_second = float(rng.uniform(*habits.wave_hz))
    speed = float(rng.uniform(*habits.wave_speed))
    whole, wave, ripple = pose.bends_rad
    wave = float(np.sign(wave) or 1.0) * max(abs(wave), float(rng.uniform(*habits.wave_rad)))
    toward = rotation(pose.heading_deg)[:, 0]
    moments = []
    for time_s in times:
        now = Pose(
            name="waves",
            heading_deg=pose.heading_deg,
            stretch=pose.stretch,
            bends_rad=(0.4 * whole, wave, ripple),
            phase=(pose.phase + per_second * time_s) % 1.0,
        )
        at = speed * time_s * toward
        moments.append(Moment(now, (float(at[0]), float(at[1]))))
    return Walk(tuple(moments), 1.0 / per_second)


def _creep(rng: np.random.Generator, animal: Animal, times: list[float], habits: Habits) -> Walk:
    """Creep along an arc, slowly and evenly."""
    pose = animal.kind.pose(rng)
    speed = float(rng.uniform(*habits.creep_speed))
    turn_per_length = float(rng.uniform(-1, 1)) * habits.glide_turn
    moments = []
    for time_s in times:
        gone = speed * time_s
        turn = gone * turn_per_length
        # A chord of the arc: its length over the arc's is sinc of half the turn.
        chord = gone * float(np.sinc(turn / (2 * np.pi)))
        toward = rotation(pose.heading_deg + float(np.rad2deg(turn / 2)))[:, 0]
        heading = pose.heading_deg + float(np.rad2deg(turn))
        at = (float(chord * toward[0]), float(chord * toward[1]))
        moments.append(Moment(replace(pose, heading_deg=heading), at))
    return Walk(tuple(moments))


_HOP_S = 0.12  # one hop; own assumption
_SINK = (0.05, 0.5)  # lengths a second, between hops; own assumption


def _hop(rng: np.random.Generator, animal: Animal, times: list[float], habits: Habits) -> Walk:
    """Hop, mostly upwards, and sink: quick jumps with rests between them."""
    pose = animal.kind.pose(rng)
    sink = float(rng.uniform(*_SINK))
    knots, at = [0.0], [np.zeros(2)]
    while knots[-1] <= (times[-1] if times else 0.0):
        rest = float(rng.uniform(*habits.hop_rest_s))
        far = float(rng.uniform(*habits.hop_lengths))
        # Hops rise about as much as rests sink and lead back, so that it stays about where it is.
        sunk = at[-1][1] + sink * rest
        angle = float(np.arcsin(np.clip(-sunk / far, -1, 1))) + float(rng.normal(0, 0.4))
        if at[-1][0] > 0:
            angle = np.pi - angle
        at.append(at[-1] + np.array([0.0, sink * rest]))
        at.append(at[-1] + far * np.array([np.cos(angle), np.sin(angle)]))
        knots += [knots[-1] + rest, knots[-1] + rest + _HOP_S]
    path = np.array(at)
    moments = []
    for time_s in times:
        x, y = (float(np.interp(time_s, knots, path[:, axis])) for axis in (0, 1))
        moments.append(Moment(pose, (x, y)))
    return Walk(tuple(moments))


def _sway(rng: np.random.Generator, animal: Animal, times: list[float], habits: Habits) -> Walk:
    """Hold on with the foot; the column leans, lengthens and shortens."""
    pose = animal.kind.pose(rng)
    period = float(rng.uniform(*habits.sway_period_s))
    lean, pull = float(rng.uniform(5, 40)), float(rng.uniform(0.05, 0.4))
    phases = rng.uniform(0, 2 * np.pi, 2)
    moments = []
    for time_s in times:
        turn = 2 * np.pi * time_s / period
        heading = pose.heading_deg + lean * float(np.sin(turn + phases[0]))
        stretch = 1.0 + pull * float(np.sin(1.3 * turn + phases[1]))
        now = replace(pose, heading_deg=heading, stretch=stretch)
        toward = 0.5 * stretch * rotation(heading)[:, 0]
        moments.append(Moment(now, (float(toward[0]), float(toward[1]))))
    return Walk(tuple(moments))


_DRIFT_SPEED = (0.24, 0.6)  # lengths a second; own assumption


def _drift(rng: np.random.Generator, animal: Animal, times: list[float]) -> Walk:
    """Go straight on; what does not move by itself stays."""
    pose = animal.kind.pose(rng)
    pace = 0.0 if animal.kind.gait == "stay" else float(rng.uniform(*_DRIFT_SPEED))
    toward = rotation(pose.heading_deg)[:, 0]
    return Walk(
        tuple(
            Moment(pose, (float(pace * t * toward[0]), float(pace * t * toward[1]))) for t in times
        )
    )
