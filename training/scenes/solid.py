"""Bodies in three dimensions: tubes swept along a line, diced finely and kept where nearest the eye.

Everything long and soft is a tube: a midline, a half width and a half thickness along it, and a
direction that is its back. So are shells (a tube on a spiral), discs (a short one) and eggs. A tube
is diced into patches smaller than a pixel, every patch goes to its pixel, and the nearest one wins;
only then is the winner coloured, so that a skin is a function of where on the body a pixel lies.

Units as on a `Sheet`: the length at rest is 1, x towards the head, y downwards in the picture, z
out of the ground towards the eye. One code serves the processor and a CUDA device.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from training.scenes.body import Body
from training.scenes.paint import f32

if TYPE_CHECKING:
    from collections.abc import Sequence

    import torch
    from torch import Tensor

    from pestvision.arrays import F32, F64

OPAQUE = 1e6
"""Density of what lets nothing through."""

MOST_PX_PER_UNIT = 1000.0
"""Larger bodies are rendered at this size and enlarged: no crop of the net asks for more."""

_FINER = 1.4
"""Pixels of a rendering to one that was asked for: shrinking it by area smooths its edges."""

_AROUND = 41  # corners around a tube: a side of less than a tenth of its width
_PAD_PX = 3
_PATCH = 0.85  # of a pixel: the usual side of a patch; pixels missed are filled from beside them


@dataclass(frozen=True, slots=True)
class Spots:
    """Where on a tube pixels lie, one value a pixel.

    `u`: 0 at the tail to 1 at the head. `v`: -1 to 1 around it; 0 is the back, -0.5 and 0.5 the
    sides, -1 and 1 the belly. `within`: seen from inside, as through a shell's opening.
    """

    u: Tensor
    v: Tensor
    within: Tensor


class Skin(Protocol):
    """Colours a tube: (n, 3) for n spots, 0 to 1."""

    def __call__(self, at: Spots, /) -> Tensor:
        """Colour it."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Tube:
    """A swept surface.

    Parameters
    ----------
    spine
        (N, 3) midline in units, tail first. Points may lie unevenly.
    half_width, half_thick
        (N,) half the section along the line, across and towards the back. 0 closes an end; between
        two points of no width nothing is drawn.
    skin
        Its colours.
    up
        (3,) direction of its back at the tail, carried along the line without twist, or (N, 3) for
        every point.
    power
        Of the section, a superellipse: 2 an ellipse, more a flatter back and blunter sides.
    density
        Absorption a unit of length (Beer-Lambert); `OPAQUE` lets nothing through.
    lift
        (N, M) offset towards the back for M corners around, or None: folds, warts, ruffles.
    is_closed
        Whether flat caps close its ends.
    """

    spine: F64
    half_width: F64
    half_thick: F64
    skin: Skin
    up: F64 | tuple[float, float, float] = (0.0, 0.0, 1.0)
    power: float = 2.0
    density: float = OPAQUE
    lift: F64 | None = None
    is_closed: bool = True


@dataclass(frozen=True, slots=True)
class _Dice:
    """A tube's corners and how finely each span between them is cut.

    `corners` (N, M, 3) in pixels of the buffers; `normals` (N, M, 3); `rows`, `columns`: where
    every patch lies, in corners.
    """

    corners: Tensor
    normals: Tensor
    rows: Tensor
    columns: Tensor


@dataclass(frozen=True, slots=True)
class _Layer:
    """What a set of tubes leaves in the buffers, one value a pixel; -inf depth where nothing.

    `near`, `far`: z of the front and the back, pixels. `cover`: 1, less where a hair is thinner than
    a pixel. `rgb` (h, w, 3), `normal` (h, w, 3), `density` a pixel of depth.
    """

    near: Tensor
    far: Tensor
    cover: Tensor
    rgb: Tensor
    normal: Tensor
    density: Tensor


