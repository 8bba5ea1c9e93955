"""Draw two photos of one place: what lives there has moved, and so have camera, light and water."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import as_rgb
from pestvision.errors import ShapeError
from training.scenes.camera import Camera, draw_camera, exposed, metered, photograph
from training.scenes.crops import truth_of
from training.scenes.grounds import Weather, draw_view, draw_weather
from training.scenes.light import Light, Placed, blend, draw_light, mask_in, place
from training.scenes.moves import State, moved
from training.scenes.organisms import KINDS, new_animal
from training.scenes.paint import f32
from training.scenes.records import DrawnMover, DrawnObject, DrawnPair, HandHeld

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import F32, F64, U8, Bool, BoxXyxy
    from training.scenes.body import Body
    from training.scenes.organisms import Kinds

MOVER_LENGTH_PX = (16.0, 200.0)
"""Length at rest of drawn movers: from the smallest that is looked for to a close animal."""

MOVER_CONTRAST = (10.0, 160.0)
"""Mean difference from the ground, of 255: from what a person just sees to black on white."""

MOST_NOISE = 2.0
"""Above twice the usual noise a mover of 16 px and the least contrast drowns for a person too."""

_BORDER_SHARE = 0.09  # the world drawn beyond the picture: more than any hand-held shift and turn
_LEAST_WORM_PX = 48.0  # a shorter thin worm is thinner than a pixel, and seen by nobody
_LEAST_SHEET_PX = 56.0  # smaller animals are painted at this size and shrunk
_MOVING_KINDS = ("leech", "flatworm", "snail", "thin-worm", "small-crustacean", "shrimp-or-fish")
_STILL_KINDS = ("snail", "limpet", "snail-eggs", "leech", "flatworm", "plant-or-debris")

HAND_HELD = HandHeld()


@dataclass(frozen=True, slots=True)
class Stir:
    """How many things change, or stand there, that are not animals on the move.

    `stills`: animals and debris that stay. `plants`: fronds that sway. `bubbles`: bubbles that rise.
    `glares`: reflections that jump with the camera.
    """

    stills: int = 3
    plants: int = 2
    bubbles: int = 3
    glares: int = 1

    def __post_init__(self) -> None:
        for name in ("stills", "plants", "bubbles", "glares"):
            if getattr(self, name) < 0:
                raise ShapeError(name, expected="0 or more", actual=str(getattr(self, name)))


CALM = Stir(stills=2, plants=0, bubbles=0, glares=0)
USUAL = Stir()


def draw_matrix(
    rng: np.random.Generator, hand_held: HandHeld, *, height_px: int, width_px: int
) -> F64:
    """Draw how the camera strayed: (3, 3), first's pixel to second's, within the limits."""
    turn = np.deg2rad(rng.uniform(-hand_held.turn_deg, hand_held.turn_deg))
    scale = 1.0 + rng.uniform(-hand_held.scale, hand_held.scale)
    far = hand_held.shift_of_width * width_px
    shift = rng.uniform(-far, far, 2)
    middle = np.array([(width_px - 1) / 2, (height_px - 1) / 2])
    linear = scale * np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    matrix = np.eye(3)
    matrix[:2, :2] = linear
    matrix[:2, 2] = middle + shift - linear @ middle
    return matrix


@dataclass(frozen=True, slots=True)
class Sight:
    """A drawn pair, and how plainly its movers are seen.

    `contrast_sigmas`: of each mover of `pair`, in the same order, the mean difference it makes on the
    sensor (of its pixels, of all channels) over the sensor's noise there, in the photo where that is
    more. Grain of several pixels, sharpening and JPEG come later and are not in it.
    """

    pair: DrawnPair
    contrast_sigmas: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.contrast_sigmas) != len(self.pair.movers):
            raise ShapeError(
                "contrast_sigmas",
                expected=f"{len(self.pair.movers)} of them",
                actual=str(len(self.contrast_sigmas)),
            )


def draw_pair(
    rng: np.random.Generator,
    *,
    height_px: int,
    width_px: int,
    movers: int | Sequence[str] = 2,
    hand_held: HandHeld = HAND_HELD,
    stir: Stir = USUAL,
    length_px: tuple[float, float] = MOVER_LENGTH_PX,
    contrast: tuple[float, float] = MOVER_CONTRAST,
    come_or_go: float = 0.2,
    ground: U8 | None = None,
    parallax_of_width: float = 0.0,
) -> DrawnPair:
    """Draw a pair of photos of one place.

    Parameters
    ----------
    rng
        Everything is drawn from it.
    height_px, width_px
        Size of both photos.
    movers
        How many animals move, or the fine class of each.
    hand_held
        How far the camera strays; `TRIPOD` for a camera on a stand.
    stir
        What else changes.
    length_px
        Smallest and largest length at rest; drawn evenly over its logarithm. Thin worms are at
        least 48 px long where the largest allows it.
    contrast
        Least and largest mean difference between a mover and what is behind it, on a scale of 0 to
        255 as lit and before the camera: individuals that differ by less are drawn anew (a dozen
        times; then the plainest of them is taken), those that differ by more are made fainter.
    come_or_go
        Share of movers that are in one photo only.
    ground
        (H, W, 3) uint8 photograph to use as the place, or None for a drawn tank.
    parallax_of_width
        The most that what lies behind the pane is shifted against it in the second photo, over the
        width. All that is laid into the place is on the pane, and so is the pair's matrix.

    Returns
    -------
    DrawnPair
        Boxes on each photo's own pixels.
    """
    return draw_sight(
        rng,
        height_px=height_px,
        width_px=width_px,
        movers=movers,
        hand_held=hand_held,
        stir=stir,
        length_px=length_px,
        contrast=contrast,
        come_or_go=come_or_go,
        ground=ground,
        parallax_of_width=parallax_of_width,
    ).pair


def draw_sight(
    rng: np.random.Generator,
    *,
    height_px: int,
    width_px: int,
    movers: int | Sequence[str] = 2,
    hand_held: HandHeld = HAND_HELD,
    stir: Stir = USUAL,
    length_px: tuple[float, float] = MOVER_LENGTH_PX,
    contrast: tuple[float, float] = MOVER_CONTRAST,
    come_or_go: float = 0.2,
    ground: U8 | None = None,
    parallax_of_width: float = 0.0,
) -> Sight:
    """Draw a pair as `draw_pair` does, and measure how plainly each mover is seen."""
    fines = draw_fines(rng, movers)
    matrix = draw_matrix(rng, hand_held, height_px=height_px, width_px=width_px)
    stage = draw_stage(rng, (height_px, width_px), ground)
    cast = _cast(rng, stage, fines, length_px=length_px, contrast=contrast)
    first, second = Shot(stage, np.eye(3)), Shot(stage, matrix)
    if parallax_of_width > 0:
        second.shift_ground(_parallax(rng, parallax_of_width * width_px))
    disturbed = _stirred(rng, first, second, stir)
    stills = [draw_still(rng, stage, length_px) for _ in range(stir.stills)]
    still_truth = [first.add(actor) for actor in stills]
    second.lay(stills)
    drawn = [
        _mover(now, then, first=first, second=second, absent=absent)
        for (now, then), absent in zip(cast, _absences(rng, len(cast), come_or_go), strict=True)
    ]
    disturbed += [("glare", box) for box in _glares(rng, first, second, stir.glares)]
    camera = draw_camera(rng, blur_px=float(rng.uniform(0.4, 1.1)), most_noise=MOST_NOISE)
    camera = metered(rng, stage.weather.applied(stage.ground), camera)
    rgb_first = first.taken(rng, camera)
    later = strayed(rng, camera, hand_held)
    seen = [one for one in drawn if one is not None]
    pair = DrawnPair(
        first=rgb_first,
        second=second.taken(rng, later),
        matrix=matrix,
        movers=tuple(mover for mover, _traces in seen),
        stills=tuple(item for item in still_truth if item is not None),
        disturbances=tuple(disturbed),
    )
    return Sight(pair, tuple(_contrast_sigmas(traces, (camera, later)) for _mover, traces in seen))


def _parallax(rng: np.random.Generator, most_px: float) -> tuple[float, float]:
    """Draw a shift (x, y) in pixels, of any direction and up to a length."""
    turn, length = float(rng.uniform(0, 2 * np.pi)), float(rng.uniform(0, most_px))
    return length * float(np.cos(turn)), length * float(np.sin(turn))


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """What laying an actor did to the world: a part of it without and with, and the actor's mask.

    `without`, `with_it` (h, w, 3) float32 0..1 as lit; `mask` (h, w) bool.
    """

    without: F32
    with_it: F32
    mask: Bool

    def sigmas(self, camera: Camera) -> float:
        """Give the mean difference on the sensor over its noise."""
        if not self.mask.any():
            return 0.0
        without, with_it = exposed(self.without, camera), exposed(self.with_it, camera)
        change = float(np.abs(with_it - without)[self.mask].mean())
        level = float(without[self.mask].mean())
        noise = float(np.hypot(camera.read_noise, camera.shot_noise * np.sqrt(level)))
        return change / max(noise, 1e-6)


_Traces = tuple["Trace | None", "Trace | None"]


def _contrast_sigmas(traces: _Traces, cameras: tuple[Camera, Camera]) -> float:
    """Give how plainly a mover is seen in the photo where it stands out more."""
    both = zip(traces, cameras, strict=True)
    return max((t.sigmas(camera) for t, camera in both if t is not None), default=0.0)


def _mover(
    now: Actor, then: Actor, *, first: Shot, second: Shot, absent: str
) -> tuple[DrawnMover, _Traces] | None:
    """Lay a mover into the photos it is not absent from; None if it is seen in neither."""
    before, trace_before = (None, None) if absent == "first" else first.add_traced(now)
    after, trace_after = (None, None) if absent == "second" else second.add_traced(then)
    if before is None and after is None:
        return None
    state = now.state
    mover = DrawnMover(
        fine=state.animal.fine, length_px=state.length_px, first=before, second=after
    )
    return mover, (trace_before, trace_after)


def _stirred(
    rng: np.random.Generator, first: Shot, second: Shot, stir: Stir
) -> list[tuple[str, BoxXyxy]]:
    """Let bubbles rise and plants sway; give their boxes in the first photo."""
    bubbles = [draw_bubble(rng, first.stage) for _ in range(stir.bubbles)]
    plants = [draw_frond(rng, first.stage) for _ in range(stir.plants)]
    second.lay([risen(rng, bubble) for bubble in bubbles])
    second.lay([swayed(rng, plant) for plant in plants])
    seen = [("bubble", box) for box in first.lay(bubbles)]
    return seen + [("plant", box) for box in first.lay(plants)]


@dataclass(frozen=True, slots=True)
class Actor:
    """A state and how opaque it is drawn, 0 to 1."""

    state: State
    opacity: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """A place: a ground with a border beyond the picture, its light and its weather.

    `size` (H, W) of the photos; `border_px` more lies to every side.
    """

    ground: F32
    weather: Weather
    light: Light
    size: tuple[int, int]
    border_px: int


def draw_stage(rng: np.random.Generator, size: tuple[int, int], ground: U8 | None = None) -> Stage:
    """Draw a place for photos of a size, or take a photograph as the place."""
    border = int(np.ceil(_BORDER_SHARE * max(size))) + 8
    full = (size[0] + 2 * border, size[1] + 2 * border)
    if ground is None:
        return Stage(draw_view(rng, full), draw_weather(rng, full), draw_light(rng), size, border)
    photo = as_rgb(ground, "ground")
    fit = cv2.resize(photo, (full[1], full[0]), interpolation=cv2.INTER_AREA)
    even = Weather(f32(np.ones(full, np.float32)), (0.5, 0.5, 0.5), 0.0)
    return Stage(f32(fit / np.float32(255)), even, draw_light(rng), size, border)


def draw_fines(rng: np.random.Generator, movers: int | Sequence[str]) -> list[str]:
    """Draw the fine class of each mover, or give those named."""
    if isinstance(movers, int):
        return [str(rng.choice(_MOVING_KINDS)) for _ in range(movers)]
    return list(movers)


def _absences(rng: np.random.Generator, count: int, share: float) -> list[str]:
    return [
        str(rng.choice(["first", "second"])) if rng.random() < share else "none"
        for _ in range(count)
    ]


def draw_length(rng: np.random.Generator, limits: tuple[float, float]) -> float:
    """Draw a length within the limits, evenly over its logarithm."""
    return float(np.exp(rng.uniform(np.log(limits[0]), np.log(limits[1]))))


def _cast(
    rng: np.random.Generator,
    stage: Stage,
    fines: list[str],
    *,
    length_px: tuple[float, float],
    contrast: tuple[float, float],
) -> list[tuple[Actor, Actor]]:
    """Draw the movers, now and later, each standing out from its ground in both places."""
    cast: list[tuple[Actor, Actor]] = []
    for fine in fines:
        length = draw_length(rng, length_px)
        if fine == "thin-worm":
            length = max(length, min(_LEAST_WORM_PX, length_px[1]))
        best: tuple[float, State, State] | None = None
        for _ in range(12):
            state = draw_state(rng, stage, fine, length_px=length, others=[now for now, _ in cast])
            after = moved(rng, state, size=stage.size)
            seen = min(stands_out(stage, state), stands_out(stage, after))
            if best is None or seen > best[0]:
                best = (seen, state, after)
            if seen >= contrast[0]:
                break
        if best is not None:
            opacity = min(1.0, contrast[1] / max(best[0], 1e-6))
            cast.append((Actor(best[1], opacity), Actor(best[2], opacity)))
    return cast


def draw_state(
    rng: np.random.Generator,
    stage: Stage,
    fine: str,
    *,
    length_px: float,
    others: list[Actor],
    kinds: Kinds = KINDS,
) -> State:
    """Draw an animal of a class, somewhere in the picture and clear of the others."""
    animal = new_animal(rng, fine, kinds=kinds)
    at = _free_place(rng, stage.size, 0.9 * length_px, [one.state for one in others])
    return State(animal, animal.kind.pose(rng), at, length_px)


def stands_out(stage: Stage, state: State) -> float:
    """Give the mean difference between an animal and the ground behind it, of 255, as lit."""
    body = state.animal.paint(state.pose, max(state.length_px, _LEAST_SHEET_PX))
    at = (state.at_xy_px[0] + stage.border_px, state.at_xy_px[1] + stage.border_px)
    placed = place(body, at, heading_deg=state.pose.heading_deg, px_per_unit=state.length_px)
    rows, columns = placed.alpha.shape
    top, left = max(placed.top, 0), max(placed.left, 0)
    there = (slice(top, placed.top + rows), slice(left, placed.left + columns))
    behind = stage.ground[there]
    if behind.size == 0:
        return 0.0
    with_it = stage.ground[there].copy()
    moved_there = replace(placed, left=placed.left - left, top=placed.top - top)
    blend(with_it, moved_there, stage.light)
    mask = mask_in((behind.shape[0], behind.shape[1]), moved_there)
    if not mask.any():
        return 0.0
    change = np.abs(with_it - behind)[mask].mean(axis=1) * stage.weather.level[there][mask]
    return float(change.mean()) * 255.0 * (1.0 - stage.weather.veil_amount)


def _free_place(
    rng: np.random.Generator, size: tuple[int, int], margin: float, others: list[State]
) -> tuple[float, float]:
    """Draw a place away from the edge and, if a few tries find one, from the others."""
    at = (0.0, 0.0)
    for _ in range(20):
        at = (
            float(rng.uniform(margin, max(margin + 1, size[1] - margin))),
            float(rng.uniform(margin, max(margin + 1, size[0] - margin))),
        )
        if all(
            np.hypot(at[0] - other.at_xy_px[0], at[1] - other.at_xy_px[1])
            > margin + 0.9 * other.length_px
            for other in others
        ):
            break
    return at


def draw_still(rng: np.random.Generator, stage: Stage, limits: tuple[float, float]) -> Actor:
    """Draw an animal or a thing that stays, with a length in pixels within the limits."""
    animal = new_animal(rng, str(rng.choice(_STILL_KINDS)))
    length = draw_length(rng, limits)
    at = _free_place(rng, stage.size, 0.6 * length, [])
    return Actor(State(animal, animal.kind.pose(rng), at, length))


def draw_frond(rng: np.random.Generator, stage: Stage) -> Actor:
    """Draw a stem or a leaf, a tenth to three tenths of the picture long."""
    animal = new_animal(rng, "plant-or-debris", kind=str(rng.choice(["stem", "leaf"])))
    length = float(rng.uniform(0.1, 0.3)) * stage.size[0]
    at = _free_place(rng, stage.size, 0.3 * length, [])
    return Actor(State(animal, animal.kind.pose(rng), at, length))


def swayed(rng: np.random.Generator, plant: Actor) -> Actor:
    """Turn a frond about its foot by a degree or three, and bend it a little."""
    old = plant.state.pose
    turn = float(rng.uniform(-3.0, 3.0))
    half = 0.5 * plant.state.length_px
    before, after = np.deg2rad(old.heading_deg), np.deg2rad(old.heading_deg + turn)
    x = plant.state.at_xy_px[0] + half * float(np.cos(after) - np.cos(before))
    y = plant.state.at_xy_px[1] + half * float(np.sin(after) - np.sin(before))
    whole, wave, ripple = old.bends_rad
    bends = (whole + float(rng.uniform(-0.08, 0.08)), wave, ripple)
    pose = replace(old, heading_deg=old.heading_deg + turn, bends_rad=bends)
    return Actor(State(plant.state.animal, pose, (x, y), plant.state.length_px), plant.opacity)


def draw_bubble(rng: np.random.Generator, stage: Stage) -> Actor:
    """Draw a bubble somewhere in the picture."""
    animal = new_animal(rng, "bubble")
    length = float(np.exp(rng.uniform(np.log(6.0), np.log(max(14.0, 0.02 * stage.size[0])))))
    at = _free_place(rng, stage.size, length, [])
    return Actor(State(animal, animal.kind.pose(rng), at, length))


def risen(rng: np.random.Generator, bubble: Actor) -> Actor:
    """Put a bubble somewhere higher, swaying a little to the side; some have left."""
    x, y = bubble.state.at_xy_px
    up = float(rng.exponential(12.0)) * bubble.state.length_px
    aside = float(rng.normal(0, 0.6)) * bubble.state.length_px
    state = bubble.state
    return Actor(State(state.animal, state.pose, (x + aside, y - up), state.length_px))


class Shot:
    """One photo being put together: the place, with actors, seen through a matrix."""

    def __init__(self, stage: Stage, matrix: F64) -> None:
        self.stage = stage
        self.matrix = matrix
        self.world = stage.ground.copy()
        self.reflections: list[tuple[Placed, Light]] = []

    def shift_ground(self, by_xy_px: tuple[float, float]) -> None:
        """Shift what lies behind the pane, before anything is laid on it."""
        height, width = self.world.shape[:2]
        shift = np.array([[1.0, 0.0, by_xy_px[0]], [0.0, 1.0, by_xy_px[1]]])
        self.world = f32(
            cv2.warpAffine(
                self.world,
                shift,
                (width, height),
                flags=cv2.INTER_CUBIC,
                borderMode=cv2.BORDER_REFLECT,
            )
        )

    def lay(self, actors: Sequence[Actor]) -> list[BoxXyxy]:
        """Lay actors into the world; give their boxes in the photo, as far as they are seen."""
        seen = [self.add(actor) for actor in actors]
        return [item.box_xyxy_px for item in seen if item is not None]

    def add(self, actor: Actor) -> DrawnObject | None:
        """Lay one actor into the world; give the truth in the photo's own pixels.

        The world is warped once the photo is taken; the truth is placed through the same matrix, so
        its mask is what the warped body covers.
        """
        return self.add_traced(actor)[0]

    def add_traced(self, actor: Actor) -> tuple[DrawnObject | None, Trace | None]:
        """Lay one actor as `add` does; give what that did to the world too, None if nothing."""
        state, border = actor.state, self.stage.border_px
        body = state.animal.paint(state.pose, max(state.length_px, _LEAST_SHEET_PX))
        at = (state.at_xy_px[0] + border, state.at_xy_px[1] + border)
        heading = state.pose.heading_deg
        placed = place(body, at, heading_deg=heading, px_per_unit=state.length_px)
        if actor.opacity < 1.0:
            placed = faded(placed, actor.opacity)
        trace = self._blended(placed)
        turn = float(np.rad2deg(np.arctan2(self.matrix[1, 0], self.matrix[0, 0])))
        scale = float(np.hypot(self.matrix[0, 0], self.matrix[1, 0]))
        there = self.matrix[:2, :2] @ np.asarray(state.at_xy_px) + self.matrix[:2, 2]
        seen = place(
            body,
            (float(there[0]), float(there[1])),
            heading_deg=heading + turn,
            px_per_unit=state.length_px * scale,
        )
        truth = truth_of(
            seen,
            self.stage.size,
            fine=state.animal.fine,
            pose=state.pose,
            length_px=body.length_units * state.length_px * scale,
        )
        return truth, trace

    def _blended(self, placed: Placed) -> Trace | None:
        """Blend a body into the world, and keep the part it changed, as lit."""
        rows, columns = placed.alpha.shape
        top, left = max(placed.top, 0), max(placed.left, 0)
        there = (
            slice(top, max(top, placed.top + rows)),
            slice(left, max(left, placed.left + columns)),
        )
        behind = self.world[there].copy()
        blend(self.world, placed, self.stage.light)
        if behind.size == 0:
            return None
        whole = self.stage.weather
        weather = Weather(f32(whole.level[there]), whole.veil, whole.veil_amount)
        mask = mask_in(
            (behind.shape[0], behind.shape[1]),
            replace(placed, left=placed.left - left, top=placed.top - top),
        )
        return Trace(weather.applied(behind), weather.applied(self.world[there]), mask)

    def reflect(self, glare: Placed) -> BoxXyxy | None:
        """Add a reflection: it lies on the pane, in the photo's pixels, whatever is behind."""
        self.reflections.append((glare, self.stage.light))
        return glare.box()

    def taken(self, rng: np.random.Generator, camera: Camera) -> U8:
        """Take the photo."""
        border = self.stage.border_px
        world = self.stage.weather.applied(self.world)
        back = self.matrix @ np.array([[1.0, 0, -border], [0, 1.0, -border], [0, 0, 1.0]])
        size = (self.stage.size[1], self.stage.size[0])
        seen = cv2.warpPerspective(
            world, back, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
        )
        picture = f32(seen)
        for glare, light in self.reflections:
            blend(picture, glare, light)
        return photograph(rng, picture, camera)


