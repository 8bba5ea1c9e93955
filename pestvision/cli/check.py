"""The command `check`: find and label what is on close-up photos."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003  typer reads it at run time
from typing import Annotated

import typer

from pestvision.cli.answers import answering, complain
from pestvision.cli.given import parsed_box, require_writable, with_costs
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
from pestvision.cli.text import caution_text, check_text
from pestvision.cli.work import (
    advice_text,
    checked,
    json_line,
    load_classifier,
    save_crops,
    with_own_labels,
)
from pestvision.errors import PersonError
from pestvision.settings import load_settings


@answering
def check(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO", help="One photo or more.")],
    as_json: JsonOption = False,
    box: Annotated[
        str | None,
        typer.Option(
            "--box",
            metavar="X0,Y0,X1,Y1",
            help="Judge only this part of a single photo: left, top, right, bottom in pixels.",
        ),
    ] = None,
    crops: Annotated[
        Path | None,
        typer.Option("--crops", metavar="FOLDER", help="Save each crop that was judged here."),
    ] = None,
    two_points: TwoPointsOption = None,
    scale_card: ScaleCardOption = False,
    bar_mm: BarOption = None,
    coin: CoinOption = None,
    coin_number: CoinNumberOption = None,
    ruler: RulerOption = None,
    costs: CostsOption = None,
    data: DataOption = None,
    settings: SettingsOption = None,
) -> None:
    """Find and label the organisms on close-up photos.

    A photo that cannot be used is named on the error stream, with what would do, and the others go
    on; the exit status is 3 only when none could be used.
    """
    chosen = with_costs(load_settings(settings), costs)
    wanted = wanted_scale(
        two_points=two_points,
        scale_card=scale_card,
        bar_mm=bar_mm,
        coin=coin,
        coin_number=coin_number,
        ruler=ruler,
    )
    require_one_photo(wanted, n_photos=len(photos))
    region = None if box is None else parsed_box(box, n_photos=len(photos))
    if crops is not None:
        require_writable(crops)
    classifier = with_own_labels(load_classifier(), data)
    n_used = 0
    labels: set[str] = set()
    try:
        for path in photos:
            try:
                answer = checked(path, classifier, chosen, region, wanted=wanted, as_json=as_json)
            except PersonError as error:
                complain(error.sentence())
                continue
            n_used += 1
            labels.add(answer.verdict.label)
            typer.echo(json_line(answer.as_json()) if as_json else check_text(answer))
            if crops is not None:
                save_crops(answer, crops)
    finally:
        if n_used and not as_json:
            if advice := advice_text(labels):
                typer.echo(advice)
            typer.echo(caution_text())
    if not n_used:
        raise typer.Exit(PersonError.exit_status)
