"""A coin as a scale: kinds of coins, round things that may be one, and the scale that one gives.

A coin's kind is never guessed: the person names it, and confirms which round thing it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.errors import ScaleError
from pestvision.size.records import COIN, MAX_TILT_DEG, NoScale, Scale
from pestvision.size.ring_fit import LEAST_SUPPORT
from pestvision.size.round_thing import RoundThing
from pestvision.size.rounds import find_rounds

if TYPE_CHECKING:
    from pestvision.arrays import F64, U8

__all__ = ["COINS", "NOT_ROUND", "CoinKind", "RoundThing", "coin_scale", "find_coins"]


@dataclass(frozen=True, slots=True)
class CoinKind:
    """One kind of round coin: its name, diameter and, where it is known, thickness."""

    name: str
    diameter_mm: float
    thickness_mm: float | None = None


# Euro: Council Regulation (EC) 975/98, now (EU) 729/2014. US: the US Mint's page of specifications.
# UK: secondary sources; the Royal Mint's own page was not at hand.
COINS: Final = {
    "euro-1-cent": CoinKind("1 euro cent", 16.25, 1.67),
    "euro-2-cent": CoinKind("2 euro cent", 18.75, 1.67),
    "euro-5-cent": CoinKind("5 euro cent", 21.25, 1.67),
    "euro-10-cent": CoinKind("10 euro cent", 19.75, 1.93),
    "euro-20-cent": CoinKind("20 euro cent", 22.25, 2.14),
    "euro-50-cent": CoinKind("50 euro cent", 24.25, 2.38),
    "euro-1": CoinKind("1 euro", 23.25, 2.33),
    "euro-2": CoinKind("2 euro", 25.75, 2.20),
    "us-cent": CoinKind("US cent", 19.05, 1.52),
    "us-nickel": CoinKind("US nickel (5 cents)", 21.21, 1.95),
    "us-dime": CoinKind("US dime (10 cents)", 17.91, 1.35),
    "us-quarter": CoinKind("US quarter (25 cents)", 24.26, 1.75),
    "us-half-dollar": CoinKind("US half dollar", 30.61),
    "us-dollar": CoinKind("US dollar", 26.49),
    "uk-1p": CoinKind("UK 1p", 20.3),
    "uk-2p": CoinKind("UK 2p", 25.9),
    "uk-5p": CoinKind("UK 5p", 18.0),
    "uk-10p": CoinKind("UK 10p", 24.5),
    "uk-2-pounds": CoinKind("UK £2", 28.4),
}
"""The round coins that can be named."""

NOT_ROUND: Final = {"uk-20p": ("UK 20p", 7), "uk-50p": ("UK 50p", 7), "uk-1-pound": ("UK £1", 12)}
"""Coins that are no circle, and how many sides they have."""

USUAL_THICKNESS_MM: Final = 1.9
"""Of coins whose thickness is not given: the middle of those that are."""

USUAL_FOCAL: Final = 1.0
"""Focal length over the long side of a whole photo, from which the camera's distance is guessed.

Phones' main cameras have .7 to 1.5 (from memory). A photo that was cut, or one taken with zoom, is off.
"""

FACE_NEARER_SD: Final = 0.5
"""One standard deviation of what the face's height does to a length, over what it is taken to do."""

LEAST_NEARER_SD: Final = 0.004
MOST_NEARER: Final = 0.03
"""Bounds: of that standard deviation, and of the correction (a coin 6 cm from the lens)."""

FIT_SD: Final = 0.015
"""Least error of a coin's size on a photo, over its size, whatever the scatter of its edge.

Part of the edge found may be that of the coin's side or shadow. Measured on drawn tables (`python -m training.coin_exam`).
"""

LOOK_ALIKE: Final = 0.12
"""Coins of one currency whose diameters differ by less are named, with what mistaking them would do."""

OUT_OF_THE_TANK: Final = (
    "Keep coins out of the water that animals live in: many hold copper, and copper kills snails. Lay it "
    "beside the dish, or hold it flat against the outside of the glass."
)
"""Shown wherever a coin is offered or taken as a scale. That copper kills snails is sourced in the card of
advice on copper."""

LIES_BESIDE: Final = (
    "The coin must lie flat beside the animal, on the same surface: lengths nearer to the camera come "
    "out too large, those farther away too small."
)


def find_coins(rgb: U8, *, most: int = 6) -> tuple[RoundThing, ...]:
    """Find round things that may be a coin, the likeliest first; each is for a person to confirm.

    Nothing that the frame cuts, that something else covers in good part, or whose edge is no ellipse
    is offered. A round lid or a bubble may be.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8.
    most
        How many are given at most.
    """
    return find_rounds(rgb, most=most)