def bundle(lines: Sequence[F64], halves: Sequence[F64], skin: Skin) -> Tube:
    """Give many thin tubes as one, which is quicker: hairs, bristles, legs. Each closes to a point.

    `lines` are (N, 3) and `halves` (N,) for each; the skin's `u` runs over all of them.
    """
    shut = [np.pad(half[1:-1], 1) for half in halves]
    half = np.concatenate(shut)
    up = np.tile((0.0, 0.0, 1.0), (len(half), 1))
    return Tube(np.concatenate(list(lines)), half, half, skin, up=up, is_closed=False)


def turned(roll_deg: float, pitch_deg: float = 0.0, yaw_deg: float = 0.0) -> F64:
    """Give the (3, 3) matrix that turns a body: about its length, across it, about the eye's line."""
    roll, pitch, yaw = np.deg2rad([roll_deg, pitch_deg, yaw_deg])
    about_x = np.array(
        [[1, 0, 0], [0, np.cos(roll), -np.sin(roll)], [0, np.sin(roll), np.cos(roll)]]
    )
    about_y = np.array(
        [[np.cos(pitch), 0, np.sin(pitch)], [0, 1, 0], [-np.sin(pitch), 0, np.cos(pitch)]]
    )
    about_z = np.array([[np.cos(yaw), -np.sin(yaw), 0], [np.sin(yaw), np.cos(yaw), 0], [0, 0, 1]])
    return np.asarray(about_z @ about_y @ about_x, np.float64)


def render(
    tubes: Sequence[Tube],
    *,
    px_per_unit: float,
    gloss: float,
    inner: Sequence[Tube] = (),
    view: F64 | None = None,
    length_units: float = 1.0,
    shadow: float = 1.0,
    ends: tuple[tuple[float, float, float], tuple[float, float, float]] = (
        (-0.5, 0, 0),
        (0.5, 0, 0),
    ),
    line: F64 | None = None,
    device: str | torch.device = "cpu",
) -> Body:
    """Render tubes into a body.

    Parameters
    ----------
    tubes
        What is seen.
    px_per_unit
        Pixels a unit; above `MOST_PX_PER_UNIT` that is used, and the body says so.
    inner
        What lies inside and shows as far as the tubes before it let light through.
    view
        (3, 3) turn of everything before it is looked at along -z, or None for straight from above.
    ends
        Tail and head, before the turn.
    line
        (N, 3) middle of a body along one, tail first, before the turn.
    device
        Where torch works; the body comes back as numpy arrays.

    Raises
    ------
    ValueError
        If there is no tube.
    """
    import torch

    scale = min(px_per_unit * _FINER, MOST_PX_PER_UNIT)
    turn = np.eye(3) if view is None else view
    cut = [_corners(tube, turn, scale, device) for tube in (*tubes, *inner)]
    low, size = _bounds([item[0] for item in cut])
    dice = [
        _diced(tube, corners - low, normals)
        for tube, (corners, normals) in zip((*tubes, *inner), cut, strict=True)
    ]
    outer = _rasterised(tubes, dice[: len(tubes)], size, scale)
    if inner:
        rgb, alpha = _seen_through(outer, _rasterised(inner, dice[len(tubes) :], size, scale))
    else:
        rgb, alpha = _alone(outer)
    there = outer.near.isfinite()
    ground = outer.near[there].min()
    height = torch.where(there, outer.near - ground, torch.zeros_like(outer.near))
    tail, head = (turn @ np.asarray(end, np.float64) for end in ends)
    return Body(
        rgb=_as_numpy(rgb),
        alpha=_as_numpy(alpha),
        cover=_as_numpy(outer.cover),
        height=_as_numpy(height),
        normal=_as_numpy(outer.normal),
        # Patches were sorted into pixels by their lower edges, a pixel is its middle.
        origin_px=(float(-low[0]) - 0.5, float(-low[1]) - 0.5),
        px_per_unit=scale,
        gloss=gloss,
        is_lit=True,
        shadow=shadow,
        length_units=length_units,
        ends=((float(tail[0]), float(tail[1])), (float(head[0]), float(head[1]))),
        line=None if line is None else (line @ turn.T)[:, :2],
    )


