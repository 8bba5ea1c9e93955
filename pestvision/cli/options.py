"""Options that several commands share, each worded once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pestvision.storage.place import DATA_VARIABLE

JsonOption = Annotated[
    bool, typer.Option("--json", help="Print JSON Lines, one object a result, for other programs.")
]
DataOption = Annotated[
    Path | None,
    typer.Option(
        "--data",
        metavar="FOLDER",
        envvar=DATA_VARIABLE,
        help="Where album and log are kept; by default in your user data folder.",
    ),
]
SettingsOption = Annotated[
    Path | None,
    typer.Option("--settings", metavar="FILE", help="A TOML file with settings of your own."),
]
CostsOption = Annotated[
    str | None,
    typer.Option(
        "--missed-leech-costs",
        metavar="LOOKS",
        help=(
            "How many looks at nothing a missed leech is worth to you; by default 9, so that "
            "leech-like is never ruled out from 10 % on."
        ),
    ),
]
