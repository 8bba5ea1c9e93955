"""Draw photos of a scale lying in a plane, with an animal in that plane, and the exact truth about both.

What lies in the plane is painted on a canvas in millimetres, seen from straight above. A pinhole camera then
looks at it, leaning by 0 to 30 degrees, and the picture is taken as all others are (`camera`). The lens is
straight, and the plane is flat: neither a lens that bends lines nor a curled card is drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import as_rgb
from pestvision.errors import ShapeError
from pestvision.size.card import card_picture
from pestvision.size.card_layout import CARD_HEIGHT_MM, CARD_WIDTH_MM, WINDOW_XYXY_MM
from pestvision.size.records import MARKER_CARD
from training.scenes.camera import draw_camera, metered, photograph
from training.scenes.grounds import draw_ground
from training.scenes.light import blend, draw_light, inside, place
from training.scenes.organisms import new_animal
from training.scenes.paint import f32, soften, spread
from training.scenes.records import DrawnObject
from training.scenes.tips import line_length, tip_to_tip

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.arrays import F32, F64, U8
    from training.scenes.body import Animal, Body
    from training.scenes.light import Placed
    from training.scenes.records import Pose

MEGAPIXELS = (1.0, 3.0)
MOST_TILT_DEG = 30.0
FOCAL = (0.6, 1.6)
"""Focal length over the photo's long side: lenses of 22 to 58 mm on a frame of 36 mm."""
SPAN = (0.35, 1.1)
"""Width of the canvas over the photo's long side: at the least a card far off, at the most one that no longer
fits in."""
LEAST_ANIMAL_PX = 44.0
_PAPER, _INK = 0.86, 0.06  # of what falls on it
_FINER = 1.25  # the canvas over the photo, pixels: neither blur nor skipped pixels


@dataclass(frozen=True, slots=True, eq=False)
class Canvas:
    """What lies in the plane, seen from above: the scale, and room for an animal.

    `rgb` (h, w, 3) float32 is premultiplied by `alpha` (h, w); `px_per_mm` is a whole number. The animal's
    middle goes anywhere in `room_xyxy_mm`, a box in millimetres from the canvas's top left corner.
    """

    rgb: F32
    alpha: F32
    px_per_mm: int
    room_xyxy_mm: tuple[float, float, float, float]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height."""
        rows, columns = self.alpha.shape
        return columns / self.px_per_mm, rows / self.px_per_mm


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """Where the camera stands: `to_px` (3, 3) takes the plane's millimetres to pixels of the photo."""

    to_px: F64
    tilt_deg: float
    focal_px: float


@dataclass(frozen=True, slots=True, eq=False)
class ScaledPhoto:
    """A photo of a scale, and the truth about it.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8.
    scale_kind
        One of `SCALE_KINDS`.
    to_mm
        (3, 3) float64: takes a pixel, (0, 0) being the corner of the first, to millimetres in the plane.
    mm_per_px
        Millimetres of a pixel at the middle of the canvas's room for an animal.
    tilt_deg
        How far the plane leans.
    printed
        What the scale was printed at, over its true size: a marker card's bar measures so many times 100 mm.
        Millimetres here are true ones.
    animal, animal_mm
        The animal in that plane: its box and mask on the photo, and its true length along its midline.
        None if there is none.
    """

    rgb: U8
    scale_kind: str
    to_mm: F64
    mm_per_px: float
    middle_xy_px: tuple[float, float]
    tilt_deg: float
    printed: float = 1.0
    animal: DrawnObject | None = None
    animal_mm: float | None = None

    def __post_init__(self) -> None:
        as_rgb(self.rgb)


