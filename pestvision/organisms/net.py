"""The net: EfficientNet-Lite0 with one output for each fine class.

Only this room and the training code know torch.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pestvision.organisms.classes import FINE_NAMES

if TYPE_CHECKING:
    from collections.abc import Mapping

    import torch
    from torch import nn

    from pestvision.arrays import U8

INPUT_PX = 224
"""Side of the square the net looks at, pixels."""
MEAN = 127.0
STD = 128.0
"""The net's input is `(x - 127) / 128` of RGB 0..255, as its ImageNet weights were trained."""
ARCHITECTURE = "tf_efficientnet_lite0"
STAGES = (
    (1, 3, 1, 1, 16),
    (2, 3, 2, 6, 24),
    (2, 5, 2, 6, 40),
    (3, 3, 2, 6, 80),
    (3, 5, 1, 6, 112),
    (4, 5, 2, 6, 192),
    (1, 3, 1, 6, 320),
)
"""Blocks, kernel, stride of the first block, widening, channels: EfficientNet-B0's table (Tan & Le 2019,
table 1) with the first and the last stage at one block, as Lite0 has it."""
STEM_CHANNELS = 32
EMBEDDING = 1280
TAPPED_STAGES = (1, 3, 5)
"""Stages whose channels' means and spreads belong to the signature of a crop, beside the embedding: what a
surface is like in the small is no longer told by the embedding alone (measured in `training.known`)."""
SIGNATURE = 2 * sum(STAGES[stage][-1] for stage in TAPPED_STAGES) + EMBEDDING
NORM_EPS = 1e-3  # of every batch norm, as the ImageNet weights were trained


def build_net() -> nn.Module:
    """Build the net to be trained, with random weights: timm's EfficientNet-Lite0 with 14 outputs.

    Returns
    -------
    nn.Module
        `forward_features` gives (N, 1280, h/32, w/32); `forward_head(…, pre_logits=True)` gives the
        (N, 1280) embedding; `forward` gives (N, 14) logits in the order of `FINE_CLASSES`.
    """
    import timm
    from torch import nn

    net = timm.create_model(ARCHITECTURE, pretrained=False, num_classes=len(FINE_NAMES))
    if not isinstance(net, nn.Module):
        raise TypeError(type(net))
    return net


def trained_shapes() -> dict[str, tuple[int, ...]]:
    """Give name and shape of every trained tensor of the net, as timm names them."""
    shapes: dict[str, tuple[int, ...]] = {}

    def add(conv: str, norm: str, shape: tuple[int, ...]) -> None:
        shapes[f"{conv}.weight"] = shape
        for part in ("weight", "bias", "running_mean", "running_var"):
            shapes[f"{norm}.{part}"] = shape[:1]

    add("conv_stem", "bn1", (STEM_CHANNELS, 3, 3, 3))
    given = STEM_CHANNELS
    for block in _blocks():
        wide = given * block.widening
        side = (block.kernel_px, block.kernel_px)
        last = "conv_pw" if block.widening == 1 else "conv_pwl"
        if block.widening > 1:
            add(f"{block.name}.conv_pw", f"{block.name}.bn1", (wide, given, 1, 1))
        n = 1 if block.widening == 1 else 2
        add(f"{block.name}.conv_dw", f"{block.name}.bn{n}", (wide, 1, *side))
        add(f"{block.name}.{last}", f"{block.name}.bn{n + 1}", (block.channels, wide, 1, 1))
        given = block.channels
    add("conv_head", "bn2", (EMBEDDING, given, 1, 1))
    shapes["classifier.weight"] = (len(FINE_NAMES), EMBEDDING)
    shapes["classifier.bias"] = (len(FINE_NAMES),)
    return shapes


@dataclass(frozen=True, slots=True)
class _Block:
    """One block: `widening` times the channels, a depthwise convolution, then `channels`."""

    name: str
    kernel_px: int
    stride: int
    widening: int
    channels: int
    has_skip: bool


def _blocks() -> list[_Block]:
    blocks = []
    for index, (n_blocks, kernel_px, stride, widening, channels) in enumerate(STAGES):
        for n in range(n_blocks):
            step = stride if n == 0 else 1
            name = f"blocks.{index}.{n}"
            blocks.append(_Block(name, kernel_px, step, widening, channels, has_skip=n > 0))
    return blocks


@dataclass(frozen=True, slots=True, eq=False)
class _Layer:
    """One convolution with its batch norm folded in; `groups` over 1 is depthwise."""

    weight: torch.Tensor
    bias: torch.Tensor
    stride: int
    groups: int
    is_cut: bool

    def __call__(self, x: torch.Tensor) -> torch.Tensor:
        """Convolve (N, C, h, w) channels-last floats, and cut the answer to 0..6 where asked."""
        from torch.nn import functional

        if self.weight.ndim == 2:  # 1 x 1: a matrix product over the channels
            y = functional.linear(x.permute(0, 2, 3, 1), self.weight, self.bias)
            y = y.permute(0, 3, 1, 2)
        else:
            padding = (self.weight.shape[-1] - (self.stride - 1)) // 2
            y = functional.conv2d(
                x, self.weight, self.bias, self.stride, padding, groups=self.groups
            )
        return y.clamp_(0.0, 6.0) if self.is_cut else y


