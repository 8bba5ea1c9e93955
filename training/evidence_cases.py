"""Drawn animals with what their crops say and what their other cues are made of.

A case is one drawn animal:

- *pair*: on two photos of a hand-held camera, with how far it went and what its body is like, both from
  outlines found on the photos;
- *burst*: 5 to 12 frames a second for about two steps of a leech, with camera shake; its gait is read from the
  frames as `pestvision clip` reads it, its body is outlined on three of them, and these are its crops;
- *glimpse*: three frames of a burst, nothing followed: to learn from what bodies in bursts are like, cheaply.

Each case also has a length in millimetres with a range of 12 %, drawn evenly over the logarithm of what is known
of its class.

What a class does in a drawing is what is known of it and no more: a real animal does other things as well.
"""

from __future__ import annotations

import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pestvision.arrays import box_iou
from pestvision.findings.clip import BODIES_S
from pestvision.findings.cues import MOVES, SIZE, TRACK, Cue
from pestvision.findings.evidence import SIZE_RANGES_MM, gait_cue, size_cue, track_cue
from pestvision.findings.track_cue import Between, between
from pestvision.motion.chase import Look, chase
from pestvision.motion.gait import read_gait
from pestvision.motion.trail import GaitReading
from pestvision.organisms.outline_net import find_outline, sure_of
from pestvision.size.outline import NoOutline
from pestvision.size.records import Length
from training.scenes.bursts import Shake, draw_burst
from training.scenes.pairs import draw_pair

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from pathlib import Path

    from pestvision.arrays import F64, U8, BoxXyxy
    from pestvision.motion.trail import Trail
    from pestvision.organisms.classify import Classifier
    from pestvision.size.records import BodyLine
    from training.scenes.records import DrawnBurst

MOVERS: Final = (
    "leech",
    "flatworm",
    "thin-worm",
    "snail",
    "limpet",
    "midge-larva",
    "small-crustacean",
)
STAYERS: Final = ("plant-or-debris", "hydra", "snail-eggs")
PAIR_SIZE: Final = (480, 640)
PAIR_LENGTH_PX: Final = (40.0, 140.0)
BURST_LENGTH_PX: Final = (50.0, 110.0)
BURST_SECONDS: Final = 12.5  # two steps of the slowest leech
RATES_HZ: Final = (5.0, 12.0)  # frames a second that are looked at: of quicker clips no more are
MOVING: Final = 0.8  # share of bursts of an animal that moves
N_CROPS: Final = 3
LEAST_FRAMES: Final = 20  # a burst ends where its animal leaves the picture
GLIMPSES_S: Final = (1.5, 3.1)  # between two of the three frames of a glimpse
BOX_ERROR: Final = 0.03  # of a glimpse's box, one standard deviation over its long side
LEAST_BOX_PX: Final = 4.0
MOST_ASTRAY: Final = 0.2  # a trail is the animal's where their boxes share so much, in the middle
LENGTH_ERROR: Final = 0.06  # one standard deviation of a length's logarithm
SIZES_MM: Final = {
    **SIZE_RANGES_MM,
    "snail": (1.0, 40.0),
    "limpet": (1.0, 8.0),
    "midge-larva": (2.0, 15.0),
    "snail-eggs": (3.0, 20.0),
    "plant-or-debris": (1.0, 60.0),
}
"""Millimetres from which lengths are drawn. Where the program knows nothing of a class: own assumptions."""


@dataclass(frozen=True, slots=True)
class Case:
    """One drawn animal, what its crops say, and what its cues are made of."""

    kind: str
    fine: str
    p_fine: tuple[float, ...]
    gait: dict[str, Any] | None = None
    between: dict[str, Any] | None = None
    length: dict[str, Any] | None = None
    is_rough: bool = False

    def cues(self, names: frozenset[str]) -> list[Cue]:
        """Give its cues of these names, as far as it has them."""
        found: list[Cue | None] = []
        if MOVES in names and self.gait is not None:
            found.append(gait_cue(_reading(self.gait)))
        if TRACK in names and self.between is not None:
            found.append(track_cue(Between(**self.between)))
        if SIZE in names and self.length is not None:
            found.append(size_cue(Length(**self.length)))
        return [cue for cue in found if cue is not None]


