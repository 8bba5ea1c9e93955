"""Draw one organism or thing as a crop for the net, and close-ups with one or more of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, U8, Bool, as_rgb, as_u8
from pestvision.errors import ShapeError
from training.scenes.camera import Camera, draw_camera, exposed, metered, photograph
from training.scenes.grounds import draw_ground, draw_view, draw_weather
from training.scenes.light import Light, Placed, blend, draw_light, inside, mask_in, place, rotation
from training.scenes.organisms import KINDS, new_animal
from training.scenes.paint import f32
from training.scenes.records import DrawnCrop, DrawnObject, DrawnPhoto, Pose

if TYPE_CHECKING:
    from training.scenes.body import Body
    from training.scenes.organisms import Kinds

CROP_FILL = (0.45, 0.85)
"""The long side of the animal's box over the crop's: what the crops cut from photos have."""

_LEAST_CONTRAST = 0.05  # of 1: unlit, from its ground; fainter is seen by nobody after the camera
_LEAST_VISIBLE = (
    0.045  # of 1, after water and camera; own reading of the faintest 36 of 84 drawings
)
_NOISE_COVERS = 0.5  # of the noise's deviation is taken from the difference
_TRIES = 4  # individuals, then waters and cameras tried on one ground; the last is taken as it is

_ROUGH_PX = 64.0  # a length at rest, for a first look at an individual on its ground

_BYSTANDER_SHARE = 0.2  # crops with something else at their edge
_BYSTANDERS = ("plant-or-debris", "bubble", "snail", "mark-on-glass", "small-crustacean")

_SMALL_SHARE = 0.45  # crops that were small before they were enlarged, as a far animal's are
_SMALLEST_PX = 30  # 16 px animals, the smallest looked for, fill about half of such a crop


def draw_crop(
    rng: np.random.Generator,
    fine: str,
    *,
    ground: U8 | None = None,
    size_px: int = 224,
    fill: tuple[float, float] = CROP_FILL,
) -> DrawnCrop:
    """Draw one organism or thing about the middle of a square picture.

    Parameters
    ----------
    rng
        Everything is drawn from it: the same state gives the same crop.
    fine
        A name of FINE_NAMES.
    ground
        (H, W, 3) uint8 photograph to draw on (a square about its middle is taken), or None for a
        drawn tank.
    size_px
        Side of the crop.
    fill
        Smallest and largest long side of the animal's box over the crop's.

    Raises
    ------
    ShapeError
        If `fine` is no class, `ground` no RGB picture or `size_px` below 32.
    """
    if size_px < 32:
        raise ShapeError("size_px", expected="32 or more", actual=str(size_px))
    size = (size_px, size_px)
    # The body has a generator of its own: with the same seed every class gets the same ground,
    # light and camera, and none of them can give a class away.
    own = np.random.default_rng(int(rng.integers(0, 2**63)))
    weather, light = draw_weather(rng, size), draw_light(rng)
    picture = draw_ground(rng, size) if ground is None else _as_ground(ground, size)
    level = 1.0 if ground is None else _brightness(picture)
    if rng.random() < _BYSTANDER_SHARE:
        _bystander(rng, picture, light)
    target = float(rng.uniform(*fill)) * size_px
    middle = _middle(rng, size_px, target)
    for _ in range(_TRIES):
        animal = new_animal(own, fine)
        pose = animal.kind.pose(own)
        rough = fitted(animal.paint(pose, _ROUGH_PX), pose.heading_deg, target, middle)
        if _stands_out(picture, rough) >= _LEAST_CONTRAST:
            break
    # Painted once more, at the size it has in the picture: curled up it is larger than its length.
    body = animal.paint(pose, float(np.hypot(*rough.to_px[:, 0])))
    placed = fitted(body, pose.heading_deg, target, middle)
    mask = mask_in(size, placed)
    for _ in range(_TRIES):
        empty = picture if ground is not None else weather.applied(picture)
        if fine == "glare":  # light on the pane is as bright in a dark tank
            full = empty.copy()
            blend(full, placed, light)
        else:
            full = picture.copy()
            blend(full, placed, light, level=level)
            full = full if ground is not None else weather.applied(full)
        shot = _new_shot(rng, full, size_px)
        if _visible(shot, full, empty, mask) >= _LEAST_VISIBLE:
            break
        weather = draw_weather(rng, size)
    rgb = _taken(rng, full, shot)
    scale = float(np.hypot(*placed.to_px[:, 0]))
    return DrawnCrop(
        rgb=rgb,
        mask=mask,
        fine=fine,
        pose=pose,
        length_px=body.length_units * scale,
        line_xy_px=None if body.line is None else placed.points(body.line),
    )


EMPTY_THINGS = ("plant-or-debris", "bubble", "glare", "mark-on-glass")
"""What may be in an empty view: nothing that lives, but plants."""

_VIEW_SHARE = 0.5  # of empty crops, cut from the front of a whole tank; the rest show one ground


def draw_empty(rng: np.random.Generator, size_px: int = 224, *, ground: U8 | None = None) -> U8:
    """Draw a square of a tank, a dish or gravel with no animal in it.

    Plants and debris, bubbles, reflections and marks on the pane may be in it, small, far, or
    reaching in from the edge.

    Parameters
    ----------
    rng
        Everything is drawn from it.
    size_px
        Side of the crop.
    ground
        (H, W, 3) uint8 photograph to draw on, or None for a drawn place.

    Returns
    -------
    (size_px, size_px, 3) uint8.

    Raises
    ------
    ShapeError
        If `ground` is no RGB picture or `size_px` below 32.
    """
    if size_px < 32:
        raise ShapeError("size_px", expected="32 or more", actual=str(size_px))
    size = (size_px, size_px)
    weather, light = draw_weather(rng, size), draw_light(rng)
    if ground is not None:
        picture = _as_ground(ground, size)
    elif rng.random() < _VIEW_SHARE:
        picture = _corner_of_a_view(rng, size_px)
    else:
        picture = draw_ground(rng, size)
    glares = []
    for _ in range(int(rng.choice([0, 1, 2, 4, 7], p=[0.34, 0.24, 0.2, 0.14, 0.08]))):
        fine = str(rng.choice(EMPTY_THINGS, p=[0.35, 0.35, 0.15, 0.15]))
        long = size_px * float(np.exp(rng.uniform(*np.log(_THING_FILL[fine]))))
        animal = new_animal(rng, fine)
        pose = animal.kind.pose(rng)
        at = rng.uniform(-0.05 * size_px, 1.05 * size_px, 2)
        rough = fitted(animal.paint(pose, _ROUGH_PX), pose.heading_deg, long, (0.0, 0.0))
        body = animal.paint(pose, float(np.hypot(*rough.to_px[:, 0])))
        placed = fitted(body, pose.heading_deg, long, (float(at[0]), float(at[1])))
        if fine == "glare":  # light on the pane is as bright in a dark tank
            glares.append(placed)
        else:
            blend(picture, placed, light)
    if ground is None:
        picture = weather.applied(picture)
    for placed in glares:
        blend(picture, placed, light)
    return _taken(rng, picture, _new_shot(rng, picture, size_px))


_THING_FILL = {
    "plant-or-debris": (0.08, 1.4),
    "bubble": (0.012, 0.12),
    "glare": (0.04, 0.6),
    "mark-on-glass": (0.05, 0.6),
}
"""Least and largest long side of what an empty crop holds, over the crop's."""


