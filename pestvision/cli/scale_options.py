"""The options that say what a photo's scale is taken from, and the scale itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from pestvision.cli.answers import UsageError, complain
from pestvision.cli.given import parsed_number
from pestvision.errors import UnreadablePhotoError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pestvision.arrays import U8
    from pestvision.findings.finding import PhotoCheck
    from pestvision.findings.sizes import ViewScale
    from pestvision.settings import Settings
    from pestvision.size.coin import RoundThing
    from pestvision.size.records import NoScale, Scale

CARD, COIN, RULER, POINTS = "--scale-card", "--coin", "--ruler", "--two-points"
BY_ITSELF: Final = "auto"
MOST_ROUND: Final = 6  # round things that are listed: more are no help

TwoPointsOption = Annotated[
    str | None,
    typer.Option(
        "--two-points",
        metavar="X0,Y0,X1,Y1,MM",
        help="Take the scale from two places on the photo, in pixels, and the millimetres between them.",
    ),
]
ScaleCardOption = Annotated[
    bool,
    typer.Option("--scale-card", help="Take the scale from the printed card (see scale-card)."),
]
BarOption = Annotated[
    str | None,
    typer.Option(
        "--bar-mm",
        metavar="MM",
        help="What the bar on the printed card measures by a ruler; lengths are then surer.",
    ),
]
CoinOption = Annotated[
    str | None,
    typer.Option(
        "--coin",
        metavar="KIND",
        help=(
            "Take the scale from a coin of this kind, such as euro-1-cent, us-cent or uk-1p. Keep coins "
            "out of the tank: copper kills snails."
        ),
    ),
]
CoinNumberOption = Annotated[
    str | None,
    typer.Option(
        "--coin-number",
        metavar="NUMBER",
        help="Which of several round things is the coin, as they were listed.",
    ),
]
RulerOption = Annotated[
    str | None,
    typer.Option(
        "--ruler",
        metavar="MM",
        help="Take the scale from a ruler's ticks, so many mm apart, or auto to tell that from the ruler.",
    ),
]
ScalePhotoOption = Annotated[
    str | None,
    typer.Option(
        "--scale-photo",
        metavar="NAME",
        help="The photo in the folder that shows the scale; by default the first, with two points only.",
    ),
]


@dataclass(frozen=True, slots=True)
class WantedScale:
    """What a scale is to be taken from, as typed: `kind` is its option, the rest goes with it."""

    kind: str
    points: tuple[float, float, float, float, float] | None = None
    bar_mm: float | None = None
    coin: str | None = None
    coin_number: int | None = None
    tick_mm: float | None = None

    def on(self, rgb: U8) -> Scale | NoScale:
        """Take it from a photo.

        Parameters
        ----------
        rgb
            (H, W, 3) uint8, upright.

        Raises
        ------
        ScaleError
            If what was typed cannot be.
        """
        if self.points is not None:
            return _between(self.points, rgb)
        if self.kind == CARD:
            from pestvision.size.marker_card import find_marker_card

            return find_marker_card(rgb, bar_mm=self.bar_mm)
        if self.kind == RULER:
            from pestvision.size.ruler import find_ruler

            return find_ruler(rgb, tick_mm=self.tick_mm)
        return _coin_on(rgb, str(self.coin), self.coin_number)


def wanted_scale(
    *,
    two_points: str | None,
    scale_card: bool,
    bar_mm: str | None,
    coin: str | None,
    coin_number: str | None,
    ruler: str | None,
) -> WantedScale | None:
    """Read the options; None where none was typed.

    Raises
    ------
    UsageError
        If one cannot be read, or several kinds of scale were asked for.
    ScaleError
        If no such coin is known.
    """
    asked = {
        POINTS: two_points is not None,
        CARD: scale_card or bar_mm is not None,
        COIN: coin is not None,
        RULER: ruler is not None,
    }
    names = [name for name, is_asked in asked.items() if is_asked]
    if len(names) > 1:
        raise UsageError(
            f"A photo's scale is taken from one thing, and {' and '.join(names)} were given.",
            advice="Keep the surest: the printed card, then a ruler, a coin, two points.",
        )
    if coin_number is not None and coin is None:
        raise UsageError(
            "--coin-number says which round thing is the coin, and no coin was named.",
            advice="Write it with --coin, like this: --coin euro-1-cent --coin-number 2",
        )
    if two_points is not None:
        return WantedScale(POINTS, points=parsed_points(two_points))
    if coin is not None:
        from pestvision.size.coin import named_coin

        named_coin(coin)
        rank = None if coin_number is None else parsed_number(coin_number, "--coin-number", most=99)
        return WantedScale(COIN, coin=coin, coin_number=rank)
    if ruler is not None:
        tick = None if ruler.strip().lower() == BY_ITSELF else _millimetres(ruler, "--ruler")
        return WantedScale(RULER, tick_mm=tick)
    if names:
        bar = None if bar_mm is None else _millimetres(bar_mm, "--bar-mm")
        return WantedScale(CARD, bar_mm=bar)
    return None


def require_one_photo(wanted: WantedScale | None, *, n_photos: int) -> None:
    """Make sure that places on a photo were not typed for several.

    Raises
    ------
    UsageError
        If they were.
    """
    if wanted is None or n_photos == 1:
        return
    for name, is_typed in (
        ("--two-points", wanted.points is not None),
        ("--coin-number", wanted.coin_number is not None),
    ):
        if is_typed:
            raise UsageError(
                f"{name} is of a single photo, and {n_photos} were given.",
                advice=f"Give one photo with {name}.",
            )


def with_reason(answer: PhotoCheck, missing: NoScale) -> PhotoCheck:
    """Put to a checked photo why it has no lengths."""
    return replace(answer, notes=(*answer.notes, f"No lengths are given. {missing.reason}"))


def scale_of_night(
    folder: Path, wanted: WantedScale | None, photo_name: str | None, *, settings: Settings
) -> Scale | ViewScale | None:
    """Take the scale of a night from one of its photos; where it has none, say why and go on without.

    Raises
    ------
    UsageError
        If the photo has to be named and is not, or is named for nothing.
    PhotoError
        If it cannot be read.
    ScaleError
        If what was typed cannot be.
    """
    from pestvision.findings.sizes import ViewScale
    from pestvision.photos.read import read_photo
    from pestvision.size.records import NoScale

    if wanted is None:
        if photo_name is None:
            return None
        raise UsageError(
            "--scale-photo names the photo that shows the scale, and no scale was named.",
            advice="Add --scale-card, --coin, --ruler or --two-points.",
        )
    if photo_name is None:
        if wanted.points is not None:
            return _between(wanted.points, None)
        raise UsageError(
            "A scale is to be looked for on a photo of the night, and which photo was not said.",
            advice="Name it, as its path within the folder: --scale-photo IMG_0001.jpg",
        )
    path = folder / photo_name
    if Path(photo_name).is_absolute() or ".." in Path(photo_name).parts:
        raise UnreadablePhotoError(
            f"--scale-photo was given as '{photo_name}', and a photo in {folder} was expected.",
            advice="Give its path within the folder.",
        )
    found = wanted.on(read_photo(path, settings=settings.photos).rgb)
    if isinstance(found, NoScale):
        complain(f"No lengths are given: on {photo_name} no scale was found. {found.reason}")
        return None
    return ViewScale(Path(photo_name).as_posix(), found)


def parsed_points(text: str) -> tuple[float, float, float, float, float]:
    """Read two places and the millimetres between them.

    Raises
    ------
    UsageError
        If it is not five numbers, or one is below 0.
    """
    try:
        x0, y0, x1, y1, mm = (float(part) for part in text.split(","))
    except ValueError:
        x0 = y0 = x1 = y1 = mm = float("nan")
    if not all(0 <= value < float("inf") for value in (x0, y0, x1, y1, mm)):
        raise UsageError(
            f"--two-points was given as '{text}', and five numbers with commas were expected: left and "
            "top of the one place, of the other, and the millimetres between them.",
            advice="Write it like this: --two-points 120,340,560,352,20",
        )
    return (x0, y0, x1, y1, mm)


def _millimetres(text: str, name: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not 0 < value < float("inf"):
        also = f", or {BY_ITSELF}," if name == "--ruler" else ""
        raise UsageError(
            f"{name} was given as '{text}', and a number of millimetres over 0{also} was expected.",
            advice=f"Write it like this: {name} {'1' if name == '--ruler' else '99.5'}",
        )
    return value


def _between(points: tuple[float, float, float, float, float], rgb: U8 | None) -> Scale:
    from pestvision.size.scale import two_points

    x0, y0, x1, y1, mm = points
    if rgb is not None and (max(x0, x1) > rgb.shape[1] or max(y0, y1) > rgb.shape[0]):
        raise UsageError(
            f"--two-points names a place off the photo, which is {rgb.shape[1]} pixels wide and "
            f"{rgb.shape[0]} high.",
            advice="Give two places on the photo, in pixels of the upright photo.",
        )
    return two_points((x0, y0), (x1, y1), mm)


def _coin_on(rgb: U8, kind: str, number: int | None) -> Scale | NoScale:
    from pestvision.size.coin import coin_scale, find_coins
    from pestvision.size.records import NoScale

    things = find_coins(rgb, most=MOST_ROUND)
    if not things:
        return NoScale(
            "No round thing that may be the coin was found. Let it lie flat, whole and sharp on the photo, "
            "on a ground that it stands out from."
        )
    if number is None and len(things) > 1:
        return NoScale(
            f"{len(things)} round things were found, and which one is the coin is not known: "
            f"{_listed(things)}. Say which by --coin-number."
        )
    if number is not None and number > len(things):
        return NoScale(
            f"--coin-number was given as {number}, and {len(things)} found: {_listed(things)}."
        )
    return coin_scale(things[(number or 1) - 1], kind)


def _listed(things: Sequence[RoundThing]) -> str:
    return "; ".join(
        f"{rank} at {thing.centre_xy_px[0]:.0f},{thing.centre_xy_px[1]:.0f}, "
        f"{2 * thing.semi_axes_px[0]:.0f} pixels across"
        for rank, thing in enumerate(things, start=1)
    )