def _reading(kept: dict[str, Any]) -> GaitReading:
    return GaitReading(
        **{**kept, "p_gaits": tuple(kept["p_gaits"]), "reasons": tuple(kept["reasons"])}
    )


def draw_pair_case(seed: int) -> list[Case]:
    """Draw a pair with two movers that are on both photos, and give a case of each."""
    rng = np.random.default_rng(seed)
    fines = [str(rng.choice(MOVERS)) for _ in range(2)]
    pair = draw_pair(
        rng,
        height_px=PAIR_SIZE[0],
        width_px=PAIR_SIZE[1],
        movers=fines,
        length_px=PAIR_LENGTH_PX,
        come_or_go=0.0,
    )
    cases = []
    for mover in pair.movers:
        boxes = (mover.box_first_xyxy_px, mover.box_second_xyxy_px)
        if boxes[0] is None or boxes[1] is None:
            continue
        views = [(pair.first, boxes[0]), (pair.second, boxes[1])]
        went, is_rough = _went(views, pair.matrix)
        cases.append(
            Case(
                "pair",
                mover.fine,
                _looks(views),
                between=None if went is None else asdict(went),
                length=_length(rng, mover.fine),
                is_rough=is_rough,
            )
        )
    return cases


def _went(views: Sequence[tuple[U8, BoxXyxy]], matrix: F64) -> tuple[Between | None, bool]:
    """Say how it went, and whether an outline was rough; None where one was not found at all."""
    bodies, is_rough = _bodies(views)
    if len(bodies) < len(views):
        return None, is_rough
    middles = [np.array([0.5 * (b[0] + b[2]), 0.5 * (b[1] + b[3]), 1.0]) for _rgb, b in views]
    carried = matrix @ middles[0]
    gone_px = float(np.hypot(*(middles[1][:2] - carried[:2] / carried[2])))
    long_px = max(max(b[2] - b[0], b[3] - b[1]) for _rgb, b in views)
    return between(gone_px / long_px, bodies), is_rough


def _bodies(views: Sequence[tuple[U8, BoxXyxy]]) -> tuple[list[BodyLine], bool]:
    """Outline an animal on each picture, and say whether one of the outlines is rough or missing."""
    found = [find_outline(rgb, box) for rgb, box in views]
    outlines = [item.rough if isinstance(item, NoOutline) else item for item in found]
    is_rough = any(isinstance(item, NoOutline) for item in found)
    return [item.body_line() for item in outlines if item is not None], is_rough


def draw_burst_case(seed: int) -> list[Case]:
    """Draw a burst of one animal, follow it, read its gait, and give a case; none if it left at once."""
    rng = np.random.default_rng(seed)
    fine = str(rng.choice(MOVERS)) if rng.random() < MOVING else str(rng.choice(STAYERS))
    rate_hz = float(rng.uniform(*RATES_HZ))
    burst = draw_burst(
        rng,
        fine,
        n=round(BURST_SECONDS * rate_hz),
        interval_s=1 / rate_hz,
        length_px=float(rng.uniform(*BURST_LENGTH_PX)),
        shake=Shake(),
    )
    if len(burst.frames) < LEAST_FRAMES:
        return []
    trail = _followed(burst)
    boxes = [frame.truth.box_xyxy_px for frame in burst.frames]
    chosen = np.linspace(0, len(boxes) - 1, N_CROPS + 2)[1:-1].round().astype(int)
    if trail is not None:
        boxes = [
            tuple(found.tolist()) if np.isfinite(found).all() else box
            for found, box in zip(trail.boxes_xyxy_px, boxes, strict=False)
        ]
    reading = None if trail is None else read_gait(trail)
    views = [(burst.frames[at].rgb, boxes[min(at, len(boxes) - 1)]) for at in chosen]
    bodies, is_rough = _bodies(views)
    seconds = burst.frames[chosen[-1]].time_s - burst.frames[chosen[0]].time_s
    built = between(None, bodies) if seconds >= BODIES_S else None
    return [
        Case(
            "burst",
            fine,
            _looks(views),
            gait=None if reading is None else asdict(reading),
            between=None if built is None else asdict(built),
            length=_length(rng, fine),
            is_rough=is_rough,
        )
    ]