def frames(spine: F64, up: F64) -> tuple[F64, F64, F64]:
    """Give tangent, side and back, each (N, 3), along a line.

    A single `up` is carried along with no twist about the line (a rotation-minimising frame): the
    smallest turns from each tangent to the next are multiplied up by doubling. (N, 3) directions
    are taken as they are, but for the part along the line.
    """
    step = np.gradient(spine, axis=0)
    tangent = step / np.maximum(np.linalg.norm(step, axis=1), 1e-12)[:, None]
    if up.ndim == 1:
        up = _carried(tangent, up)
    back = up - (up * tangent).sum(axis=1)[:, None] * tangent
    back = back / np.maximum(np.linalg.norm(back, axis=1), 1e-12)[:, None]
    return tangent, np.cross(back, tangent), back


def _carried(tangent: F64, up: F64) -> F64:
    """Carry a direction along: (N, 3)."""
    axis = np.cross(tangent[:-1], tangent[1:])
    cosine = (tangent[:-1] * tangent[1:]).sum(axis=1)
    skew = np.zeros((len(axis), 3, 3))
    skew[:, 0, 1], skew[:, 0, 2], skew[:, 1, 2] = -axis[:, 2], axis[:, 1], -axis[:, 0]
    skew -= skew.transpose(0, 2, 1)
    # Rodrigues, from sine and cosine without the angle.
    turns = np.eye(3) + skew + skew @ skew / (1.0 + np.maximum(cosine, -0.99))[:, None, None]
    total = np.concatenate([np.eye(3)[None], turns])
    reach = 1
    while reach < len(total):
        total[reach:] = total[reach:] @ total[:-reach]
        reach *= 2
    return np.asarray(total @ up, np.float64)


def _corners(
    tube: Tube, turn: F64, scale: float, device: str | torch.device
) -> tuple[Tensor, Tensor]:
    """Give a tube's corners, (N, M, 3) in pixels, and its normals there."""
    import torch

    up = np.asarray(tube.up, np.float64)
    _, side, back = frames(tube.spine, up)
    around = np.linspace(-np.pi, np.pi, _AROUND)
    bend = 2.0 / tube.power
    across = np.sign(np.sin(around)) * np.abs(np.sin(around)) ** bend
    rise = np.sign(np.cos(around)) * np.abs(np.cos(around)) ** bend
    raised = tube.half_thick[:, None] * rise[None]
    if tube.lift is not None:
        raised = raised + tube.lift
    points = (
        tube.spine[:, None]
        + (tube.half_width[:, None] * across[None])[..., None] * side[:, None]
        + raised[..., None] * back[:, None]
    )
    if tube.is_closed:
        points = np.concatenate([_cap(points[0]), points, _cap(points[-1])[::-1]])
    corners = torch.as_tensor(points @ turn.T * scale, dtype=torch.float32, device=device)
    along = torch.gradient(corners, dim=0)[0]
    ring = torch.cat([corners[:, -2:-1], corners, corners[:, 1:2]], dim=1)
    about = 0.5 * (ring[:, 2:] - ring[:, :-2])
    normals = torch.linalg.cross(along, about, dim=2)
    return corners, torch.nn.functional.normalize(normals, dim=2, eps=1e-9)


def _cap(ring: F64) -> F64:
    """Give the corners of a flat end, from its middle outwards."""
    middle = ring[:-1].mean(axis=0)
    return np.asarray(
        np.stack([middle + share * (ring - middle) for share in (0.0, 0.5, 0.97)]), np.float64
    )


def _bounds(corners: Sequence[Tensor]) -> tuple[Tensor, tuple[int, int]]:
    """Give the low corner of the buffers in pixels, z 0, and their size (rows, columns)."""
    import torch

    if not corners:
        raise ValueError("a body needs one tube at least")
    flat = torch.cat([item.reshape(-1, 3) for item in corners])
    low = torch.floor(flat.amin(dim=0)) - _PAD_PX
    high = torch.ceil(flat.amax(dim=0)) + _PAD_PX
    low[2] = 0.0
    columns, rows = (round(float(value)) for value in (high - low)[:2])
    return low, (rows, columns)


