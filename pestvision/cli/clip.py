"""The command `clip`: follow what moves on short clips and bursts."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  typer reads it at run time
from typing import Annotated

import typer

from pestvision.cli.answers import answering, complain
from pestvision.cli.given import parsed_box, parsed_positive, require_writable, with_costs
from pestvision.cli.options import (  # noqa: TC001  typer reads them at run time
    CostsOption,
    DataOption,
    JsonOption,
    SettingsOption,
)
from pestvision.cli.scale_options import (
    BarOption,
    CoinNumberOption,
    CoinOption,
    RulerOption,
    ScaleCardOption,
    TwoPointsOption,
    require_one_photo,
    wanted_scale,
)
from pestvision.cli.text import caution_text
from pestvision.errors import PersonError
from pestvision.settings import load_settings


@answering
def clip(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE",
            help="A clip, a folder with the photos of a burst, or those photos themselves.",
        ),
    ],
    as_json: JsonOption = False,
    box: Annotated[
        str | None,
        typer.Option(
            "--box",
            metavar="X0,Y0,X1,Y1",
            help="Follow only the animal here on the first frame: left, top, right, bottom in pixels.",
        ),
    ] = None,
    after_irritant: Annotated[
        bool,
        typer.Option(
            "--after-irritant",
            help=(
                "It was poked, dipped or dosed within the last hour: flatworms then loop like "
                "leeches, and looping says nothing. Do not irritate an animal for the test."
            ),
        ),
    ] = False,
    on_a_stand: Annotated[
        bool,
        typer.Option(
            "--on-a-stand",
            help=(
                "The camera stood on a stand or a shelf: where nothing but the animal shows, its "
                "way can be told then."
            ),
        ),
    ] = False,
    seconds_apart: Annotated[
        str | None,
        typer.Option(
            "--seconds-apart",
            metavar="SECONDS",
            help="Seconds between two photos of a burst; by default what the photos say.",
        ),
    ] = None,
    two_points: TwoPointsOption = None,
    scale_card: ScaleCardOption = False,
    bar_mm: BarOption = None,
    coin: CoinOption = None,
    coin_number: CoinNumberOption = None,
    ruler: RulerOption = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="Save the first frame with the tracks, and the lengths over time, here.",
        ),
    ] = None,
    costs: CostsOption = None,
    data: DataOption = None,
    settings: SettingsOption = None,
) -> None:
    """Follow what moves on a short clip or a burst.

    Tells how it moved: steps like an inchworm, gliding, and others. Photos given one by one are taken
    together as one burst. A scale is taken from the first frame. What cannot be used is named on the error stream, and the others go on; the
    exit status is 3 only when none could be used.
    """
    chosen = with_costs(load_settings(settings), costs)
    apart = None if seconds_apart is None else parsed_positive(seconds_apart, "--seconds-apart")
    wanted = wanted_scale(
        two_points=two_points,
        scale_card=scale_card,
        bar_mm=bar_mm,
        coin=coin,
        coin_number=coin_number,
        ruler=ruler,
    )

    from pestvision.cli.clip_text import clip_text
    from pestvision.cli.clip_work import checked_clip, save_pictures, sources_of
    from pestvision.cli.work import advice_text, json_line, load_classifier, with_own_labels

    sources = sources_of(files)
    require_one_photo(wanted, n_photos=len(sources))
    region = None if box is None else parsed_box(box, n_photos=len(sources))
    if out is not None:
        require_writable(out)

    classifier = with_own_labels(load_classifier(), data)
    labels: set[str] = set()
    n_used = 0
    try:
        for source in sources:
            try:
                answer = checked_clip(
                    source,
                    classifier,
                    wanted=wanted,
                    box=region,
                    after_irritant=after_irritant,
                    on_a_stand=on_a_stand,
                    seconds_apart=apart,
                    settings=chosen,
                )
            except PersonError as error:
                complain(error.sentence())
                continue
            n_used += 1
            labels.add(answer.verdict.label)
            typer.echo(json_line(answer.as_json()) if as_json else clip_text(answer))
            if out is not None:
                for path in save_pictures(answer, out):
                    complain(f"Saved: {path}")
    finally:
        if n_used and not as_json:
            if advice := advice_text(labels):
                typer.echo(advice)
            typer.echo(caution_text())
    if not n_used:
        raise typer.Exit(PersonError.exit_status)
