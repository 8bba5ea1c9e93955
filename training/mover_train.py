"""Train the mover net on drawn pairs.

    PESTVISION_PHOTOS=... python -m training.mover_train [--pairs N] [--still N] [--processes N] [--out FILE]

It draws the pairs (half of them in real photographs, never those of the exam), trains, counts what the
net says of drawn tanks in which nothing moved, and writes pestvision/motion/mover_net.safetensors. On 32
cores and one large GPU the whole takes minutes, on two cores a night.
"""

from __future__ import annotations

import argparse
import copy
import os
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import torch
from safetensors.numpy import save_file
from torch import nn
from torch.nn import functional

from pestvision.arrays import checked_box
from pestvision.errors import ShapeError
from pestvision.motion.blobs import is_surest_about
from pestvision.motion.mover_net import (
    HALVED_AFTER,
    HIDDEN,
    N_LIMITS,
    WEIGHTS_FILE,
    WIDTHS,
    MoverNet,
)
from pestvision.motion.patches import CHANNELS, FIELDS, N_NUMBERS, Patches
from training.data import photos_folder
from training.mover_data import Shown, gather, ground_paths

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pestvision.arrays import F32
    from pestvision.motion.candidates import SeenOn

FIT_SEED, STILL_SEED, STAND_SEED = 4_000_000, 4_500_000, 4_600_000
N_PAIRS, N_STILL = 6500, 400
EPOCHS = 32
TEACHER_WIDTHS = (32, 64, 64, 128, 128, 192)
TEACHER_SEEDS, SEED = (0, 2), 3
SURE_RANK = 3.0  # the table ends at the third surest: the surest of all is chance
BATCH = 512
RATE = 2e-3
DECAY = 0.02
DROPPED = 0.2
SMOOTHED = 0.01  # of the labels: a mover under a leaf is called one too
AVERAGED = 0.999  # share of the running mean of the weights that each step keeps


class Layers(nn.Module):
    """The mover net as layers: (B, 2, 9, 32, 32) and (B, 7) to (B,) log-odds."""

    mean: torch.Tensor
    scale: torch.Tensor

    def __init__(
        self, mean: torch.Tensor, scale: torch.Tensor, *, widths: Sequence[int] = WIDTHS
    ) -> None:
        super().__init__()
        given = (CHANNELS, *widths[:-1])
        self.convs = nn.ModuleList(
            nn.Conv2d(n_in, n_out, 3, padding=1, bias=False)
            for n_in, n_out in zip(given, widths, strict=True)
        )
        self.norms = nn.ModuleList(nn.BatchNorm2d(width) for width in widths)
        self.hidden = nn.Linear(2 * widths[-1] * len(FIELDS) + N_NUMBERS, HIDDEN)
        self.last = nn.Linear(HIDDEN, 1)
        self.drop = nn.Dropout(DROPPED)
        self.register_buffer("mean", mean)
        self.register_buffer("scale", scale)

    def forward(self, pictures: torch.Tensor, numbers: torch.Tensor) -> torch.Tensor:
        """Give log-odds from pictures of -0.5 to 0.5 and raw numbers."""
        n = len(pictures)
        values = pictures.reshape(n * len(FIELDS), *pictures.shape[2:])
        for rank, (conv, norm) in enumerate(zip(self.convs, self.norms, strict=True)):
            values = functional.relu(norm(conv(values)))
            if rank in HALVED_AFTER:
                values = functional.max_pool2d(values, 2)
        pooled = torch.cat([values.mean((2, 3)), values.amax((2, 3))], 1)
        top = torch.cat([pooled.reshape(n, -1), (numbers - self.mean) / self.scale], 1)
        answer: torch.Tensor = self.last(functional.relu(self.hidden(self.drop(top))))[:, 0]
        return answer


def tensors_of(layers: Layers) -> dict[str, F32]:
    """Give a trained net's tensors as the program takes them: the norms folded into the kernels."""
    found = {}
    for rank, (conv, norm) in enumerate(zip(layers.convs, layers.norms, strict=True)):
        if not isinstance(conv, nn.Conv2d) or not isinstance(norm, nn.BatchNorm2d):
            raise ShapeError("layer", expected="a convolution and its norm", actual=str(conv))
        if norm.running_mean is None or norm.running_var is None:
            raise ShapeError("norm", expected="running means", actual="none")
        gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)
        kernel = conv.weight * gain[:, None, None, None]
        found[f"kernel{rank}"] = kernel.permute(2, 3, 1, 0).reshape(-1, kernel.shape[0])
        found[f"bias{rank}"] = norm.bias - norm.running_mean * gain
    found |= {"hidden": layers.hidden.weight.T, "hidden_bias": layers.hidden.bias}
    found |= {"last": layers.last.weight.T, "last_bias": layers.last.bias}
    found |= {"mean": layers.mean, "scale": layers.scale}
    return {name: np.ascontiguousarray(t.detach().cpu().numpy()) for name, t in found.items()}


