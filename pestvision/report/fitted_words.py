"""Words that fit into a picture whose font is not known, and are safe in XML."""

from __future__ import annotations

import re
import unicodedata
from html import escape
from typing import Final

_FORBIDDEN_IN_XML: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

# Widths of letters in parts of their size, those of a wide sans-serif font (DejaVu Sans, measured by its tables)
# rounded up: a guess on the wide side, so that words stay within their box in most fonts.
_NARROW: Final = 0.33
_SLIM: Final = 0.41
_USUAL: Final = 0.64
_CAPITAL: Final = 0.74
_WIDE: Final = 1.0


def wrapped(words: str, width: float, size: float) -> list[str]:
    """Break words into lines that fit into a width, in units, at a size of letters."""
    lines: list[str] = []
    for word in words.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and wide(longer, size) <= width:
            lines[-1] = longer
        else:
            lines.append(fitted(word, width, size))
    return lines


def fitted(words: str, width: float, size: float) -> str:
    """Shorten words to what fits into a width, with … where something is missing."""
    if wide(words, size) <= width:
        return words
    kept = words
    while kept and wide(f"{kept}…", size) > width:
        kept = kept[:-1]
    return f"{_whole_letters(kept, words)}…"


def shortened(name: str, letters: int) -> str:
    """Shorten a name to a number of letters, with … where something is missing."""
    if len(name) <= letters:
        return name
    return f"{_whole_letters(name[: letters - 1], name)}…"


def kept_apart(name: str) -> str:
    """Give a name so that it does not turn the sentence around it, where it is read from right to left."""
    if any(unicodedata.bidirectional(letter) in {"R", "AL"} for letter in name):
        return f"\u2068{name}\u2069"
    return name


def wide(words: str, size: float) -> float:
    """Guess how wide words are, in the unit of `size`."""
    return size * sum(_letter(letter) for letter in words)


def xml_safe(words: str) -> str:
    """Escape words for XML, and put � for what XML does not allow."""
    return escape(_FORBIDDEN_IN_XML.sub("\ufffd", words))


def _whole_letters(kept: str, words: str) -> str:
    """Take the last letter off where its accent or what is joined to it was cut off."""
    joins = {"\u200d", "\ufe0f"}
    rest = words[len(kept) :]
    if rest and (unicodedata.combining(rest[0]) or rest[0] in joins):
        while kept and (unicodedata.combining(kept[-1]) or kept[-1] in joins):
            kept = kept[:-1]
        kept = kept[:-1]
    while kept and (kept[-1] == "\u200d" or kept[-1].isspace()):
        kept = kept[:-1]
    return kept


def _letter(letter: str) -> float:
    if unicodedata.combining(letter) or letter in "\u200d\ufe0f\u2068\u2069":
        return 0.0
    if unicodedata.east_asian_width(letter) in "WF":
        return 1.05
    if letter in "iIjl.,:;'|! ":
        return _NARROW
    if letter in "tfr()[]-":
        return _SLIM
    if letter in "mwMW@%…&":
        return _WIDE
    return _CAPITAL if letter.isupper() else _USUAL
