"""Draw a series: one tank photographed a few times while animals creep on, with who is who on each photo."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from pestvision.arrays import as_rgb
from pestvision.errors import ShapeError
from training.scenes.camera import draw_camera, metered
from training.scenes.moves import State, moved
from training.scenes.pairs import (
    HAND_HELD,
    MOST_NOISE,
    MOVER_CONTRAST,
    MOVER_LENGTH_PX,
    USUAL,
    Actor,
    Shot,
    Stir,
    draw_bubble,
    draw_drift,
    draw_fines,
    draw_frond,
    draw_glare,
    draw_length,
    draw_matrix,
    draw_stage,
    draw_state,
    draw_still,
    risen,
    stands_out,
    strayed,
    swayed,
)
from training.scenes.records import NightAnimal

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F64, U8
    from training.scenes.camera import Camera
    from training.scenes.pairs import Glare, Stage
    from training.scenes.records import HandHeld

_TRIES = 12  # for a place where a mover stands out, as in `pairs`
_LEAST_WORM_PX = 48.0  # as in `pairs`: a shorter thin worm is seen by nobody
_CROSSING_LENGTHS = 2.5  # between two that will cross, in lengths of the longer
_BEYOND_LENGTHS = 0.7  # how far past the other's place each goes when they cross


@dataclass(frozen=True, slots=True)
class Habits:
    """How movers go about over a series.

    `rest_share`: of the steps between two photos that a mover does not take; it rests for
    `most_rests` photos at most, then goes on. `late_share`, `leave_share`: of the movers that come
    after the first photo, or are gone before the last. `cross_share`: of the series with two movers
    or more in which two change places between two photos. `pace`: how far a step goes, over what is usual.
    """

    rest_share: float = 0.15
    most_rests: int = 2
    late_share: float = 0.15
    leave_share: float = 0.15
    cross_share: float = 0.25
    pace: float = 1.0

    def __post_init__(self) -> None:
        for name in ("rest_share", "late_share", "leave_share", "cross_share"):
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise ShapeError(name, expected="0 to 1", actual=str(getattr(self, name)))
        if not self.pace > 0:
            raise ShapeError("pace", expected="above 0", actual=str(self.pace))


USUAL_HABITS = Habits()


@dataclass(frozen=True, slots=True, eq=False)
class SeriesPhoto:
    """One photo: `matrix` (3, 3) float64 takes the first photo's pixels to this one's.

    `animals` are the movers that are in it, whether they moved or rest, each with its own `track`.
    """

    rgb: U8
    matrix: F64
    animals: tuple[NightAnimal, ...]

    def __post_init__(self) -> None:
        as_rgb(self.rgb)
        if self.matrix.shape != (3, 3):
            raise ShapeError("matrix", expected="(3, 3)", actual=str(self.matrix.shape))


@dataclass(frozen=True, slots=True)
class SeriesMover:
    """One mover: class, length at rest in pixels, and how plainly it is seen.

    `contrast_sigmas` is the median over the photos that show it of what `pairs.Sight` measures; 0 where
    no photo shows it.
    """

    track: int
    fine: str
    length_px: float
    contrast_sigmas: float


@dataclass(frozen=True, slots=True, eq=False)
class DrawnSeries:
    """Photos of one place in order, and the movers; `has_crossing` tells whether two change places."""

    photos: tuple[SeriesPhoto, ...]
    movers: tuple[SeriesMover, ...]
    has_crossing: bool


def draw_series(
    rng: np.random.Generator,
    *,
    height_px: int,
    width_px: int,
    n: int = 10,
    movers: int | Sequence[str] = 2,
    hand_held: HandHeld = HAND_HELD,
    stir: Stir = USUAL,
    habits: Habits = USUAL_HABITS,
    length_px: tuple[float, float] = MOVER_LENGTH_PX,
    contrast: tuple[float, float] = MOVER_CONTRAST,
) -> DrawnSeries:
    """Draw a series of photos of one tank.

    Parameters
    ----------
    rng
        Everything is drawn from it.
    height_px, width_px
        Size of each photo.
    n
        Photos.
    movers
        How many animals move, or the fine class of each.
    hand_held
        How far any two photos may stray from each other; `TRIPOD` for a camera on a stand.
    stir
        What else changes from photo to photo, as in a pair.
    habits
        Who rests, comes late, leaves, or crosses another's way.
    length_px, contrast
        Of the movers, as in `draw_pair`.

    Raises
    ------
    ShapeError
        If `n` is below 2.
    """
    if n < 2:
        name = "n"
        raise ShapeError(name, expected="2 photos or more", actual=str(n))
    size = (height_px, width_px)
    stage = draw_stage(rng, size)
    walks, has_crossing = _walks(
        rng, stage, draw_fines(rng, movers), n, habits, length_px, contrast
    )
    around = _Around.drawn(rng, stage, stir, length_px)
    camera = draw_camera(rng, blur_px=float(rng.uniform(0.4, 1.1)), most_noise=MOST_NOISE)
    camera = metered(rng, stage.weather.applied(stage.ground), camera)
    half = hand_held.halved()
    sigmas: list[list[float]] = [[] for _walk in walks]
    photos: list[SeriesPhoto] = []
    first: F64 | None = None
    for index in range(n):
        matrix = draw_matrix(rng, half, height_px=height_px, width_px=width_px)
        first = matrix if first is None else first
        taken_with = strayed(rng, camera, half)
        shot = Shot(stage, matrix)
        around.lay(rng, shot)
        animals = _laid(shot, walks, index, taken_with, sigmas)
        around.reflect(rng, shot)
        relative = matrix @ np.linalg.inv(first)
        photos.append(SeriesPhoto(shot.taken(rng, taken_with), relative, animals))
    told = tuple(
        SeriesMover(
            track,
            walk.fine,
            walk.length_px,
            float(np.median(sigmas[track])) if sigmas[track] else 0.0,
        )
        for track, walk in enumerate(walks)
    )
    return DrawnSeries(tuple(photos), told, has_crossing)


@dataclass(frozen=True, slots=True, eq=False)
class _Walk:
    """A mover over the photos: its actor on each, None where it is not there."""

    fine: str
    length_px: float
    actors: tuple[Actor | None, ...]


def _laid(
    shot: Shot, walks: Sequence[_Walk], index: int, camera: Camera, sigmas: list[list[float]]
) -> tuple[NightAnimal, ...]:
    """Lay all movers into a photo; give those seen, and note how plainly each is."""
    animals = []
    for track, walk in enumerate(walks):
        actor = walk.actors[index]
        if actor is None:
            continue
        truth, trace = shot.add_traced(actor)
        if truth is not None and trace is not None:
            animals.append(NightAnimal(track, truth))
            sigmas[track].append(trace.sigmas(camera))
    return tuple(animals)


def _walks(
    rng: np.random.Generator,
    stage: Stage,
    fines: list[str],
    n: int,
    habits: Habits,
    length_px: tuple[float, float],
    contrast: tuple[float, float],
) -> tuple[list[_Walk], bool]:
    """Draw where everybody is on every photo."""
    starts: list[State] = []
    for fine in fines:
        length = draw_length(rng, length_px)
        if fine == "thin-worm":
            length = max(length, min(_LEAST_WORM_PX, length_px[1]))
        others = [Actor(state) for state in starts]
        tries = [
            draw_state(rng, stage, fine, length_px=length, others=others) for _ in range(_TRIES)
        ]
        starts.append(_plain(stage, tries, contrast[0]))
    paths = [_path(rng, stage, state, n, habits, contrast[0]) for state in starts]
    has_crossing = False
    if len(starts) > 1 and n > 2 and rng.random() < habits.cross_share:
        has_crossing = _cross(rng, stage, paths, int(rng.integers(2, n)), contrast[0], habits)
    walks = []
    for path in paths:
        plain = min(stands_out(stage, state) for state in path)
        opacity = min(1.0, contrast[1] / max(plain, 1e-6))
        come, gone = _stay(rng, n, habits)
        actors = tuple(
            Actor(state, opacity) if come <= index < gone else None
            for index, state in enumerate(path)
        )
        walks.append(_Walk(path[0].animal.fine, path[0].length_px, actors))
    return walks, has_crossing


def _plain(stage: Stage, tries: Sequence[State], least: float) -> State:
    """Give the first state that differs enough from its ground, else the plainest."""
    best, most = tries[0], -1.0
    for state in tries:
        seen = stands_out(stage, state)
        if seen >= least:
            return state
        if seen > most:
            best, most = state, seen
    return best


def _path(
    rng: np.random.Generator, stage: Stage, start: State, n: int, habits: Habits, least: float
) -> list[State]:
    """Let a mover go on or rest from photo to photo."""
    path, rests = [start], 0
    while len(path) < n:
        if rests < habits.most_rests and rng.random() < habits.rest_share:
            rests += 1
            path.append(path[-1])
            continue
        rests = 0
        path.append(_step(rng, stage, path[-1], habits.pace, least))
    return path


def _step(rng: np.random.Generator, stage: Stage, state: State, pace: float, least: float) -> State:
    tries = [moved(rng, state, size=stage.size, pace=pace) for _ in range(_TRIES // 2)]
    return _plain(stage, tries, least)


def _stay(rng: np.random.Generator, n: int, habits: Habits) -> tuple[int, int]:
    """Draw the first photo that shows a mover, and the first that does so no more."""
    come = int(rng.integers(1, max(2, n // 3))) if rng.random() < habits.late_share else 0
    gone = int(rng.integers(n - max(1, n // 3), n)) if rng.random() < habits.leave_share else n
    return come, max(gone, come + 1)


def _beside(rng: np.random.Generator, stage: Stage, one: State, other: State) -> State | None:
    """Put one mover near another, so that they can cross; None where the picture has no room."""
    far = _CROSSING_LENGTHS * max(one.length_px, other.length_px)
    for _ in range(_TRIES):
        turn = float(rng.uniform(0, 2 * np.pi))
        at = (
            one.at_xy_px[0] + far * float(np.cos(turn)),
            one.at_xy_px[1] + far * float(np.sin(turn)),
        )
        if _is_inside(at, other.length_px, stage.size):
            return replace(other, at_xy_px=at)
    return None


def _is_inside(at: tuple[float, float], length_px: float, size: tuple[int, int]) -> bool:
    margin = 0.9 * length_px
    return margin <= at[0] <= size[1] - margin and margin <= at[1] <= size[0] - margin


def _cross(
    rng: np.random.Generator,
    stage: Stage,
    paths: list[list[State]],
    at_photo: int,
    least: float,
    habits: Habits,
) -> bool:
    """Bring the first two movers side by side on one photo, and let them change places by the next.

    The second's way there is drawn backwards, and from the next photo on each goes its own way again.
    Tells whether the picture had room for it.
    """
    n = len(paths[0])
    near = _beside(rng, stage, paths[0][at_photo - 1], paths[1][0])
    if near is None:
        return False
    paths[1][:at_photo] = _path(rng, stage, near, at_photo, habits, least)[::-1]
    places = [np.array(path[at_photo - 1].at_xy_px) for path in paths[:2]]
    apart = float(np.linalg.norm(places[1] - places[0]))
    for rank in (0, 1):
        before = paths[rank][at_photo - 1]
        way = (places[1 - rank] - places[rank]) / apart
        there = places[1 - rank] + _BEYOND_LENGTHS * before.length_px * way
        after = _step(rng, stage, before, habits.pace, least)
        at = (float(there[0]), float(there[1]))
        if _is_inside(at, before.length_px, stage.size):
            after = replace(after, at_xy_px=at)
        paths[rank][at_photo:] = _path(rng, stage, after, n - at_photo, habits, least)
    return True


@dataclass(frozen=True, slots=True, eq=False)
class _Around:
    """What else is in the tank: what stays, sways, rises and shines."""

    stills: tuple[Actor, ...]
    plants: tuple[Actor, ...]
    bubbles: tuple[Actor, ...]
    glares: tuple[Glare, ...]

    @classmethod
    def drawn(
        cls, rng: np.random.Generator, stage: Stage, stir: Stir, length_px: tuple[float, float]
    ) -> _Around:
        return cls(
            tuple(draw_still(rng, stage, length_px) for _ in range(stir.stills)),
            tuple(draw_frond(rng, stage) for _ in range(stir.plants)),
            tuple(draw_bubble(rng, stage) for _ in range(stir.bubbles)),
            tuple(draw_glare(rng, stage.size) for _ in range(stir.glares)),
        )

    def lay(self, rng: np.random.Generator, shot: Shot) -> None:
        """Lay all that is behind the pane into a photo, swayed and risen anew."""
        shot.lay([risen(rng, bubble) for bubble in self.bubbles])
        shot.lay([swayed(rng, plant) for plant in self.plants])
        shot.lay(self.stills)

    def reflect(self, rng: np.random.Generator, shot: Shot) -> None:
        """Lay the reflections onto a photo, each shifted anew."""
        for glare in self.glares:
            glare.laid(shot, draw_drift(rng, shot.stage.size))