def _corner_of_a_view(rng: np.random.Generator, size_px: int) -> F32:
    """Cut a square out of the front of a tank."""
    side = int(size_px * rng.uniform(1.0, 2.2))
    view = draw_view(rng, (side, side))
    top, left = (int(rng.integers(0, side - size_px + 1)) for _ in range(2))
    return f32(view[top : top + size_px, left : left + size_px].copy())


def _bystander(rng: np.random.Generator, picture: F32, light: Light) -> None:
    """Let something reach into the picture from its edge, as in crops from a busy tank."""
    animal = new_animal(rng, str(rng.choice(_BYSTANDERS)))
    pose = animal.kind.pose(rng)
    side = picture.shape[0]
    long = float(rng.uniform(0.15, 0.5)) * side
    along, edge = float(rng.uniform(0, side)), float(rng.choice([0.0, side]))
    at = (along, edge) if rng.random() < 0.5 else (edge, along)
    blend(picture, fitted(animal.paint(pose, long), pose.heading_deg, long, at), light)


def _stands_out(picture: F32, placed: Placed) -> float:
    """Mean difference between a body, unlit, and a square picture behind it, 0 to 1."""
    rows, columns = placed.alpha.shape
    top, left = max(placed.top, 0), max(placed.left, 0)
    behind = picture[top : placed.top + rows, left : placed.left + columns]
    cut = (slice(top - placed.top, None), slice(left - placed.left, None))
    body = placed.rgb[cut][: behind.shape[0], : behind.shape[1]]
    alpha = placed.alpha[cut][: behind.shape[0], : behind.shape[1]]
    mask = inside(placed.cover)[cut][: behind.shape[0], : behind.shape[1]]
    change = np.abs(body[mask] - alpha[mask][:, None] * behind[mask])
    return float(change.mean()) if change.size else 0.0


