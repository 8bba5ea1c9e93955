"""Train the outline net on drawn animals, and on real ones laid on other grounds.

    python -m training.outline_train --real PACK [--minutes N] [--processes N] [--out FOLDER]

Windows are drawn by processes while the net learns from those there are. Writes the weights, with the
norms folded in, as outline_net.safetensors, and prints how it does on windows it has not seen. `PACK` is
written by `python -m training.outline_data`.
"""

from __future__ import annotations

import argparse
import copy
import multiprocessing
import os
import threading
import time
from functools import partial
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
import torch
from safetensors.torch import save_file
from torch import nn
from torch.nn import functional

from pestvision.errors import ShapeError
from pestvision.organisms.outline_net import SEEN_PX, build_outline_net
from pestvision.size.midline import midline_of
from training.outline_data import as_input, draw, read_pack, window_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from pestvision.arrays import F64, U8

FIT_SEED, TOLD_SEED = 5_000_000, 4_900_000
N_TOLD = 600  # windows the net has not seen, by which it is told how it does
MOST = 200_000  # windows kept at once: 16 GB
BATCH = 128
RATE = 3e-3
DECAY = 0.01
AVERAGED = 0.998  # share of the running mean of the weights that each step keeps
FIRST = 2_000  # windows there must be before it begins
AHEAD = 40.0  # times each window is seen at most before more are waited for


def _some(seeds: range, *, real: Path | None) -> tuple[U8, U8]:
    """Draw windows: (n, 128, 128, 4) and (n, 128, 128)."""
    cv2.setNumThreads(1)
    torch.set_num_threads(1)
    packed = None if real is None else read_pack(real)
    windows = [window_of(draw(seed, packed)) for seed in seeds]
    return np.stack([w.picture for w in windows]), np.stack([w.truth for w in windows])


class Store:
    """Windows as they come, in one block of memory each."""

    def __init__(self, most: int) -> None:
        self.pictures = np.empty((most, SEEN_PX, SEEN_PX, 4), np.uint8)
        self.truths = np.empty((most, SEEN_PX, SEEN_PX), np.uint8)
        self.n = 0

    def take(self, parts: Iterator[tuple[U8, U8]], stop: threading.Event) -> None:
        """Take windows until told to stop, or full."""
        for pictures, truths in parts:
            n = min(len(pictures), len(self.pictures) - self.n)
            self.pictures[self.n : self.n + n] = pictures[:n]
            self.truths[self.n : self.n + n] = truths[:n]
            self.n += n
            if stop.is_set() or self.n == len(self.pictures):
                return


def varied(
    pictures: torch.Tensor, truths: torch.Tensor, rng: torch.Generator
) -> tuple[torch.Tensor, torch.Tensor]:
    """Vary a batch of uint8 windows: turned, mirrored, light and colour. Gives floats as the net takes them."""
    n, device = len(pictures), pictures.device

    def chance(share: float) -> torch.Tensor:
        return torch.rand(n, generator=rng, device=device) < share

    values = torch.cat([pictures.permute(0, 3, 1, 2), truths[:, None]], 1).float() / 255
    for axis in (2, 3):
        values = torch.where(chance(0.5)[:, None, None, None], values.flip(axis), values)
    values = torch.where(chance(0.5)[:, None, None, None], values.transpose(2, 3), values)
    rgb, box, truth = values[:, :3], values[:, 3:4], values[:, 4]
    grey = rgb.mean(1, keepdim=True).expand_as(rgb)
    rgb = torch.where(chance(0.12)[:, None, None, None], grey, rgb)
    other = rgb[:, torch.randperm(3, generator=rng, device=device)]
    rgb = torch.where(chance(0.15)[:, None, None, None], other, rgb)
    spread = torch.rand(n, 4, 1, 1, generator=rng, device=device) - 0.5
    rgb = rgb.clamp(1e-3, 1) ** torch.exp(spread[:, 3:] * 0.9) * torch.exp(spread[:, :3] * 0.35)
    noise = torch.randn(rgb.shape, generator=rng, device=device) * 0.02
    rgb = torch.where(chance(0.3)[:, None, None, None], rgb + noise, rgb).clamp(0, 1)
    return torch.cat([rgb, box], 1) - 0.5, truth


def loss_of(odds: torch.Tensor, truth: torch.Tensor) -> torch.Tensor:
    """Give the loss: cross-entropy of the pixels, and what is missing of the overlap."""
    sure = torch.sigmoid(odds)
    shared = (sure * truth).sum((1, 2))
    overlap = (2 * shared + 1) / (sure.sum((1, 2)) + truth.sum((1, 2)) + 1)
    return functional.binary_cross_entropy_with_logits(odds, truth) + (1 - overlap).mean()


def fitted(store: Store, *, until: float, device: str) -> nn.Module:
    """Fit a net to the windows as they come, until a time of `time.monotonic`."""
    torch.manual_seed(0)
    rng = torch.Generator(device).manual_seed(0)
    net = build_outline_net(with_norms=True).to(device).to(memory_format=torch.channels_last)
    mean = copy.deepcopy(net)
    optimizer = torch.optim.AdamW(net.parameters(), lr=RATE, weight_decay=DECAY)
    start, last = time.monotonic(), 0.0
    picks = np.random.default_rng(0)
    step = 0
    while (now := time.monotonic()) < until:
        if step * BATCH > AHEAD * store.n:
            time.sleep(0.1)
            continue
        done = (now - start) / max(until - start, 1e-9)
        for group in optimizer.param_groups:
            warm = min(1.0, (step + 1) / 200)
            group["lr"] = RATE * warm * (0.5 + 0.5 * float(np.cos(np.pi * min(done, 1.0))))
        chosen = picks.integers(0, store.n, BATCH)
        pictures = torch.from_numpy(store.pictures[chosen]).to(device, non_blocking=True)
        truths = torch.from_numpy(store.truths[chosen]).to(device, non_blocking=True)
        given, truth = varied(pictures, truths, rng)
        kind = "cuda" if device.startswith("cuda") else "cpu"
        with torch.autocast(kind, torch.bfloat16, enabled=kind == "cuda"):
            odds = net(given.contiguous(memory_format=torch.channels_last))
        loss = loss_of(odds.float(), truth)
        optimizer.zero_grad(set_to_none=True)
        torch.autograd.backward(loss)
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimizer.step()
        _draw_nearer(mean, net, share=min(AVERAGED, step / (step + 10)))
        step += 1
        if now - last > 20:
            last = now
            print(f"{now - start:5.0f} s, step {step}, {store.n} windows, loss {loss.item():.4f}", flush=True)  # fmt: skip
    return mean