def coin_scale(thing: RoundThing, kind: str) -> Scale | NoScale:
    """Give the scale of a round thing that a person says is a coin of a kind.

    The long axis of the ellipse is the diameter; its ratio to the short one gives the tilt, which is
    undone by stretching the short axis back.

    Parameters
    ----------
    thing
        As found by `find_coins`.
    kind
        A key of `COINS`.

    Returns
    -------
    Scale
        Of the plane of the coin.
    NoScale
        If it is tilted beyond 30° or too little of its edge was seen.

    Raises
    ------
    ScaleError
        If no such coin is known, or the coin is not round.
    """
    coin = named_coin(kind)
    tilt = float(np.rad2deg(np.arccos(min(1.0, thing.axis_ratio))))
    if tilt > MAX_TILT_DEG:
        return NoScale(
            f"The coin is seen at a slant of {tilt:.0f}°; beyond {MAX_TILT_DEG:.0f}° lengths are not "
            "to be trusted. Hold the camera square above the coin and take the photo again."
        )
    if thing.support < LEAST_SUPPORT:
        return NoScale(
            "Too little of the coin's edge can be seen to take its size. Lay it clear of everything "
            "else, on a ground that it stands out from."
        )
    fit = float(np.hypot(thing.axis_sd_px / thing.semi_axes_px[0], FIT_SD))
    nearer = face_nearer(thing, coin)
    return Scale(
        kind=COIN,
        to_mm=_undone(thing, coin.diameter_mm * (1 + nearer)),
        relative_sd=float(np.hypot(fit, max(LEAST_NEARER_SD, FACE_NEARER_SD * nearer))),
        outline_xy_px=thing.outline_xy_px(),
        tilt_deg=tilt,
        notes=(
            f"The coin is taken for {_with_article(coin.name)}, {coin.diameter_mm:g} mm across.",
            *look_alikes(kind),
            OUT_OF_THE_TANK,
            LIES_BESIDE,
            (
                f"The coin's face lies a little nearer to the camera than what lies beside it; {nearer:.1%} "
                "is added to lengths for that, as for a phone's usual lens and a photo that was not cut."
            ),
        ),
    )


def face_nearer(thing: RoundThing, coin: CoinKind) -> float:
    """Guess by what share lengths beside a coin come out too small, its face being nearer to the lens.

    That is thickness over distance: 1.67 mm at 200 mm makes .8 %. The distance is guessed from how
    large the coin is on the photo, taking a phone's usual lens for granted.
    """
    thickness = coin.thickness_mm or USUAL_THICKNESS_MM
    distance = USUAL_FOCAL * max(thing.frame_px) * coin.diameter_mm / (2 * thing.semi_axes_px[0])
    return float(min(thickness / distance, MOST_NEARER))


def named_coin(kind: str) -> CoinKind:
    """Give the coin of a name.

    Raises
    ------
    ScaleError
        If it is not known or not round.
    """
    if kind in NOT_ROUND:
        name, sides = NOT_ROUND[kind]
        raise ScaleError(
            f"{_with_article(name).capitalize()} was named, and that coin is not round: it has "
            f"{sides} sides.",
            advice="Take a round coin, such as a UK 1p, 2p, 5p, 10p or £2.",
        )
    if kind not in COINS:
        raise ScaleError(
            f"No coin called {kind!r} is known.", advice=f"Name one of these: {', '.join(COINS)}."
        )
    return COINS[kind]


def look_alikes(kind: str) -> tuple[str, ...]:
    """Give a sentence for each coin of the same currency that this one may be mistaken for."""
    coin, currency = COINS[kind], kind.split("-", maxsplit=1)[0]
    sentences = []
    for other_kind, other in COINS.items():
        off = other.diameter_mm / coin.diameter_mm - 1
        if other_kind == kind or other_kind.split("-")[0] != currency or abs(off) > LOOK_ALIKE:
            continue
        share = 100 * abs(coin.diameter_mm / other.diameter_mm - 1)
        way = "too small" if off > 0 else "too large"
        sentences.append(
            f"If it is {_with_article(other.name)} instead, lengths are {share:.1f} % {way}."
        )
    return tuple(sentences)


def _with_article(name: str) -> str:
    return f"a {name}"


def _undone(thing: RoundThing, diameter_mm: float) -> F64:
    """Give the matrix to millimetres about the coin's middle, the short axis stretched back."""
    long, short = thing.semi_axes_px
    cosine, sine = np.cos(thing.angle_rad), np.sin(thing.angle_rad)
    turn = np.array([[cosine, sine], [-sine, cosine]])
    stretch = np.diag([diameter_mm / (2 * long), diameter_mm / (2 * short)])
    linear = turn.T @ stretch @ turn
    shift = -linear @ np.asarray(thing.centre_xy_px)
    return np.vstack([np.column_stack([linear, shift]), [0.0, 0.0, 1.0]])