class LeanNet:
    """The trained net for asking only: the same answers to rounding, sooner and in less memory.

    Every batch norm is folded into its convolution, a 1 x 1 convolution is a matrix product, and the
    uneven padding of the strided ones is a row and a column of zeros in their kernels, so that no
    picture is copied to be padded. One thread took 23 to 31 ms of the processor for a crop against 28
    to 41 ms by timm's net with folded norms (two runs in turns on a busy machine). Importing timm took
    195 MB, which a check does not spend.

    Parameters
    ----------
    tensors
        Float32, with the names and shapes of `trained_shapes`.
    """

    def __init__(self, tensors: Mapping[str, torch.Tensor]) -> None:
        self._stem = _folded(tensors, ("conv_stem", "bn1"), stride=2, is_cut=True)
        self._blocks: list[tuple[list[_Layer], bool]] = []
        for block in _blocks():
            name = block.name
            if block.widening == 1:
                pairs = [("conv_dw", "bn1"), ("conv_pw", "bn2")]
            else:
                pairs = [("conv_pw", "bn1"), ("conv_dw", "bn2"), ("conv_pwl", "bn3")]
            layers = [
                _folded(
                    tensors,
                    (f"{name}.{conv}", f"{name}.{norm}"),
                    stride=block.stride if conv == "conv_dw" else 1,
                    is_cut=(conv, norm) != pairs[-1],
                )
                for conv, norm in pairs
            ]
            self._blocks.append((layers, block.has_skip))
        # the number of the stage that a block ends, -1 for all others
        self._ends = [
            stage if n == n_blocks - 1 else -1
            for stage, (n_blocks, *_rest) in enumerate(STAGES)
            for n in range(n_blocks)
        ]
        self._head = _folded(tensors, ("conv_head", "bn2"), stride=1, is_cut=True)
        self._weight = tensors["classifier.weight"].detach()
        self._bias = tensors["classifier.bias"].detach()

    def features(self, batch: torch.Tensor) -> torch.Tensor:
        """Give (N, 1280, h/32, w/32) features of a (N, 3, h, w) batch; h and w multiples of 32."""
        return self._run(batch, None)

    def logits(self, batch: torch.Tensor) -> torch.Tensor:
        """Give the (N, 14) logits of a (N, 3, h, w) batch, in the order of `FINE_CLASSES`."""
        return self._classify(self.features(batch).mean((2, 3)))

    def signatures(self, batch: torch.Tensor) -> torch.Tensor:
        """Give the (N, 1872) signatures of a (N, 3, h, w) batch, in one pass.

        For each of `TAPPED_STAGES` the mean of every channel over the picture, then its standard
        deviation; at the end the 1280 of the embedding, which `logits_of` takes.
        """
        import torch

        tapped: list[torch.Tensor] = []
        embedding = self._run(batch, tapped).mean((2, 3))
        return torch.cat([*tapped, embedding], dim=1)

    def logits_of(self, signatures: torch.Tensor) -> torch.Tensor:
        """Give the (N, 14) logits of (N, 1872) signatures."""
        return self._classify(signatures[:, -EMBEDDING:])

    def _run(self, batch: torch.Tensor, tapped: list[torch.Tensor] | None) -> torch.Tensor:
        """Run a batch to the features; put down what is tapped on the way where a list is given."""
        x = self._stem(batch)
        for (layers, has_skip), stage in zip(self._blocks, self._ends, strict=True):
            y = x
            for layer in layers:
                y = layer(y)
            x = y.add_(x) if has_skip else y
            if tapped is not None and stage in TAPPED_STAGES:
                mean = x.mean((2, 3))
                square = (x * x).mean((2, 3))
                tapped += [mean, (square - mean * mean).clamp_(min=0.0).sqrt_()]
        return self._head(x)

    def logit_map(self, batch: torch.Tensor) -> torch.Tensor:
        """Give the (N, h/32, w/32, 14) logits of each place, without the last pooling."""
        return self._classify(self.features(batch).permute(0, 2, 3, 1))

    def _classify(self, features: torch.Tensor) -> torch.Tensor:
        from torch.nn import functional

        return functional.linear(features, self._weight, self._bias)


def _folded(
    tensors: Mapping[str, torch.Tensor], names: tuple[str, str], *, stride: int, is_cut: bool
) -> _Layer:
    """Fold a batch norm into the convolution before it, and widen a strided kernel by its padding.

    At an even side the net's strided convolutions pad one more after the picture than before it
    (TensorFlow's SAME). A kernel with a first row and column of zeros and even padding does the same.
    """
    import torch
    from torch.nn import functional

    conv, norm = names
    weight = tensors[f"{conv}.weight"].detach()
    scale = tensors[f"{norm}.weight"] * torch.rsqrt(tensors[f"{norm}.running_var"] + NORM_EPS)
    scale = scale.detach()
    bias = (tensors[f"{norm}.bias"] - tensors[f"{norm}.running_mean"] * scale).detach()
    weight = weight * scale[:, None, None, None]
    groups = weight.shape[0] if weight.shape[1] == 1 else 1
    if stride == 2:
        weight = functional.pad(weight, (1, 0, 1, 0))
    if weight.shape[-1] == 1:
        weight = weight[:, :, 0, 0].contiguous()
    else:
        weight = weight.contiguous(memory_format=torch.channels_last)
    return _Layer(weight, bias, stride, groups, is_cut)


def as_input(crops: list[U8]) -> torch.Tensor:
    """Turn (224, 224, 3) uint8 RGB crops into the net's (N, 3, 224, 224) float32 input."""
    import numpy as np
    import torch

    batch = torch.from_numpy(np.stack(crops))
    # permuting NHWC gives channels-last memory for free, the fast layout for CPU convolutions
    return batch.permute(0, 3, 1, 2).to(torch.float32).sub_(MEAN).div_(STD)