def fitted(
    body: Body, heading_deg: float, long_side_px: float, middle_px: tuple[float, float]
) -> Placed:
    """Place a body so that its box has a given long side and a given middle."""
    rows, columns = np.nonzero(inside(body.cover))
    points = np.column_stack([columns, rows]) - np.asarray(body.origin_px)
    turned = points @ rotation(heading_deg).T / body.px_per_unit
    low, high = turned.min(axis=0), turned.max(axis=0)
    px_per_unit = long_side_px / float((high - low).max() + 1.0 / body.px_per_unit)
    at = np.asarray(middle_px) - 0.5 * (low + high) * px_per_unit
    return place(
        body, (float(at[0]), float(at[1])), heading_deg=heading_deg, px_per_unit=px_per_unit
    )


def _middle(rng: np.random.Generator, size_px: int, target: float) -> tuple[float, float]:
    free = 0.35 * (size_px - target) * 0.5
    x, y = size_px / 2 + rng.uniform(-free, free, 2)
    return float(x), float(y)


def _as_ground(ground: U8, size: tuple[int, int]) -> F32:
    photo = as_rgb(ground, "ground")
    side = min(photo.shape[:2])
    top, left = (photo.shape[0] - side) // 2, (photo.shape[1] - side) // 2
    square = photo[top : top + side, left : left + side]
    how = cv2.INTER_AREA if side > size[0] else cv2.INTER_LINEAR
    fit = cv2.resize(square, (size[1], size[0]), interpolation=how)
    return f32(fit.astype(np.float32) / np.float32(255))


def _brightness(picture: F32) -> float:
    """How bright a photographed ground is, as a factor for what is drawn onto it."""
    return float(np.clip(0.35 + 1.3 * float(picture.mean()), 0.4, 1.2))


@dataclass(frozen=True, slots=True)
class _Shot:
    """A camera, and the side in pixels that the crop had before it was enlarged, None if as it is."""

    camera: Camera
    side_px: int | None


def _new_shot(rng: np.random.Generator, picture: F32, size_px: int) -> _Shot:
    if rng.random() >= _SMALL_SHARE:
        return _Shot(metered(rng, picture, draw_camera(rng)), None)
    side = round(float(np.exp(rng.uniform(np.log(_SMALLEST_PX), np.log(size_px)))))
    blur = float(rng.uniform(0.25, 0.9))
    return _Shot(metered(rng, picture, draw_camera(rng, blur_px=blur)), side)


def _reduced(picture: F32, shot: _Shot) -> F32:
    if shot.side_px is None:
        return picture
    return f32(cv2.resize(picture, (shot.side_px, shot.side_px), interpolation=cv2.INTER_AREA))


def _visible(shot: _Shot, full: F32, empty: F32, mask: Bool) -> float:
    """Mean difference that a body makes within its mask in a picture without noise, 0 to 1.

    Seen over noise: where the noise of the camera is strong, only what is left of the difference.
    """
    with_it, without = (exposed(_reduced(one, shot), shot.camera) for one in (full, empty))
    change = np.abs(with_it - without).mean(axis=2)
    small = f32(mask.astype(np.float32))
    weight = _reduced(small, shot)
    total = float(weight.sum())
    if total <= 0:
        return 0.0
    level = float((weight * with_it.mean(axis=2)).sum()) / total
    noise = float(np.hypot(shot.camera.read_noise, shot.camera.shot_noise * np.sqrt(level)))
    return float((weight * change).sum()) / total - _NOISE_COVERS * noise