def varied(pictures: torch.Tensor, rng: torch.Generator) -> torch.Tensor:
    """Vary a batch of uint8 pictures: turned, mirrored, photos changed over, light and colour.

    Gives float32 from -0.5 to 0.5.
    """
    n, device = len(pictures), pictures.device

    def chance(share: float) -> torch.Tensor:
        return torch.rand(n, generator=rng, device=device) < share

    def spread(*size: int) -> torch.Tensor:
        return torch.rand(n, *size, generator=rng, device=device)

    values = pictures.float() / 255
    for axis in (3, 4):
        values = torch.where(chance(0.5)[:, None, None, None, None], values.flip(axis), values)
    values = torch.where(chance(0.5)[:, None, None, None, None], values.transpose(3, 4), values)
    over = [3, 4, 5, 0, 1, 2, 6, 7, 8]
    values = torch.where(chance(0.5)[:, None, None, None, None], values[:, :, over], values)
    photos = values[:, :, :6].reshape(n, len(FIELDS), 2, 3, *values.shape[3:])
    grey = photos.mean(3, keepdim=True).expand_as(photos)
    photos = torch.where(chance(0.15)[:, None, None, None, None, None], grey, photos)
    turned = photos[:, :, :, torch.randperm(3, generator=rng, device=device)]
    photos = torch.where(chance(0.2)[:, None, None, None, None, None], turned, photos)
    gamma = torch.exp((spread(1, 1, 1, 1, 1) - 0.5) * 0.8)
    gain = torch.exp((spread(1, 1, 1, 3, 1, 1)[:, 0] - 0.5) * 0.3)
    photos = (photos.clamp(0, 1) ** gamma * gain).clamp(0, 1)
    values = torch.cat([photos.reshape(n, len(FIELDS), 6, *values.shape[3:]), values[:, :, 6:]], 2)
    return values - 0.5


