"""The outline net reckoned more quickly: the same numbers with a quarter less of multiplying.

On the way up every rung enlarges what comes from below to twice its size, each value taken four times,
and lays a kernel of 3 x 3 over it. Of the nine values under such a kernel only four differ, so that one of
4 x 4 in steps of two, made of sums of the first, gives the same at the smaller size; what comes from the
other side has a kernel of its own, and the two need not be put together.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    import torch
    from torch import nn


def quickened(net: nn.Module) -> Callable[[torch.Tensor], torch.Tensor]:
    """Give what answers as an outline net does, to a few millionths of its log-odds, in less time.

    The net has no batch norms. Its pictures are (B, 4, h, w) float32; gives (B, h, w) log-odds.
    """
    import torch
    from torch.nn import functional

    down, up, last = net.down, net.up, net.last
    with torch.inference_mode():
        rungs = [_parted(step[0]) for step in up]  # type: ignore[union-attr]

    def answer(pictures: torch.Tensor) -> torch.Tensor:
        values, seen = pictures, []
        for rank, step in enumerate(down):  # type: ignore[arg-type]
            values = step(values if rank == 0 else functional.max_pool2d(values, 2))
            seen.append(values)
        for (below, beside, bias), other in zip(rungs, seen[-2::-1], strict=True):
            wide = functional.conv_transpose2d(values, below, stride=2, padding=1)
            wide += functional.conv2d(other, beside, bias, padding=1)
            values = functional.relu_(wide)
        odds: torch.Tensor = last(values)[:, 0]  # type: ignore[operator]
        return odds

    return answer


def _parted(conv: nn.Conv2d) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor | None]:
    """Part a rung's kernels: for what comes from below, for what comes from beside, and what is added."""
    import torch

    kernels = conv.weight.detach()
    n_beside = conv.out_channels  # a rung gives as many channels as the one beside it has
    n_below = conv.in_channels - n_beside
    turned = kernels[:, :n_below].flip(2, 3)
    below = torch.zeros(conv.out_channels, n_below, 4, 4)
    for down in (0, 1):
        for across in (0, 1):
            below[:, :, down : down + 3, across : across + 3] += turned
    beside = kernels[:, n_below:].contiguous(memory_format=torch.channels_last)
    bias = None if conv.bias is None else conv.bias.detach()
    return below.transpose(0, 1).contiguous(), beside, bias
