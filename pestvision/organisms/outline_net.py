"""The outline net: how sure each pixel about a box is the animal in it.

A small net of two ladders (down to an eighth of the size and up again, each rung seeing what the other
side saw) looks at the box with a rim about it. It was trained by `python -m training.outline_train` on
drawn animals, whose masks are exact, and on real ones cut out and laid on other grounds.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pestvision.arrays import F32, U8, BoxXyxy, as_f32, as_rgb, as_u8
from pestvision.errors import WeightsError
from pestvision.organisms.outline_quick import quickened
from pestvision.organisms.weights import INSTALL_AGAIN
from pestvision.size.outline import NoOutline, can_be_outlined, outline_in, padded_box

if TYPE_CHECKING:
    from collections.abc import Callable

    import torch
    from torch import nn

    from pestvision.size.records import Outline

WEIGHTS_FILE = Path(__file__).with_name("outline_net.safetensors")

N_WORKERS = 2  # threads that look at the frames of a clip: the two ordinary cores this is made for
SEEN_PX = 128
"""Side of the square the net looks at: an animal that fills its box is then about 85 pixels long."""
CHANNELS = 4  # red, green, blue, and the box
WIDTHS = (16, 32, 48, 64, 96)
"""Channels of each rung; every next one has half the pixels a side."""


def build_outline_net(*, with_norms: bool = False) -> nn.Module:
    """Build the net: (B, 4, 128, 128) float32 of -0.5 to 0.5 to (B, 128, 128) log-odds.

    Parameters
    ----------
    with_norms
        Whether each layer has its batch norm, as in training; else they lie in the kernels.
    """
    import torch
    from torch import nn
    from torch.nn import functional

    def layer(n_in: int, n_out: int) -> nn.Module:
        conv = nn.Conv2d(n_in, n_out, 3, padding=1, bias=not with_norms)
        norm: nn.Module = nn.BatchNorm2d(n_out) if with_norms else nn.Identity()
        return nn.Sequential(conv, norm, nn.ReLU(inplace=True))

    class Ladders(nn.Module):
        def __init__(self) -> None:
            super().__init__()
            given = (CHANNELS, *WIDTHS[:-1])
            self.down = nn.ModuleList(
                nn.Sequential(layer(a, b), layer(b, b)) for a, b in zip(given, WIDTHS, strict=True)
            )
            lower = WIDTHS[:0:-1]
            self.up = nn.ModuleList(
                layer(a + b, b) for a, b in zip(lower, WIDTHS[-2::-1], strict=True)
            )
            self.last = nn.Conv2d(WIDTHS[0], 1, 1)

        def forward(self, pictures: torch.Tensor) -> torch.Tensor:
            values, rungs = pictures, []
            for rank, step in enumerate(self.down):
                values = step(values if rank == 0 else functional.max_pool2d(values, 2))
                rungs.append(values)
            for step, rung in zip(self.up, rungs[-2::-1], strict=True):
                larger = functional.interpolate(values, scale_factor=2.0, mode="nearest")
                values = step(torch.cat([larger, rung], 1))
            answer: torch.Tensor = self.last(values)[:, 0]
            return answer

    return Ladders()


def framed(cut: U8, inner_xyxy_px: BoxXyxy) -> tuple[U8, tuple[int, int]]:
    """Bring a padded box to the square the net looks at.

    Parameters
    ----------
    cut
        (h, w, 3) uint8: what lies in the padded box.
    inner_xyxy_px
        The box itself, in pixels of `cut`.

    Returns
    -------
    picture
        (128, 128, 4) uint8: the picture in the top-left corner, its last row and column repeated, and
        the box as 255.
    size
        Width and height that the picture takes up.
    """
    height, width = as_rgb(cut, "cut").shape[:2]
    scale = SEEN_PX / max(height, width)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
    small = as_u8(cv2.resize(cut, size, interpolation=how))
    picture = np.zeros((SEEN_PX, SEEN_PX, CHANNELS), np.uint8)
    picture[..., :3] = cv2.copyMakeBorder(
        small, 0, SEEN_PX - size[1], 0, SEEN_PX - size[0], cv2.BORDER_REPLICATE
    )
    x0, y0, x1, y1 = (round(value * scale) for value in inner_xyxy_px)
    picture[max(y0, 0) : max(y1, y0 + 1, 1), max(x0, 0) : max(x1, x0 + 1, 1), 3] = 255
    return picture, size


def find_outline(rgb: U8, box_xyxy_px: BoxXyxy) -> Outline | NoOutline:
    """Find the outline of the animal in a box of a photo, by the net that the program ships.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, upright.
    box_xyxy_px
        A box about one animal.

    Raises
    ------
    ShapeError
        If `rgb` is no picture, or the box has no size or lies outside.
    WeightsError
        If the net's weights are missing or damaged.
    """
    photo = as_rgb(rgb)
    height, width = photo.shape[:2]
    small = can_be_outlined(box_xyxy_px, height=height, width=width)
    if small is not None:
        return small
    left, top, right, bottom = padded_box(box_xyxy_px, height=height, width=width)
    x0, y0, x1, y1 = box_xyxy_px
    inner = (x0 - left, y0 - top, x1 - left, y1 - top)
    cut = as_u8(np.ascontiguousarray(photo[top:bottom, left:right]))
    sure, readings = foreground(cut, inner)
    return outline_in(photo, box_xyxy_px, foreground=sure, readings=readings)


def foreground(cut: U8, inner_xyxy_px: BoxXyxy) -> tuple[F32, tuple[F32, ...]]:
    """Give how sure each pixel of a padded box is the animal, (h, w) float32 of 0 to 1.

    Parameters are those of `framed`.

    Returns
    -------
    sure
        By the picture as it is and mirrored three ways together.
    readings
        By each of these alone: where they differ, the net is not sure.

    Raises
    ------
    WeightsError
        If the weights are missing or damaged.
    """
    import torch

    picture, (width, height) = framed(cut, inner_xyxy_px)
    net = load_outline_net()
    values = torch.from_numpy(picture).permute(2, 0, 1)[None].float() / 255 - 0.5
    with torch.inference_mode():
        odds = net(torch.cat([values.flip(axes) if axes else values for axes in _MIRRORED]))
        back = torch.stack(
            [
                one.flip([axis - 2 for axis in axes])
                for one, axes in zip(odds, _MIRRORED, strict=True)
            ]
        )
        maps = torch.sigmoid(torch.cat([back.mean(0, keepdim=True), back])).numpy()
    how = cv2.INTER_AREA if max(cut.shape[:2]) < SEEN_PX else cv2.INTER_LINEAR
    size = (cut.shape[1], cut.shape[0])
    seen = [as_f32(cv2.resize(one[:height, :width], size, interpolation=how)) for one in maps]
    return seen[0], tuple(seen[1:])


_MIRRORED: tuple[tuple[int, ...], ...] = ((), (3,), (2,), (2, 3))
"""Axes that are turned about: as it is, left for right, top for bottom, and both."""


@cache
def load_outline_net() -> nn.Module:
    """Load the net that the program ships, once.

    Raises
    ------
    WeightsError
        If its weights are missing, damaged, or of another form.
    """
    import torch
    from safetensors import SafetensorError
    from safetensors.torch import load_file

    net = build_outline_net()
    try:
        tensors = {name: value.float() for name, value in load_file(WEIGHTS_FILE).items()}
        net.load_state_dict(tensors)
    except (OSError, RuntimeError, SafetensorError) as error:
        raise WeightsError(
            f"The weights of the outline net cannot be used: {error}.",
            advice=INSTALL_AGAIN,
        ) from error
    return net.eval().to(memory_format=torch.channels_last)


def sure_of(cut: U8, inner_xyxy_px: BoxXyxy) -> F32:
    """Give how sure each pixel of a padded box is the animal, by one look: for the many frames of a clip.

    Parameters are those of `framed`; gives (h, w) float32 of 0 to 1.

    Raises
    ------
    WeightsError
        If the weights are missing or damaged.
    """
    picture, (width, height) = framed(cut, inner_xyxy_px)
    seen = _workers().submit(_sure, picture).result()[:height, :width]
    how = cv2.INTER_AREA if max(cut.shape[:2]) < SEEN_PX else cv2.INTER_LINEAR
    return as_f32(cv2.resize(seen, (cut.shape[1], cut.shape[0]), interpolation=how))


@cache
def _workers() -> ThreadPoolExecutor:
    """Threads that ask the net, each on one core: several on one small picture mostly wait for each other."""
    import torch

    return ThreadPoolExecutor(
        N_WORKERS, "pestvision-outline", initializer=torch.set_num_threads, initargs=(1,)
    )


@cache
def _quick() -> Callable[[torch.Tensor], torch.Tensor]:
    return quickened(load_outline_net())


def _sure(picture: U8) -> F32:
    import torch

    values = torch.from_numpy(picture).permute(2, 0, 1)[None].float() / 255 - 0.5
    with torch.inference_mode():
        return as_f32(torch.sigmoid(_quick()(values)[0]).numpy())
