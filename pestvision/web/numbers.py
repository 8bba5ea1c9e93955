"""Numbers that are typed into fields of text, so that an empty field stays empty and is never read as 0."""

from __future__ import annotations

import math


def number_of(text: str | float | None) -> float | None:
    """Read a typed number; a comma or a point before the decimals, and a unit behind it, are understood.

    Returns
    -------
    float or None
        None where nothing was typed, not a number (`nan`) where it cannot be read.
    """
    cleaned = "" if text is None else str(text).strip()
    for unit in ("%", "mm", "millimetres", "millimeters"):
        cleaned = cleaned.removesuffix(unit).rstrip()
    if not cleaned:
        return None
    try:
        return float(cleaned.replace(",", "."))
    except ValueError:
        return math.nan


def text_of(number: float | None) -> str:
    """Give what a field says of a number; empty where there is none."""
    return "" if number is None else f"{number:g}"