def fitted(
    shown: Shown,
    *,
    seed: int,
    epochs: float = EPOCHS,
    device: str = "cpu",
    widths: Sequence[int] = WIDTHS,
    teachers: Sequence[Layers] = (),
) -> Layers:
    """Train a net on candidates; give the running mean of its weights.

    Parameters
    ----------
    shown
        Candidates; those that only graze a mover are left out.
    seed
        Of the first weights and of the order.
    epochs
        How often each candidate is seen on average.
    device
        Where to train.
    widths
        Channels that each layer gives; the program's if left out.
    teachers
        Trained nets whose mean answer to the same varied pictures counts as much as the labels.
    """
    torch.manual_seed(seed)
    torch.backends.cudnn.benchmark = True
    rng = torch.Generator(device).manual_seed(seed)
    keep = np.flatnonzero(shown.is_fitted)
    pictures = torch.from_numpy(shown.pictures[keep]).to(device)
    numbers = torch.from_numpy(shown.numbers[keep]).to(device)
    labels = torch.from_numpy(shown.is_mover[keep].astype(np.float32)).to(device)
    layers = Layers(numbers.mean(0), numbers.std(0) + 1e-6, widths=widths).to(device)
    mean = copy.deepcopy(layers)
    floats = [
        [one for one in net.state_dict().values() if one.is_floating_point()]
        for net in (mean, layers)
    ]
    n_steps = max(1, int(epochs * len(keep) / BATCH))
    optimizer = torch.optim.AdamW(layers.parameters(), lr=RATE, weight_decay=DECAY)
    rate = torch.optim.lr_scheduler.OneCycleLR(optimizer, RATE, total_steps=n_steps, pct_start=0.1)
    layers.train()
    for step in range(n_steps):
        picked = torch.randint(len(keep), (BATCH,), generator=rng, device=device)
        jitter = 0.1 * torch.randn(BATCH, N_NUMBERS, generator=rng, device=device) * layers.scale
        given = varied(pictures[picked], rng), numbers[picked] + jitter
        aim = labels[picked] * (1 - 2 * SMOOTHED) + SMOOTHED
        with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
            if teachers:
                with torch.no_grad():
                    said = torch.stack([teacher(*given).float() for teacher in teachers]).mean(0)
                    aim = (aim + torch.sigmoid(said)) / 2
            answer = layers(*given).float()
        loss = functional.binary_cross_entropy_with_logits(answer, aim)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        optimizer.step()
        rate.step()
        kept = min(AVERAGED, (step + 1) / (step + 10))
        with torch.no_grad():
            torch._foreach_lerp_(floats[0], floats[1], 1.0 - kept)
        if step % max(1, n_steps // 10) == 0:
            print(f"step {step} of {n_steps}: loss {loss.item():.4f}", flush=True)
    return mean.eval()


def false_table(net: MoverNet, still: Shown, n_pairs: int) -> tuple[F32, F32]:
    """Give scores, and how many candidates of a pair have more, (64,) each.

    Parameters
    ----------
    net
        Any table it has is not used.
    still
        Candidates of pairs in which nothing moved, pair after pair.
    n_pairs
        How many pairs that were, those without candidates too.

    Notes
    -----
    A candidate beside a surer one is left out, as the program leaves it out.
    """
    scores = net.scores(Patches(still.pictures, still.numbers))
    names: tuple[SeenOn, ...] = ("first", "second", "both")
    kept = []
    for number in np.unique(still.pair):
        places = np.flatnonzero(still.pair == number)
        boxes = [checked_box(still.boxes[place]) for place in places]
        seen_on = [names[int(still.side[place])] for place in places]
        alone = is_surest_about(boxes, seen_on, [float(scores[place]) for place in places])
        kept += [float(scores[place]) for place, one in zip(places, alone, strict=True) if one]
    falling = np.sort(kept)[::-1]
    ranks = np.geomspace(len(falling) - 0.5, SURE_RANK, N_LIMITS)
    limits = np.interp(ranks, np.arange(1, len(falling) + 1), falling)
    return limits.astype(np.float32), (ranks / n_pairs).astype(np.float32)


def main() -> None:
    """Draw, train, write."""
    parser = argparse.ArgumentParser(description="Train the mover net.")
    parser.add_argument("--pairs", type=int, default=N_PAIRS)
    parser.add_argument("--still", type=int, default=N_STILL)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--epochs", type=int, default=EPOCHS)
    parser.add_argument("--out", type=Path, default=WEIGHTS_FILE)
    options = parser.parse_args()
    begun = time.monotonic()
    grounds = ground_paths(photos_folder())
    shown = gather(
        range(FIT_SEED, FIT_SEED + options.pairs), grounds, n_processes=options.processes
    )
    still = [
        (
            gather(
                range(first, first + options.still), (), what=what, n_processes=options.processes
            ),
            options.still,
        )
        for what, first in (("held", STILL_SEED), ("stand", STAND_SEED))
    ]
    print(f"{len(shown.pair)} candidates, {time.monotonic() - begun:.0f} s")
    device = "cuda" if torch.cuda.is_available() else "cpu"
    teachers = [
        fitted(shown, seed=seed, epochs=options.epochs, device=device, widths=TEACHER_WIDTHS)
        for seed in TEACHER_SEEDS
    ]
    layers = fitted(shown, seed=SEED, epochs=options.epochs, device=device, teachers=teachers)
    write(layers, still, options.out)
    print(f"written after {time.monotonic() - begun:.0f} s")


def write(layers: Layers, still: Sequence[tuple[Shown, int]], path: Path) -> None:
    """Write a net with its tables: `still` from the hand and from a stand, each with its pairs."""
    tensors = tensors_of(layers)
    empty = np.ones((2, N_LIMITS), np.float32)
    net = MoverNet.of(as_kept(tensors) | {"limits": empty, "false": empty})
    tables = [false_table(net, shown, n_pairs) for shown, n_pairs in still]
    for place, name in enumerate(("limits", "false")):
        tensors[name] = np.stack([table[place] for table in tables])
    save_file(as_kept(tensors), path)


def as_kept(tensors: Mapping[str, F32]) -> dict[str, np.ndarray]:
    """Give tensors as they are written: the kernels at half precision."""
    return {
        name: tensor.astype(np.float16 if name.startswith("kernel") else np.float32)
        for name, tensor in tensors.items()
    }


if __name__ == "__main__":
    main()
