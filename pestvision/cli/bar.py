"""The progress bar: on a terminal's error stream, with the time left."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from pestvision.cli.text import printable
from pestvision.progress import Progress, silent

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console


@contextmanager
def shown_progress(*, is_wanted: bool, console: Console | None = None) -> Iterator[Progress]:
    """Give a `Progress` that draws a bar on the error stream, or one that says nothing.

    Parameters
    ----------
    is_wanted
        False where the error stream is no terminal, so that logs hold no bar.
    console
        Where to draw; None for the error stream.
    """
    if not is_wanted:
        yield silent
        return
    import rich.console
    import rich.progress

    # What is printed meanwhile must not pass through the bar: it would leave on the error stream.
    with rich.progress.Progress(
        rich.progress.TextColumn("{task.description}", markup=False),
        rich.progress.BarColumn(),
        rich.progress.MofNCompleteColumn(),
        rich.progress.TextColumn("time left", markup=False),
        rich.progress.TimeRemainingColumn(),
        console=console or rich.console.Console(stderr=True),
        transient=True,
        redirect_stdout=False,
        redirect_stderr=False,
    ) as bar:
        task = bar.add_task("starting", total=None)

        def tell(done: int, total: int, what: str) -> None:
            bar.update(task, completed=done, total=total, description=printable(what))

        yield tell