def _draw_nearer(mean: nn.Module, net: nn.Module, *, share: float) -> None:
    """Move a running mean of the weights and of the norms' own means nearer to a net."""
    with torch.no_grad():
        given = net.state_dict()
        for name, value in mean.state_dict().items():
            if value.is_floating_point():
                value.mul_(share).add_(given[name], alpha=1 - share)


def folded(net: nn.Module) -> dict[str, torch.Tensor]:
    """Give a trained net's tensors as the program takes them: the norms within the kernels."""
    found: dict[str, torch.Tensor] = {}
    for name, part in net.named_modules():
        if not isinstance(part, nn.Sequential) or not isinstance(part[0], nn.Conv2d):
            continue
        conv, norm = part[0], part[1]
        if not isinstance(norm, nn.BatchNorm2d):
            continue
        if norm.running_var is None or norm.running_mean is None:
            raise ShapeError("norm", expected="running means", actual="none")
        gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)
        found[f"{name}.0.weight"] = conv.weight * gain[:, None, None, None]
        found[f"{name}.0.bias"] = norm.bias - norm.running_mean * gain
    found |= {name: value for name, value in net.named_parameters() if name.startswith("last.")}
    return {
        name: value.detach().to("cpu", torch.float16).contiguous() for name, value in found.items()
    }


def told(tensors: Mapping[str, torch.Tensor], pictures: U8, truths: U8) -> dict[str, float]:
    """Tell how a net does on windows: overlap, and the error of the length along the midline."""
    net = build_outline_net()
    net.load_state_dict({name: value.float() for name, value in tensors.items()})
    net.eval()
    overlaps, errors = [], []
    for start in range(0, len(pictures), 50):
        with torch.inference_mode():
            odds = net(torch.from_numpy(as_input(pictures[start : start + 50])))
        for one, truth in zip(odds.numpy() > 0, truths[start : start + 50] > 127, strict=True):
            either = int((one | truth).sum())
            overlaps.append((one & truth).sum() / either if either else 0.0)
            found, true = midline_of(one), midline_of(truth)
            if true is not None:
                length = 0.0 if found is None else found.length_px
                errors.append(abs(length / true.length_px - 1))
    quantiles: F64 = np.quantile(errors, [0.5, 0.95])
    return {
        "overlap, median": float(np.median(overlaps)),
        "overlap, tenth": float(np.quantile(overlaps, 0.1)),
        "length error, median": float(quantiles[0]),
        "length error, 95th": float(quantiles[1]),
    }


def main() -> None:
    """Draw, train, tell, write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--real", type=Path, default=None)
    parser.add_argument("--minutes", type=float, default=8.5)
    parser.add_argument("--processes", type=int, default=os.cpu_count() or 2)
    parser.add_argument("--told", type=int, default=N_TOLD)
    parser.add_argument("--out", type=Path, default=Path(os.environ.get("OUT", ".")))
    args = parser.parse_args()
    until = time.monotonic() + 60 * args.minutes
    device = "cuda" if torch.cuda.is_available() else "cpu"
    ask = partial(_some, real=args.real)
    stop = threading.Event()
    with multiprocessing.get_context("spawn").Pool(args.processes) as pool:
        told_seeds = [range(s, s + 20) for s in range(TOLD_SEED, TOLD_SEED + args.told, 20)]
        parts = pool.map(ask, told_seeds, chunksize=1)
        held = tuple(np.concatenate([part[i] for part in parts]) for i in (0, 1))
        print(f"{len(held[0])} windows to be told by are drawn", flush=True)
        store = Store(MOST if device == "cuda" else 4_000)
        blocks = (range(s, s + 16) for s in count(FIT_SEED, 16))
        comes = pool.imap_unordered(ask, _in_step(blocks, store, stop), chunksize=1)
        taker = threading.Thread(target=store.take, args=(comes, stop), daemon=True)
        taker.start()
        least = FIRST if device == "cuda" else 64
        while store.n < least:
            time.sleep(0.2)
        net = fitted(store, until=until, device=device)
        stop.set()
        pool.terminate()
    tensors = folded(net)
    args.out.mkdir(parents=True, exist_ok=True)
    save_file(tensors, args.out / "outline_net.safetensors")
    print(f"{store.n} windows; {told(tensors, *held)}", flush=True)


def _in_step(blocks: Iterator[range], store: Store, stop: threading.Event) -> Iterator[range]:
    """Hand out seeds not much faster than windows come back: a pool takes all it is offered."""
    given = 0
    for block in blocks:
        while given > store.n + 8_000 and not stop.is_set():
            time.sleep(0.05)
        if stop.is_set() or given >= len(store.pictures) + 8_000:
            return
        given += len(block)
        yield block


if __name__ == "__main__":
    main()