def faded(placed: Placed, opacity: float) -> Placed:
    """Give a body more transparent than it is, its cover unchanged."""
    return replace(
        placed,
        rgb=f32(placed.rgb * np.float32(opacity)),
        alpha=f32(placed.alpha * np.float32(opacity)),
        gloss=placed.gloss * opacity,
        shadow=placed.shadow * opacity,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Glare:
    """A reflection as it lies on the pane: its body, its turn, its length and its middle, in pixels."""

    body: Body
    heading_deg: float
    length_px: float
    at_xy_px: tuple[float, float]

    def laid(self, shot: Shot, drift_xy_px: tuple[float, float] = (0.0, 0.0)) -> BoxXyxy | None:
        """Lay it onto a photo, shifted; give its box there, None where it is not seen."""
        at = (self.at_xy_px[0] + drift_xy_px[0], self.at_xy_px[1] + drift_xy_px[1])
        placed = place(self.body, at, heading_deg=self.heading_deg, px_per_unit=self.length_px)
        return shot.reflect(placed)


def draw_glare(rng: np.random.Generator, size: tuple[int, int]) -> Glare:
    """Draw a reflection somewhere in a picture of a size (H, W)."""
    height, width = size
    glare = new_animal(rng, "glare")
    pose = glare.kind.pose(rng)
    length = float(rng.uniform(0.03, 0.18)) * width
    body = glare.paint(pose, length)
    x, y = rng.uniform((0.0, 0.0), (width, height))
    return Glare(body, pose.heading_deg, length, (float(x), float(y)))


def draw_drift(rng: np.random.Generator, size: tuple[int, int]) -> tuple[float, float]:
    """Draw by how much a reflection shifts, (x, y) in pixels: by more than the camera did."""
    across, down = rng.normal(0, 0.02 * size[1], 2)
    return float(across), float(down)


def _glares(rng: np.random.Generator, first: Shot, second: Shot, count: int) -> list[BoxXyxy]:
    """Draw reflections that shift against the place by more than the camera did."""
    boxes: list[BoxXyxy] = []
    for _ in range(count):
        glare = draw_glare(rng, first.stage.size)
        drift = draw_drift(rng, first.stage.size)
        seen = glare.laid(first)
        glare.laid(second, drift)
        if seen is not None:
            boxes.append(seen)
    return boxes


def strayed(rng: np.random.Generator, camera: Camera, hand_held: HandHeld) -> Camera:
    """Give the camera as it sets itself for another photo, within the limits."""
    ev = float(rng.uniform(-hand_held.exposure_ev, hand_held.exposure_ev))
    red, blue = 1.0 + rng.uniform(-hand_held.white_balance, hand_held.white_balance, 2)
    return camera.changed(exposure_ev=ev, balance=(float(red), 1.0, float(blue)))