def draw_glimpse_case(seed: int) -> list[Case]:
    """Draw three frames of a burst of one animal, seconds apart, and give a case without a gait."""
    rng = np.random.default_rng(seed)
    fine = str(rng.choice(MOVERS)) if rng.random() < MOVING else str(rng.choice(STAYERS))
    burst = draw_burst(
        rng,
        fine,
        n=N_CROPS,
        interval_s=float(rng.uniform(*GLIMPSES_S)),
        length_px=float(rng.uniform(*BURST_LENGTH_PX)),
        shake=Shake(),
    )
    if len(burst.frames) < 2:
        return []
    views = [(frame.rgb, _about(rng, frame.truth.box_xyxy_px, frame.rgb)) for frame in burst.frames]
    bodies, is_rough = _bodies(views)
    built = between(None, bodies)
    return [
        Case(
            "glimpse",
            fine,
            _looks(views),
            between=None if built is None else asdict(built),
            length=_length(rng, fine),
            is_rough=is_rough,
        )
    ]


def _about(rng: np.random.Generator, box: BoxXyxy, rgb: U8) -> BoxXyxy:
    """Give a box a little off, as one is that was followed."""
    height, width = rgb.shape[:2]
    long_px = max(box[2] - box[0], box[3] - box[1])
    x0, y0, x1, y1 = (float(v) for v in np.array(box) + rng.normal(0, BOX_ERROR * long_px, 4))
    x0, y0, x1, y1 = max(0.0, x0), max(0.0, y0), min(float(width), x1), min(float(height), y1)
    return box if min(x1 - x0, y1 - y0) < LEAST_BOX_PX else (x0, y0, x1, y1)


def _followed(burst: DrawnBurst) -> Trail | None:
    """Follow the animal of a burst: the trail that lies nearest to it where it was first seen."""
    looks = [Look(frame.time_s, frame.rgb) for frame in burst.frames]
    truth = {frame.time_s: frame.truth.box_xyxy_px for frame in burst.frames}
    chased = chase(looks, marks=lambda held: [(0, truth[held[0].time_s])], sure=sure_of)
    best, nearest = None, MOST_ASTRAY
    for trail in chased.trails:
        shared = [
            box_iou(tuple(box), frame.truth.box_xyxy_px)
            for box, frame in zip(trail.boxes_xyxy_px.tolist(), burst.frames, strict=False)
            if np.isfinite(box).all()
        ]
        if shared and float(np.median(shared)) > nearest:
            best, nearest = trail, float(np.median(shared))
    return best


def _length(rng: np.random.Generator, fine: str) -> dict[str, Any]:
    low, high = SIZES_MM[fine]
    true = np.exp(rng.uniform(np.log(low), np.log(high)))
    told = float(true * np.exp(rng.normal(0.0, LENGTH_ERROR)))
    wide = float(np.exp(1.96 * LENGTH_ERROR))
    return asdict(Length(told, told / wide, told * wide))


@cache
def _classifier() -> Classifier:
    from pestvision.organisms.classify import Classifier

    return Classifier.load()


def _looks(views: Iterable[tuple[U8, BoxXyxy]]) -> tuple[float, ...]:
    """Give what the crops say together, as `findings.judge` joins them: the mean of the logarithms."""
    from pestvision.organisms.crops import cut_crop

    scores = _classifier().classify([cut_crop(rgb, box) for rgb, box in views])
    logs = np.mean([np.log(np.clip(item.p_fine, 1e-9, None)) for item in scores], axis=0)
    p = np.exp(logs - logs.max())
    return tuple(float(value) for value in p / p.sum())


def draw_cases(draw: Callable[[int], list[Case]], seeds: Sequence[int], *, jobs: int) -> list[Case]:
    """Draw the cases of many seeds, in worker processes where `jobs` is over 1."""
    if jobs <= 1:
        return [case for seed in seeds for case in draw(seed)]
    with ProcessPoolExecutor(jobs) as pool:
        return [case for found in pool.map(draw, seeds, chunksize=1) for case in found]


def write_cases(cases: Sequence[Case], path: Path) -> None:
    """Write cases as JSON Lines."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("".join(json.dumps(asdict(case)) + "\n" for case in cases), encoding="utf-8")


def read_cases(path: Path) -> list[Case]:
    """Read what `write_cases` wrote."""
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    return [Case(**{**row, "p_fine": tuple(row["p_fine"])}) for row in rows]