def draw_scaled_photo(
    rng: np.random.Generator,
    *,
    scale_kind: str,
    animal: str | None = None,
    size: tuple[int, int] | None = None,
    tilt_deg: float | None = None,
    is_covered: bool = False,
    printed: float = 1.0,
) -> ScaledPhoto:
    """Draw a photo of a scale lying flat, from 0 to 30 degrees off straight above.

    Parameters
    ----------
    rng
        Everything is drawn from it.
    scale_kind
        What the scale is taken from: a name in `CANVASES`.
    animal
        A name of FINE_NAMES: one of it lies in the plane of the scale, 44 pixels long or more.
    size
        Height and width; by default of 1 to 3 megapixels.
    tilt_deg
        How far the plane leans; by default anything from 0 to 30.
    is_covered
        Whether something lies over a part of the scale; an animal lies on top of it.
    printed
        What the scale was printed at, over its true size.

    Raises
    ------
    ShapeError
        If there is no such scale or animal.
    """
    if scale_kind not in CANVASES:
        raise ShapeError("scale_kind", expected=" or ".join(CANVASES), actual=scale_kind)
    frame = _frame(rng) if size is None else size
    tilt = float(rng.uniform(0.0, MOST_TILT_DEG)) if tilt_deg is None else tilt_deg
    span = float(np.exp(rng.uniform(*np.log(SPAN))))
    # Pixels for a millimetre at the middle; the canvas is painted a little finer than the photo.
    px_per_mm = span * max(frame) / CARD_WIDTH_MM
    canvas = CANVASES[scale_kind](rng, int(np.ceil(_FINER * px_per_mm)))
    view = _look(rng, canvas, frame, px_per_mm=px_per_mm, tilt_deg=tilt)
    taken = _shot(rng, canvas, view, frame, animal, is_covered)
    return _as_printed(taken, scale_kind, printed)


def _frame(rng: np.random.Generator) -> tuple[int, int]:
    pixels = 1e6 * float(rng.uniform(*MEGAPIXELS))
    short, long = round((pixels * 3 / 4) ** 0.5), round((pixels * 4 / 3) ** 0.5)
    return (short, long) if rng.random() < 0.7 else (long, short)


def _as_printed(taken: ScaledPhoto, scale_kind: str, printed: float) -> ScaledPhoto:
    """Give the truth in millimetres as a ruler has them, where the scale was printed larger or smaller."""
    to_mm = np.diag([printed, printed, 1.0]) @ taken.to_mm
    return replace(
        taken,
        scale_kind=scale_kind,
        to_mm=np.asarray(to_mm, np.float64),
        mm_per_px=taken.mm_per_px * printed,
        printed=printed,
        animal_mm=None if taken.animal_mm is None else taken.animal_mm * printed,
    )


def _shot(
    rng: np.random.Generator,
    canvas: Canvas,
    view: View,
    frame: tuple[int, int],
    animal: str | None,
    is_covered: bool,
) -> ScaledPhoto:
    picture = draw_ground(rng, frame)
    middle_mm = _middle_of(canvas.room_xyxy_mm)
    middle_px = _taken_to(view.to_px, middle_mm)
    cover, truth = None, None
    if is_covered:
        _lay_over(rng, canvas)
    if animal is not None:
        local = 1.0 / _mm_per_px(view.to_px, middle_mm)
        cover, truth = _lay_animal(rng, canvas, new_animal(rng, animal), px_per_mm=local)
    _lay_canvas(picture, canvas, view)
    _shade(rng, picture, view, canvas)
    camera = draw_camera(rng, blur_px=float(rng.uniform(0.4, 1.6)) * max(1.0, min(frame) / 900))
    rgb = photograph(rng, picture, metered(rng, picture, camera))
    to_mm = np.linalg.inv(view.to_px)
    drawn = None
    if truth is not None and cover is not None:
        drawn = _seen_animal(_warped(cover, canvas, view, frame), truth, view, middle_mm)
    return ScaledPhoto(
        rgb=rgb,
        scale_kind=MARKER_CARD,
        to_mm=np.asarray(to_mm / to_mm[2, 2], np.float64),
        mm_per_px=_mm_per_px(view.to_px, middle_mm),
        middle_xy_px=middle_px,
        tilt_deg=view.tilt_deg,
        animal=drawn,
        animal_mm=None if drawn is None or truth is None else truth[2],
    )


