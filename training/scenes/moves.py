"""Where an animal is in the next photo, and how it is held there: each kind by its gait."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from training.scenes.leeches import STRETCH_RANGE, leech_pose
from training.scenes.solid_leeches import tilted_leech

if TYPE_CHECKING:
    from training.scenes.body import Animal
    from training.scenes.records import Pose


@dataclass(frozen=True, slots=True)
class State:
    """An animal at a place: `length_px` is its length at rest, the unit of its kind."""

    animal: Animal
    pose: Pose
    at_xy_px: tuple[float, float]
    length_px: float


# How far each gait goes between two photos, in lengths at rest, and how far it turns. Photos of a
# night lie a minute or more apart; the least step is one that a person would call "it moved".
_STEPS: dict[str, tuple[float, float, float]] = {
    "loop": (0.9, 5.0, 70.0),
    "glide": (0.9, 7.0, 60.0),
    "creep": (0.25, 1.5, 40.0),
    "wriggle": (0.3, 2.5, 120.0),
    "swim": (1.5, 12.0, 180.0),
    "stay": (0.0, 0.0, 0.0),
}


def moved(
    rng: np.random.Generator, state: State, *, size: tuple[int, int], pace: float = 1.0
) -> State:
    """Give the state in the next photo; `size` (H, W) keeps the animal inside the picture.

    `pace`: how far it goes, over what is usual; below 1 for photos that follow each other closely.
    """
    gait = state.animal.kind.gait
    least, most, turn_deg = _STEPS[gait]
    heading = state.pose.heading_deg + float(rng.uniform(-turn_deg, turn_deg))
    step = pace * float(rng.uniform(least, most)) * state.length_px
    at = _inside(rng, state, heading, step, size)
    return replace(state, pose=_next_pose(rng, state, heading), at_xy_px=at)


def _inside(
    rng: np.random.Generator, state: State, heading: float, step: float, size: tuple[int, int]
) -> tuple[float, float]:
    """Go a step that way; if that leads out of the picture, try others, then a shorter one."""
    margin = 0.9 * state.length_px
    x, y = state.at_xy_px
    for attempt in range(24):
        angle = np.deg2rad(heading + float(rng.uniform(-15, 15)) * attempt)
        reach = step * 0.96**attempt
        there = (x + reach * float(np.cos(angle)), y + reach * float(np.sin(angle)))
        if margin <= there[0] <= size[1] - margin and margin <= there[1] <= size[0] - margin:
            return there
    return (
        float(np.clip(x, margin, max(margin, size[1] - margin))),
        float(np.clip(y, margin, max(margin, size[0] - margin))),
    )


def _next_pose(rng: np.random.Generator, state: State, heading: float) -> Pose:
    gait, old = state.animal.kind.gait, state.pose
    if gait == "loop":  # a leech is seldom met in the same posture, nor at the same length
        name = str(rng.choice(["stretched", "resting", "contracted", "arch", "swaying"]))
        pose = replace(leech_pose(rng, name), heading_deg=heading)
        if state.animal.kind.is_solid:
            pose = tilted_leech(rng, pose)
        while abs(pose.stretch - old.stretch) < 0.08:
            low, high = STRETCH_RANGE
            pose = replace(pose, stretch=float(rng.uniform(low, high)))
        return pose
    if gait == "glide":  # length kept within 5 %, the body follows its curve
        whole, wave, ripple = old.bends_rad
        bends = (
            0.5 * whole + float(rng.uniform(-0.6, 0.6)),
            0.5 * wave + float(rng.uniform(-0.2, 0.2)),
            0.5 * ripple,
        )
        stretch = old.stretch * float(rng.uniform(0.975, 1.025))
        return replace(old, heading_deg=heading, bends_rad=bends, stretch=stretch)
    if gait in {"wriggle", "swim"}:
        fresh = state.animal.kind.pose(rng)
        return replace(fresh, heading_deg=heading, stretch=old.stretch)
    return replace(old, heading_deg=heading)
