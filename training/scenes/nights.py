"""Draw a night: the same tank fronts photographed again and again while animals go about."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from pestvision.errors import ShapeError
from training.scenes.camera import draw_camera, metered
from training.scenes.moves import State, moved
from training.scenes.organisms import KINDS
from training.scenes.pairs import (
    HAND_HELD,
    MOST_NOISE,
    Actor,
    Shot,
    Stage,
    draw_matrix,
    draw_stage,
    draw_state,
    stands_out,
    strayed,
)
from training.scenes.records import HandHeld, NightAnimal, NightPhoto

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64, U8
    from training.scenes.camera import Camera
    from training.scenes.organisms import Kinds

# An invented night; the year is none of anybody's.
NIGHT_START = datetime(2025, 11, 14, 22, 3, 20, 250_000)  # noqa: DTZ001 - a camera's own clock

_STAY_SHARE = 0.3  # of the animals, between two photos
_LEAVE_SHARE = 0.08
_LEAST_CONTRAST = 26.0  # of 255: these are to be seen by a person at a glance
_TRIES = 8


@dataclass(frozen=True, slots=True)
class NightPlan:
    """How a night is photographed.

    `interval_s` between the rounds; `jitter_s` by how much a person is early or late; `start` is
    the camera's clock at the first photo; `length_px` the range of lengths at rest.
    """

    interval_s: float = 900.0
    jitter_s: float = 60.0
    start: datetime = NIGHT_START
    length_px: tuple[float, float] = (40.0, 130.0)


USUAL_NIGHT = NightPlan()


@dataclass(slots=True)
class _Resident:
    track: int
    state: State
    is_out: bool = True


def draw_night(
    rng: np.random.Generator,
    views: dict[str, Sequence[str]],
    n: int,
    *,
    height_px: int,
    width_px: int,
    hand_held: HandHeld = HAND_HELD,
    plan: NightPlan = USUAL_NIGHT,
    kinds: Kinds = KINDS,
) -> tuple[NightPhoto, ...]:
    """Draw a night.

    Parameters
    ----------
    views
        For each view its name and the fine class of every animal that is about in it.
    n
        Photos of each view.
    height_px, width_px
        Size of each photo.
    hand_held
        How far any two photos of a view may stray from each other.
    plan
        Times and sizes.
    kinds
        The table that animals are drawn from.

    Returns
    -------
    tuple of NightPhoto
        In the order taken: each round goes once past all views.
    """
    if n < 1 or not views:
        raise ShapeError("views, n", expected="a view and a photo at least", actual=f"{views}, {n}")
    rounds = [
        _one_view(
            rng,
            name,
            fines,
            n=n,
            size=(height_px, width_px),
            hand_held=hand_held,
            plan=plan,
            kinds=kinds,
        )
        for name, fines in views.items()
    ]
    photos = []
    for index in range(n):
        late = timedelta(seconds=index * plan.interval_s + float(rng.uniform(0, plan.jitter_s)))
        for place, view in enumerate(rounds):
            walk = timedelta(seconds=place * (7.0 + float(rng.uniform(0, 6))))
            taken = plan.start + late + walk
            taken = taken.replace(microsecond=taken.microsecond // 10_000 * 10_000)
            photos.append(replace(view[index], taken=taken))
    return tuple(photos)


def _one_view(
    rng: np.random.Generator,
    name: str,
    fines: Sequence[str],
    *,
    n: int,
    size: tuple[int, int],
    hand_held: HandHeld,
    plan: NightPlan,
    kinds: Kinds,
) -> list[NightPhoto]:
    stage = draw_stage(rng, size)
    residents = _settle(rng, stage, fines, plan, kinds=kinds)
    camera = draw_camera(rng, blur_px=0.6, most_noise=MOST_NOISE)
    camera = metered(rng, stage.weather.applied(stage.ground), replace(camera, smear_px=0.0))
    half = hand_held.halved()
    first: F64 | None = None
    photos = []
    for index in range(n):
        if index:
            _live(rng, stage, residents)
        matrix = draw_matrix(rng, half, height_px=size[0], width_px=size[1])
        first = matrix if first is None else first
        seen = _photo(rng, stage, residents, matrix, camera=strayed(rng, camera, half))
        relative = matrix @ np.linalg.inv(first)
        photos.append(
            NightPhoto(view=name, rgb=seen[0], taken=plan.start, matrix=relative, animals=seen[1])
        )
    return photos


def _settle(
    rng: np.random.Generator,
    stage: Stage,
    fines: Sequence[str],
    plan: NightPlan,
    *,
    kinds: Kinds,
) -> list[_Resident]:
    residents: list[_Resident] = []
    for track, fine in enumerate(fines):
        length = float(np.exp(rng.uniform(*np.log(plan.length_px))))
        others = [Actor(one.state) for one in residents]
        tries = [
            draw_state(rng, stage, fine, length_px=length, others=others, kinds=kinds)
            for _ in range(_TRIES)
        ]
        is_out = bool(rng.random() < 0.8)
        residents.append(_Resident(track=track, state=_plainest(stage, tries), is_out=is_out))
    return residents


def _plainest(stage: Stage, tries: Sequence[State]) -> State:
    """Give the first state that is seen at a glance, else the one seen best."""
    plain = [stands_out(stage, state) for state in tries]
    good = [index for index, value in enumerate(plain) if value >= _LEAST_CONTRAST]
    return tries[good[0] if good else int(np.argmax(plain))]


def _live(rng: np.random.Generator, stage: Stage, residents: list[_Resident]) -> None:
    """Let everybody stay, move to where it can be seen, go away or come back."""
    for one in residents:
        if one.is_out and rng.random() < _LEAVE_SHARE:
            one.is_out = False
        elif not one.is_out:
            one.is_out = bool(rng.random() < 0.5)
        if rng.random() >= _STAY_SHARE:
            tries = [moved(rng, one.state, size=stage.size) for _ in range(_TRIES // 2)]
            one.state = _plainest(stage, tries)


def _photo(
    rng: np.random.Generator,
    stage: Stage,
    residents: list[_Resident],
    matrix: F64,
    *,
    camera: Camera,
) -> tuple[U8, tuple[NightAnimal, ...]]:
    shot = Shot(stage, matrix)
    animals = []
    for one in residents:
        truth = shot.add(Actor(one.state)) if one.is_out else None
        if truth is not None:
            animals.append(NightAnimal(track=one.track, truth=truth))
    return shot.taken(rng, camera), tuple(animals)