def marker_card_canvas(rng: np.random.Generator, px_per_mm: int) -> Canvas:
    """Paint the marker card on paper of a tint of its own."""
    finer = max(1, min(4, 48 // px_per_mm))
    grey = card_picture(float(px_per_mm * finer))
    size = (round(CARD_WIDTH_MM * px_per_mm), round(CARD_HEIGHT_MM * px_per_mm))
    level = cv2.resize(grey, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255.0
    paper = np.float32(_PAPER) * (1.0 + rng.normal(0, 0.02, 3)).astype(np.float32)
    ink = np.float32(rng.uniform(0.5, 2.0) * _INK)
    rgb = f32(ink + spread(f32(level)) * (paper - ink))
    return Canvas(rgb, f32(np.ones(level.shape, np.float32)), px_per_mm, WINDOW_XYXY_MM)


CANVASES: dict[str, Callable[[np.random.Generator, int], Canvas]] = {
    MARKER_CARD: marker_card_canvas,
}
"""What can be drawn: from a generator and pixels per millimetre."""


def _look(
    rng: np.random.Generator,
    canvas: Canvas,
    frame: tuple[int, int],
    *,
    px_per_mm: float,
    tilt_deg: float,
) -> View:
    """Place the camera: any turn about the line of sight, a lean towards any side."""
    height, width = frame
    focal = float(np.exp(rng.uniform(*np.log(FOCAL)))) * max(frame)
    # Most often along the frame's long side, as people hold it.
    roll = np.deg2rad(float(rng.normal(0, 12)) + (90.0 if height > width else 0.0))
    roll += np.pi * float(rng.integers(2))
    side = float(rng.uniform(0, 2 * np.pi))
    lean = np.deg2rad(tilt_deg)
    axis = np.array([np.cos(side), np.sin(side), 0.0]) * lean
    leaning = np.asarray(cv2.Rodrigues(axis)[0], np.float64)
    turning = np.asarray(cv2.Rodrigues(np.array([0.0, 0.0, roll]))[0], np.float64)
    turn = leaning @ turning
    free = 0.12 * np.array([width, height])
    at = np.array([width, height]) / 2 + rng.uniform(-free, free)
    away = focal / px_per_mm
    place_mm = away * np.array([(at[0] - width / 2) / focal, (at[1] - height / 2) / focal, 1.0])
    middle = np.array(canvas.size_mm) / 2
    shift = np.array([[1.0, 0.0, -middle[0]], [0.0, 1.0, -middle[1]], [0.0, 0.0, 1.0]])
    lens = np.array([[focal, 0.0, width / 2], [0.0, focal, height / 2], [0.0, 0.0, 1.0]])
    to_px = lens @ np.column_stack([turn[:, 0], turn[:, 1], place_mm]) @ shift
    return View(np.asarray(to_px / to_px[2, 2], np.float64), tilt_deg, focal)


def _middle_of(box: tuple[float, float, float, float]) -> tuple[float, float]:
    return (box[0] + box[2]) / 2, (box[1] + box[3]) / 2


def _taken_to(to_px: F64, xy_mm: tuple[float, float]) -> tuple[float, float]:
    x, y, under = to_px @ np.array([*xy_mm, 1.0])
    return float(x / under), float(y / under)


def _mm_per_px(to_px: F64, xy_mm: tuple[float, float]) -> float:
    """Give millimetres of a pixel at a place of the plane: the root of the area that a pixel covers."""
    step = 1e-3
    here, right, down = (
        np.array(_taken_to(to_px, (xy_mm[0] + dx, xy_mm[1] + dy)))
        for dx, dy in ((0.0, 0.0), (step, 0.0), (0.0, step))
    )
    area = abs(np.linalg.det(np.array([right - here, down - here]))) / step**2
    return float(1.0 / np.sqrt(area))


def _lay_animal(
    rng: np.random.Generator, canvas: Canvas, animal: Animal, *, px_per_mm: float
) -> tuple[F32, tuple[str, Pose, float]]:
    """Lay an animal on the canvas; give its cover there, its class and pose, and its true length in mm.

    `px_per_mm` are the photo's: an animal that would be too small on it is made longer.
    """
    x0, y0, x1, y1 = canvas.room_xyxy_mm
    pose = animal.kind.pose(rng)
    resting = float(rng.uniform(*animal.kind.length_mm))
    rough = animal.paint(pose, 64.0)
    least = LEAST_ANIMAL_PX / px_per_mm / rough.length_units
    most = 0.8 * (y1 - y0) / max(rough.length_units, 1.0)
    resting = float(min(max(resting, least), max(most, least)))
    middle = _middle_of(canvas.room_xyxy_mm)
    stray = 0.15 * np.array([x1 - x0, y1 - y0])
    at = (np.array(middle) + rng.uniform(-stray, stray)) * canvas.px_per_mm
    px_per_unit = resting * canvas.px_per_mm
    body = animal.paint(pose, px_per_unit)
    # Where a body is placed counts from the middle of the first pixel, a canvas from its corner.
    placed = place(
        body,
        (float(at[0]) - 0.5, float(at[1]) - 0.5),
        heading_deg=pose.heading_deg,
        px_per_unit=px_per_unit,
    )
    light = draw_light(rng)
    blend(canvas.rgb, placed, light)
    cover = _on_canvas(canvas.alpha, placed.cover, placed)
    alpha = _on_canvas(canvas.alpha, placed.alpha, placed)
    canvas.alpha[:] = canvas.alpha * (1.0 - alpha) + alpha
    length = _true_length_px(body, placed, cover) / canvas.px_per_mm
    return cover, (animal.fine, pose, length)


def _true_length_px(body: Body, placed: Placed, cover: F32) -> float:
    """Give a body's length on the canvas: its middle from tip to tip; along its axis where it has none."""
    if body.line is None:
        return float(body.length_units * np.sqrt(abs(np.linalg.det(placed.to_px[:, :2]))))
    return line_length(tip_to_tip(placed.points(body.line), inside(cover)))


def _on_canvas(whole: F32, window: F32, placed: Placed) -> F32:
    """Give a placed body's window in the whole canvas, 0 around it, cut where it reaches out."""
    out = np.zeros(whole.shape, np.float32)
    rows, columns = window.shape[0], window.shape[1]
    top, left = max(placed.top, 0), max(placed.left, 0)
    bottom = min(placed.top + rows, whole.shape[0])
    right = min(placed.left + columns, whole.shape[1])
    if bottom > top and right > left:
        out[top:bottom, left:right] = window[
            top - placed.top : bottom - placed.top, left - placed.left : right - placed.left
        ]
    return f32(out)


def _lay_over(rng: np.random.Generator, canvas: Canvas) -> None:
    """Lay something opaque over one side of the canvas, or a corner: a finger, a leaf, the edge of a tray."""
    rows, columns = canvas.alpha.shape
    side = float(rng.uniform(0, 2 * np.pi))
    across, down = np.meshgrid(
        np.arange(columns, dtype=np.float32) / columns - 0.5,
        np.arange(rows, dtype=np.float32) / rows - 0.5,
    )
    reach = np.cos(side) * across + np.sin(side) * down
    reach += 0.02 * np.sin(9.0 * (np.cos(side) * down - np.sin(side) * across) + side)
    edge = float(rng.uniform(-0.2, 0.3))
    cover = np.clip((reach - edge) * columns / 2.0 + 0.5, 0, 1)
    colour = rng.uniform(0.05, 0.7, 3).astype(np.float32)
    canvas.rgb[:] = canvas.rgb * spread(f32(1.0 - cover)) + spread(f32(cover)) * colour
    canvas.alpha[:] = np.maximum(canvas.alpha, cover)


def _to_photo(canvas: Canvas, view: View) -> F64:
    """Give the matrix from pixels of the canvas to those of the photo, as OpenCV counts them."""
    into = np.diag([1.0 / canvas.px_per_mm, 1.0 / canvas.px_per_mm, 1.0])
    half = np.array([[1.0, 0.0, 0.5], [0.0, 1.0, 0.5], [0.0, 0.0, 1.0]])
    back = np.array([[1.0, 0.0, -0.5], [0.0, 1.0, -0.5], [0.0, 0.0, 1.0]])
    return np.asarray(back @ view.to_px @ into @ half, np.float64)


def _warped(field: F32, canvas: Canvas, view: View, frame: tuple[int, int]) -> F32:
    matrix = _to_photo(canvas, view)
    return f32(cv2.warpPerspective(field, matrix, (frame[1], frame[0]), flags=cv2.INTER_LINEAR))


def _lay_canvas(picture: F32, canvas: Canvas, view: View) -> None:
    frame = (picture.shape[0], picture.shape[1])
    rgb = _warped(canvas.rgb, canvas, view, frame)
    alpha = _warped(canvas.alpha, canvas, view, frame)
    picture *= spread(f32(1.0 - alpha))
    picture += rgb


def _shade(rng: np.random.Generator, picture: F32, view: View, canvas: Canvas) -> None:
    """Light the picture unevenly: a slope of light, half the time a soft shadow, now and then a gleam."""
    height, width = picture.shape[:2]
    across, down = np.meshgrid(
        np.linspace(-1, 1, width, dtype=np.float32), np.linspace(-1, 1, height, dtype=np.float32)
    )
    side = float(rng.uniform(0, 2 * np.pi))
    slope = float(rng.uniform(0.0, 0.35))
    light = 1.0 - slope * 0.5 * (1.0 + np.cos(side) * across + np.sin(side) * down)
    if rng.random() < 0.5:
        edge, turn = float(rng.uniform(-0.5, 0.5)), float(rng.uniform(0, 2 * np.pi))
        soft = float(rng.uniform(0.005, 0.2))
        reach = (np.cos(turn) * across + np.sin(turn) * down - edge) / soft
        light = light * (
            1.0 - float(rng.uniform(0.2, 0.75)) / (1.0 + np.exp(-np.clip(reach, -30, 30)))
        )
    picture *= spread(f32(light))
    if rng.random() < 0.15:
        x_mm, y_mm = rng.uniform(0, canvas.size_mm)
        middle = _taken_to(view.to_px, (float(x_mm), float(y_mm)))
        gleam = np.zeros((height, width), np.float32)
        axes = (round(0.05 * width), round(0.02 * width))
        spot = (int(np.clip(middle[0], 0, width)), int(np.clip(middle[1], 0, height)))
        cv2.ellipse(gleam, spot, axes, float(rng.uniform(0, 180)), 0, 360, 1.0, -1)
        picture += spread(f32(soften(f32(gleam), 0.008 * width) * np.float32(0.9)))


def _seen_animal(
    cover: F32, truth: tuple[str, Pose, float], view: View, at_mm: tuple[float, float]
) -> DrawnObject | None:
    """Give the truth about an animal from its cover on the photo; None where it is not on it."""
    mask = inside(cover)
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if len(rows) == 0:
        return None
    x0, y0, x1, y1 = int(columns[0]), int(rows[0]), int(columns[-1]) + 1, int(rows[-1]) + 1
    fine, pose, length_mm = truth
    return DrawnObject(
        fine=fine,
        box_xyxy_px=(float(x0), float(y0), float(x1), float(y1)),
        mask=mask[y0:y1, x0:x1],
        pose=pose,
        length_px=length_mm / _mm_per_px(view.to_px, at_mm),
    )
