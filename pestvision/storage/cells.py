"""Cells of a table that is opened in a spreadsheet: a text that it would run as a formula is guarded."""

from __future__ import annotations

from typing import Final, TypeAlias

Cell: TypeAlias = str | int | float | None

FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n")
"""A cell that begins so is run as a formula by spreadsheets, or hides one behind a blank."""
GUARD: Final = "'"


def safe_cell(value: Cell) -> Cell:
    """Guard a text that a spreadsheet would run as a formula, by an apostrophe before it.

    Numbers pass: a negative number is a number. Blanks before the sign do not hide it.
    """
    return GUARD + value if isinstance(value, str) and _is_formula(value) else value


def plain_cell(text: str) -> str:
    """Give what `safe_cell` guarded as it was."""
    return text[1:] if text.startswith(GUARD) and _is_formula(text[1:]) else text


def _is_formula(text: str) -> bool:
    return text.startswith(FORMULA_STARTS) or text.lstrip().startswith(FORMULA_STARTS)
