"""The work behind `scale-card`: what was typed becomes a file to print."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from pestvision.cli.answers import UsageError

DEFAULT_NAME: Final = "pestvision-scale-card.pdf"


def made_card(paper: str, out: Path | None) -> dict[str, Any]:
    """Write the card; give what was written, as `--json` prints it.

    Raises
    ------
    UsageError
        If there is no such paper, or the file's name says neither PDF nor PNG.
    OutputError
        If it cannot be written.
    """
    from pestvision.size.card import PAPERS_MM, card_pdf, card_png
    from pestvision.size.card_layout import BAR_MM, CARD_HEIGHT_MM, CARD_WIDTH_MM
    from pestvision.storage.whole_file import write_whole_bytes

    chosen = paper.strip().lower()
    if chosen not in PAPERS_MM:
        raise UsageError(
            f"--paper was given as '{paper}', and {' or '.join(PAPERS_MM)} was expected.",
            advice="Write --paper letter for US Letter; A4 is taken when it is left out.",
        )
    target = Path(DEFAULT_NAME) if out is None else out
    if target.is_dir():
        target /= DEFAULT_NAME
    writers = {".pdf": card_pdf, ".png": card_png}
    suffix = target.suffix.lower()
    if suffix not in writers:
        raise UsageError(
            f"--out was given as '{target}', and a name that ends in .pdf or .png was expected.",
            advice="A PDF prints best: --out card.pdf",
        )
    written = write_whole_bytes(target, writers[suffix](chosen))
    return {
        "file": str(written),
        "paper": chosen,
        "bar_mm": BAR_MM,
        "card_width_mm": CARD_WIDTH_MM,
        "card_height_mm": CARD_HEIGHT_MM,
    }


def card_lines(made: dict[str, Any]) -> tuple[str, ...]:
    """Say where the card is and what to do with it."""
    bar = f"{made['bar_mm']:.0f} mm"
    return (
        f"The card is written: {made['file']}",
        "Print it at 100 % (actual size), not fitted to the page.",
        f"Then measure the bar on it: it must be {bar} long. If it is not, tell the program its length.",
        "Keep the card flat and dry, and lay it in the plane of the animal.",
    )
