"""Draw frames of one animal before a fixed camera, a fraction of a second apart or a few seconds.

Periods and lengths are those of the literature where it has them: see `GAITS`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pestvision.errors import ShapeError
from training.scenes.camera import draw_camera, metered, photograph
from training.scenes.crops import truth_of
from training.scenes.grounds import draw_ground, draw_view, draw_weather
from training.scenes.light import blend, draw_light, place, rotation
from training.scenes.organisms import new_animal
from training.scenes.records import DrawnBurst, DrawnFrame, Pose
from training.scenes.ribbons import midline

if TYPE_CHECKING:
    from pestvision.arrays import F64
    from training.scenes.body import Animal


@dataclass(frozen=True, slots=True)
class StepRhythm:
    """A gait in steps: the rear end holds while the body lengthens, the front while it shortens.

    `period_s`: one step. `lengthening`, `holding`: shares of the period; the rest is shortening.
    `ratio`: longest over shortest length. `shortest`: in lengths at rest.
    """

    period_s: tuple[float, float]
    lengthening: float
    holding: float
    ratio: tuple[float, float]
    shortest: float


LOOP = StepRhythm(
    # 0.16-0.24 Hz, medicinal leech (Garcia-Perez et al. 2005, J Neurosci 25:2597, table 1).
    period_s=(1 / 0.24, 1 / 0.16),
    # Extension and plateau are about two thirds of a step (Yulita et al. 2024, meeting abstract).
    lengthening=0.5,
    holding=2 / 3 - 0.5,
    # About 2 to 3, from memory, source to be verified.
    ratio=(2.0, 3.0),
    shortest=0.6,
)
SCRUNCH = StepRhythm(
    # 0.70-0.75 Hz in D. japonica, and lengthening slower than shortening, 0.6 and 0.8 Hz: analysis
    # code that the laboratory published with its study of scrunching.
    period_s=(1 / 0.75, 1 / 0.70),
    lengthening=(1 / 0.6) / (1 / 0.6 + 1 / 0.8),
    holding=0.0,
    # Own assumption: less than the 2.0-3.1 between a planarian's longest and shortest at all times.
    ratio=(1.4, 1.9),
    shortest=0.55,
)
GLIDE_SPEED = (0.1, 0.3)
"""Lengths a second; from memory, no source read."""

WAVE_HZ = (0.5, 1.5)
"""Whole-body waves of a thin worm a second; own assumption."""

GAITS: dict[str, tuple[str, ...]] = {
    "leech": ("loop",),
    "flatworm": ("glide", "scrunch"),
    "thin-worm": ("wave",),
    "midge-larva": ("wave",),
    "snail": ("creep",),
    "limpet": ("creep",),
}
"""The gaits that can be drawn for a class, the usual one first; any other class drifts."""


@dataclass(frozen=True, slots=True)
class Moment:
    """A pose and where the body's middle is, in lengths at rest from where it started."""

    pose: Pose
    at: tuple[float, float]


def draw_burst(
    rng: np.random.Generator,
    fine: str,
    *,
    n: int,
    interval_s: float,
    gait: str | None = None,
    height_px: int = 360,
    width_px: int = 480,
    length_px: float = 60.0,
) -> DrawnBurst:
    """Draw a burst.

    Parameters
    ----------
    fine
        A name of FINE_NAMES.
    n, interval_s
        How many frames, and the seconds between them.
    gait
        One of `GAITS` for that class, or None for its usual one.
    height_px, width_px
        Size of a frame.
    length_px
        Length of the animal at rest.

    Raises
    ------
    ShapeError
        If the class has no such gait, or `n` or `interval_s` is not positive.
    """
    if n < 1 or not interval_s > 0:
        raise ShapeError(
            "n, interval_s", expected="1 or more, and over 0", actual=f"{n}, {interval_s}"
        )
    allowed = GAITS.get(fine, ("drift",))
    gait = allowed[0] if gait is None else gait
    if gait not in allowed:
        raise ShapeError("gait", expected=" or ".join(allowed), actual=gait)
    animal = new_animal(rng, fine)
    times = [index * interval_s for index in range(n)]
    moments = _moments(rng, animal, gait, times)
    size = (height_px, width_px)
    picture = draw_view(rng, size) if rng.random() < 0.5 else draw_ground(rng, size)
    weather, light = draw_weather(rng, size), draw_light(rng)
    camera = metered(rng, weather.applied(picture), draw_camera(rng, blur_px=0.6))
    start = _start(moments, size, length_px)
    frames = []
    for time_s, moment in zip(times, moments, strict=True):
        body = animal.paint(moment.pose, max(length_px, 56.0))
        at = (start[0] + moment.at[0] * length_px, start[1] + moment.at[1] * length_px)
        placed = place(body, at, heading_deg=moment.pose.heading_deg, px_per_unit=length_px)
        truth = truth_of(
            placed, size, fine=fine, pose=moment.pose, length_px=body.length_units * length_px
        )
        if truth is None:  # it has left the picture: the burst ends there
            break
        seen = picture.copy()
        blend(seen, placed, light)
        frames.append(
            DrawnFrame(
                rgb=photograph(rng, weather.applied(seen), camera),
                time_s=time_s,
                truth=truth,
                head_xy_px=placed.point(body.ends[1]),
                tail_xy_px=placed.point(body.ends[0]),
            )
        )
    return DrawnBurst(fine=fine, gait=gait, frames=tuple(frames))


