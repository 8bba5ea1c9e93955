"""How every command ends: one sentence for what went wrong, and the exit status.

0 done, whatever was found; 1 a mistake in this program; 2 wrong usage; 3 what the person gave cannot
be used; 4 the weights or other data of the program are damaged. 130 and 141 are what shells use for
"interrupted" and "the reader of the output went away" (128 plus the number of the signal).
"""

from __future__ import annotations

import errno
import functools
import os
import sys
from typing import TYPE_CHECKING, ClassVar, ParamSpec, TypeVar

import typer

from pestvision.cli.text import printable
from pestvision.errors import PestVisionError, ShapeError

if TYPE_CHECKING:
    from collections.abc import Callable

P = ParamSpec("P")
R = TypeVar("R")

EXIT_MISTAKE_OF_OURS = 1
EXIT_INPUT = 3
EXIT_INTERRUPTED = 130
EXIT_READER_GONE = 141
TRACEBACK_VARIABLE = "PESTVISION_TRACEBACK"
"""Set it to 1 to see where a mistake of the program itself happened."""


FULL = (errno.ENOSPC, errno.EDQUOT)
"""What the system says of a full disk, and of a person's share of it that is used up."""


class UsageError(PestVisionError):
    """The command was typed in a way that has no meaning."""

    exit_status: ClassVar[int] = 2


def complain(sentence: str) -> None:
    """Print one sentence on the error stream."""
    typer.echo(printable(sentence), err=True)


def answering(command: Callable[P, R]) -> Callable[P, R]:
    """Make a command end with a sentence and an exit status instead of a traceback."""

    @functools.wraps(command)
    def guarded(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            result = command(*args, **kwargs)
            sys.stdout.flush()
        except BrokenPipeError:
            _drop_output()
            raise typer.Exit(EXIT_READER_GONE) from None
        except (KeyboardInterrupt, typer.Abort):
            complain("Stopped, as you asked. Nothing you had was changed.")
            raise typer.Exit(EXIT_INTERRUPTED) from None
        except typer.Exit:
            raise
        except MemoryError:
            complain(
                "There is not enough memory for this. Close other programs, or give smaller or "
                "fewer photos."
            )
            raise typer.Exit(EXIT_INPUT) from None
        except Exception as error:  # noqa: BLE001 - the last place before the person
            raise typer.Exit(_explained(error)) from None
        return result

    return guarded


def _explained(error: Exception) -> int:
    """Say what went wrong and give the exit status."""
    if isinstance(error, PestVisionError) and not isinstance(error, ShapeError):
        complain(error.sentence())
        return error.exit_status
    if isinstance(error, OSError) and error.errno in FULL:
        _drop_output()
        complain("There is no space left to write to. Free some space, and try again.")
        return EXIT_INPUT
    if os.environ.get(TRACEBACK_VARIABLE) == "1":
        raise error
    what = " ".join(str(error).split())
    complain(
        f"pestvision itself made a mistake ({type(error).__name__}: {what}). Your files are as they "
        f"were; please report this, with what it prints when {TRACEBACK_VARIABLE}=1 is set."
    )
    return EXIT_MISTAKE_OF_OURS


def _drop_output() -> None:
    """Send what is still to be written nowhere, so that the end of the program stays quiet."""
    try:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
    except (OSError, ValueError):
        return