def _diced(tube: Tube, corners: Tensor, normals: Tensor) -> _Dice:
    """Cut a tube into patches of about `_PATCH`.

    Spans are taken at their mean about the tube, and along it at the widest tenth: where a side turns
    away, spans are longer, but patches lie the closer across.
    """
    import torch

    flat = corners[..., :2]
    along = (flat[1:] - flat[:-1]).norm(dim=2).mean(dim=1)
    about = (flat[:, 1:] - flat[:, :-1]).norm(dim=2)
    shut = np.flatnonzero((tube.half_width[1:] == 0) & (tube.half_width[:-1] == 0))
    if len(shut):
        along[torch.as_tensor(shut + 3 * tube.is_closed, device=along.device)] = 0.0
    widest = about.sum(dim=1).topk(max(1, len(about) // 10)).indices
    return _Dice(corners, normals, _places(along), _places(about[widest].mean(dim=0)))


def _places(spans: Tensor) -> Tensor:
    """Give places along corners, in corners, evenly over spans of which each is a longest one."""
    import torch

    far = torch.cumsum(spans.double().clamp(min=1e-6), 0)
    count = int(torch.ceil(far[-1] / _PATCH)) + 1
    at = torch.linspace(0.0, 1.0, count, dtype=torch.float64, device=spans.device) * far[-1]
    index = torch.searchsorted(far, at).clamp(max=len(spans) - 1)
    start = far[index] - spans.double().clamp(min=1e-6)[index]
    return (index + (at - start) / (far[index] - start)).float().clamp(0.0, float(len(spans)))


def _spread(corners: Tensor, rows: Tensor, columns: Tensor) -> tuple[Tensor, Tensor, Tensor]:
    """Interpolate corners (N, M, 3) at every pair of rows and columns: x, y and z, flat.

    Across the tube by one product with a table of weights, which is quicker than picking.
    """
    import torch

    top = rows.long()
    below = (top + 1).clamp(max=len(corners) - 1)
    line = torch.lerp(corners[top], corners[below], (rows - top)[:, None, None])
    count = corners.shape[1]
    each = torch.arange(count, device=corners.device)[:, None]
    weights = (1.0 - (columns[None] - each).abs()).clamp(min=0.0)
    x, y, z = (torch.mm(line[..., axis], weights).reshape(-1) for axis in range(3))
    return x, y, z


def _picked(table: Tensor, rows: Tensor, columns: Tensor) -> Tensor:
    """Interpolate a table (N, M, C) at spots given by row and column: (n, C)."""
    import torch

    top, left = rows.long(), columns.long()
    below, beside = (top + 1).clamp(max=len(table) - 1), (left + 1).clamp(max=table.shape[1] - 1)
    flat, width = table.reshape(-1, table.shape[2]), table.shape[1]
    right, down = (columns - left)[:, None], (rows - top)[:, None]
    upper = torch.lerp(flat[top * width + left], flat[top * width + beside], right)
    lower = torch.lerp(flat[below * width + left], flat[below * width + beside], right)
    return torch.lerp(upper, lower, down)


def _rasterised(
    tubes: Sequence[Tube], dice: Sequence[_Dice], size: tuple[int, int], scale: float
) -> _Layer:
    """Send every patch to its pixel, keep the nearest, colour what was kept."""
    import torch

    patches = [_spread(item.corners, item.rows, item.columns) for item in dice]
    x, y, z = (torch.cat([item[axis] for item in patches]) for axis in range(3))
    pixel = y.to(torch.int32) * size[1] + x.to(torch.int32)
    count = len(z)
    order = torch.arange(count, device=z.device)
    # 1/64 of a pixel of depth, and below it which patch it is.
    rank = (z * 64).to(torch.int64) * count + order
    pixel = pixel.to(torch.int64)
    empty = torch.full((size[0] * size[1],), -(2**62), device=z.device)
    kept = _without_gaps(empty.scatter_reduce(0, pixel, rank, "amax").reshape(size)).reshape(-1)
    filled = torch.nonzero(kept > -(2**61))[:, 0]
    won = torch.remainder(kept[filled], count)
    near = torch.full((len(empty),), -torch.inf, device=z.device)
    near[filled] = z[won]
    far = near.clone()
    if any(tube.density < OPAQUE for tube in tubes):
        back = (-empty).scatter_reduce(0, pixel, rank, "amin")
        back = back[filled]
        far[filled] = torch.where(back < 2**61, z[torch.remainder(back, count)], near[filled])
    rgb = torch.zeros((len(empty), 3), device=z.device)
    normal = torch.zeros((len(empty), 3), device=z.device)
    density, cover = (torch.zeros((len(empty),), device=z.device) for _ in range(2))
    first = 0
    for tube, cut, patch in zip(tubes, dice, patches, strict=True):
        mine = torch.nonzero((won >= first) & (won < first + len(patch[0])))[:, 0]
        index = won[mine] - first
        where = filled[mine]
        rows, columns = cut.rows[index // len(cut.columns)], cut.columns[index % len(cut.columns)]
        facing = _picked(cut.normals, rows, columns)
        within = facing[:, 2] < 0
        normal[where] = torch.where(within[:, None], -facing, facing)
        rgb[where] = tube.skin(_spots(tube, cut, rows, columns, within)).clamp(0.0, 1.0)
        density[where] = tube.density / scale
        cover[where] = _share_of_pixel(tube, rows, scale)
        first += len(patch[0])
    shape = (*size, 3)
    normal = torch.nn.functional.normalize(normal, dim=1, eps=1e-6)
    return _Layer(
        near.reshape(size),
        far.reshape(size),
        cover.reshape(size),
        rgb.reshape(shape),
        normal.reshape(shape),
        density.reshape(size),
    )


def _share_of_pixel(tube: Tube, rows: Tensor, scale: float) -> Tensor:
    """Give how much of a pixel the tube is wide there, 1 at most."""
    import torch

    caps = 3 if tube.is_closed else 0
    wide = np.pad(2.0 * scale * np.maximum(tube.half_width, tube.half_thick), caps, mode="edge")
    table = torch.as_tensor(np.clip(wide, 0.1, 1.0), dtype=rows.dtype, device=rows.device)
    return table[rows.round().long().clamp(max=len(table) - 1)]


def _without_gaps(kept: Tensor) -> Tensor:
    """Fill single pixels that no patch fell into, between two that got one, from the first."""
    for axis in (1, 0):
        before, after = kept.roll(1, axis), kept.roll(-1, axis)
        is_gap = (kept < -(2**61)) & (before > -(2**61)) & (after > -(2**61))
        kept = kept.where(~is_gap, before)
    return kept


def _spots(tube: Tube, cut: _Dice, rows: Tensor, columns: Tensor, within: Tensor) -> Spots:
    caps = 3 if tube.is_closed else 0
    u = (rows - caps) / (len(cut.corners) - 2 * caps - 1)
    v = 2.0 * columns / (cut.corners.shape[1] - 1) - 1.0
    return Spots(u.clamp(0.0, 1.0), v, within)


def _alone(layer: _Layer) -> tuple[Tensor, Tensor]:
    """Give the premultiplied colour and the opacity of a layer with nothing inside."""
    import torch

    through = torch.exp(-layer.density * (layer.near - layer.far).nan_to_num(0.0).clamp(min=0.5))
    alpha = torch.where(layer.near.isfinite(), (1.0 - through) * layer.cover, 0.0)
    return layer.rgb * alpha[..., None], alpha


def _seen_through(outer: _Layer, inner: _Layer) -> tuple[Tensor, Tensor]:
    """Let what is inside show through what is before it, by the depth of flesh between."""
    import torch

    rgb, alpha = _alone(outer)
    there = inner.near.isfinite() & outer.near.isfinite()
    before = (outer.near - inner.near).nan_to_num(0.0).clamp(min=0.0)
    front = 1.0 - torch.exp(-outer.density * before)
    inside_rgb, inside = _alone(inner)
    mixed = outer.rgb * front[..., None] + (1.0 - front[..., None]) * (
        inside_rgb + (1.0 - inside[..., None]) * rgb
    )
    opacity = front + (1.0 - front) * (inside + (1.0 - inside) * alpha)
    return (
        torch.where(there[..., None], mixed, rgb),
        torch.where(there, opacity, alpha),
    )


def _as_numpy(sheet: Tensor) -> F32:
    return f32(sheet.float().cpu().numpy())