def _taken(rng: np.random.Generator, picture: F32, shot: _Shot) -> U8:
    taken = photograph(rng, _reduced(picture, shot), shot.camera)
    if shot.side_px is None:
        return taken
    how = (cv2.INTER_LINEAR, cv2.INTER_CUBIC)[int(rng.integers(2))]
    return as_u8(cv2.resize(taken, picture.shape[1::-1], interpolation=how))


def truth_of(
    placed: Placed, shape: tuple[int, int], *, fine: str, pose: Pose, length_px: float
) -> DrawnObject | None:
    """Give the truth about a placed body as far as it lies in the picture, None if it does not."""
    box = placed.box()
    if box is None:
        return None
    x0, y0 = max(box[0], 0.0), max(box[1], 0.0)
    x1, y1 = min(box[2], float(shape[1])), min(box[3], float(shape[0]))
    if x1 <= x0 or y1 <= y0:
        return None
    cut = (x0, y0, x1, y1)
    return DrawnObject(
        fine=fine, box_xyxy_px=cut, mask=placed.mask(cut), pose=pose, length_px=length_px
    )


def draw_close_up(
    rng: np.random.Generator,
    fines: tuple[str, ...],
    *,
    height_px: int,
    width_px: int,
    fill: tuple[float, float] = (0.05, 0.8),
    kinds: Kinds = KINDS,
) -> DrawnPhoto:
    """Draw a close-up with the organisms or things named.

    Parameters
    ----------
    fines
        One name of FINE_NAMES for each.
    height_px, width_px
        Size of the picture.
    fill
        Smallest and largest long side of a body's box over the shorter side of the picture. With
        more than one body the largest shrinks, so that they seldom lie over each other.
    kinds
        The table that individuals are drawn from.
    """
    size = (height_px, width_px)
    picture = draw_view(rng, size) if rng.random() < 0.4 else draw_ground(rng, size)
    weather, light = draw_weather(rng, size), draw_light(rng)
    shorter = min(size)
    top = max(fill[0], fill[1] / max(1.0, np.sqrt(len(fines))))
    objects: list[DrawnObject] = []
    for fine in fines:
        target = float(rng.uniform(fill[0], top)) * shorter
        for _ in range(_TRIES):
            animal = new_animal(rng, fine, kinds=kinds)
            pose = animal.kind.pose(rng)
            body = animal.paint(pose, max(target, 48.0))
            placed = _apart(rng, body, pose, target=target, size=size, others=objects)
            if _stands_out(picture, placed) >= _LEAST_CONTRAST:
                break
        blend(picture, placed, light)
        scale = float(np.hypot(*placed.to_px[:, 0]))
        truth = truth_of(placed, size, fine=fine, pose=pose, length_px=body.length_units * scale)
        if truth is not None:
            objects.append(truth)
    camera = draw_camera(rng, blur_px=float(rng.uniform(0.4, 1.6)) * max(1.0, shorter / 900))
    seen = weather.applied(picture)
    rgb = photograph(rng, seen, metered(rng, seen, camera))
    return DrawnPhoto(rgb=rgb, objects=tuple(objects))


def _apart(
    rng: np.random.Generator,
    body: Body,
    pose: Pose,
    *,
    target: float,
    size: tuple[int, int],
    others: list[DrawnObject],
) -> Placed:
    """Place a body wholly inside the picture and, if a few tries find room, clear of the others."""
    placed = None
    for _ in range(12):
        margin = 0.52 * target
        x = float(rng.uniform(margin, max(margin + 1, size[1] - margin)))
        y = float(rng.uniform(margin, max(margin + 1, size[0] - margin)))
        placed = fitted(body, pose.heading_deg, target, (x, y))
        box = placed.box()
        if box is None or all(_clear(box, other.box_xyxy_px) for other in others):
            break
    assert placed is not None  # noqa: S101 - the loop runs at least once
    return placed


def _clear(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    return one[2] < other[0] or other[2] < one[0] or one[3] < other[1] or other[3] < one[1]