def _start(moments: list[Moment], size: tuple[int, int], length_px: float) -> tuple[float, float]:
    """Where to start so that the path lies about the middle of the picture."""
    path = np.array([moment.at for moment in moments]) * length_px
    middle = 0.5 * (path.min(axis=0) + path.max(axis=0))
    return float(size[1] / 2 - middle[0]), float(size[0] / 2 - middle[1])


def _moments(
    rng: np.random.Generator, animal: Animal, gait: str, times: list[float]
) -> list[Moment]:
    if gait == "loop":
        return _steps(rng, LOOP, times, arch_rad=float(rng.choice([0.0, rng.uniform(1.5, 3.6)])))
    if gait == "scrunch":
        return _steps(rng, SCRUNCH, times, arch_rad=0.0)
    if gait == "glide":
        return _glide(rng, times)
    if gait == "wave":
        return _wave(rng, animal, times)
    return _drift(rng, animal, times, speed=0.05 if gait == "creep" else 0.6)


def _steps(
    rng: np.random.Generator, rhythm: StepRhythm, times: list[float], *, arch_rad: float
) -> list[Moment]:
    """Step: `arch_rad` is how far the short body bows up, 0 for worm-like steps."""
    period = float(rng.uniform(*rhythm.period_s))
    longest = rhythm.shortest * float(rng.uniform(*rhythm.ratio))
    heading = float(rng.uniform(0, 360))
    lag = float(rng.uniform(0, period))
    short = _step_pose(rhythm.shortest, rhythm.shortest, longest, heading, arch_rad)
    long = _step_pose(longest, rhythm.shortest, longest, heading, arch_rad)
    stride = (_span(long) - _span(short)) @ rotation(heading).T
    moments = []
    for time_s in times:
        turns = (time_s + lag) / period
        done, phase = divmod(turns, 1.0)
        length, front_holds = _step_length(phase, rhythm, longest)
        pose = _step_pose(length, rhythm.shortest, longest, heading, arch_rad)
        line = midline(pose) @ rotation(heading).T
        tail_fixed = done * stride
        if front_holds:
            head_fixed = tail_fixed + _span(long) @ rotation(heading).T
            at = head_fixed - line[-1]
        else:
            at = tail_fixed - line[0]
        moments.append(Moment(pose, (float(at[0]), float(at[1]))))
    return moments


def _step_length(phase: float, rhythm: StepRhythm, longest: float) -> tuple[float, bool]:
    """Length at a phase, and whether the front holds. Rates are nearly constant (Cacciatore 2000)."""
    if phase < rhythm.lengthening:
        share = phase / rhythm.lengthening
        return rhythm.shortest + share * (longest - rhythm.shortest), False
    if phase < rhythm.lengthening + rhythm.holding:
        return longest, False
    share = (phase - rhythm.lengthening - rhythm.holding) / (
        1.0 - rhythm.lengthening - rhythm.holding
    )
    return longest - share * (longest - rhythm.shortest), True


def _step_pose(
    length: float, shortest: float, longest: float, heading: float, arch_rad: float
) -> Pose:
    short_share = (longest - length) / (longest - shortest)
    return Pose(
        name="stretched" if short_share < 0.5 else "contracted",
        heading_deg=heading,
        stretch=length,
        bends_rad=(arch_rad * short_share, 0.0, 0.0),
        phase=0.0,
    )


def _span(pose: Pose) -> F64:
    line = midline(pose)
    return np.asarray(line[-1] - line[0], np.float64)


def _glide(rng: np.random.Generator, times: list[float]) -> list[Moment]:
    """Glide along an arc at an even speed; the length stays within 5 %."""
    speed = float(rng.uniform(*GLIDE_SPEED))
    turn_per_length = float(rng.uniform(-0.5, 0.5))
    heading = float(rng.uniform(0, 2 * np.pi))
    breath, pace = float(rng.uniform(0.0, 0.04)), float(rng.uniform(0.05, 0.2))
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
    return moments


def _wave(rng: np.random.Generator, animal: Animal, times: list[float]) -> list[Moment]:
    """Waves run along the whole body; no end holds."""
    pose = animal.kind.pose(rng)
    per_second = float(rng.uniform(*WAVE_HZ))
    speed = float(rng.uniform(0.02, 0.12))
    whole, wave, ripple = pose.bends_rad
    wave = float(np.sign(wave) or 1.0) * max(abs(wave), 0.7)
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
    return moments


def _drift(
    rng: np.random.Generator, animal: Animal, times: list[float], *, speed: float
) -> list[Moment]:
    """Go straight on; what does not move by itself stays."""
    pose = animal.kind.pose(rng)
    pace = 0.0 if animal.kind.gait == "stay" else speed * float(rng.uniform(0.4, 1.0))
    toward = rotation(pose.heading_deg)[:, 0]
    return [Moment(pose, (float(pace * t * toward[0]), float(pace * t * toward[1]))) for t in times]
