"""Draw the marker card in true size, as a PDF of plain shapes or as a PNG that knows its resolution.

The PDF is written by hand: rectangles and one of the typefaces that every reader of PDF has (ISO 32000-1,
9.6.2.2). It asks the reader not to scale it when it is printed (ISO 32000-1, 12.2, `PrintScaling`), which
not all obey: hence the bar.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from pestvision.errors import ScaleError, ShapeError
from pestvision.size.card_layout import (
    BAR_LEFT_TOP_MM,
    BAR_MM,
    CARD_HEIGHT_MM,
    CARD_WIDTH_MM,
    MARKERS,
    N_CELLS,
    WINDOW_XYXY_MM,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from PIL.ImageDraw import ImageDraw

    from pestvision.arrays import U8

A4: Final = "a4"
LETTER: Final = "letter"
PAPERS_MM: Final = {A4: (210.0, 297.0), LETTER: (215.9, 279.4)}
"""Width and height: ISO 216; 8.5 × 11 inches of 25.4 mm (ANSI/ASME Y14.1 size A)."""
PNG_DPI: Final = 600
"""A pixel is 0.04 mm: less than a home printer places a line to."""
MM_PER_INCH: Final = 25.4
POINTS_PER_INCH: Final = 72.0

BAR_WORDS: Final = (
    "Measure this bar: it must be 100 mm. If it is not, tell the program what it measures."
)
KEEP_WORDS: Final = (
    "Keep this card flat and dry. Lay it in the plane of the animal, at the same depth."
)
PAGE_WORDS: Final = (
    "How to use this card",
    "1.  Print this page at 100 % (actual size), not fitted to the page. Then measure the bar with a ruler.",
    "2.  Cut along the thin outer line. Laminate the card, or keep it in a clear flat bag: it must stay",
    "     flat and dry. You may also cut out the window and lay the frame around the animal.",
    "3.  Lay the card in the plane of the animal: beside it on the tray, or in the window. A card nearer to",
    "     the camera than the animal makes the animal seem too small.",
    "4.  Hold the camera straight above. The card may lean by up to 30 degrees. Let at least two of the",
    "     black squares be whole on the photo, without glare.",
    "5.  If the animal is in the water and the card is on the glass, sizes are too small, by a third or",
    "     more for animals deep in the tank. Tell the program the distances if you know them.",
)

_LINE_MM = 0.2  # thin, and still printed by every home printer
_TICK_MM = 0.25
_TEXT_MM = 2.6  # height of a line on the card: about 7 points
_PAGE_TEXT_MM = 3.6
_DIGIT_WIDTH = 0.556  # of the size, in Helvetica's own table of widths


@dataclass(frozen=True, slots=True)
class _Fill:
    """Rectangles `(left, top, width, height)` in millimetres, filled as one shape; `is_white` or black."""

    rectangles: tuple[tuple[float, float, float, float], ...]
    is_white: bool = False


@dataclass(frozen=True, slots=True)
class _Words:
    """A line of text: where its baseline begins, and its size, in millimetres."""

    left: float
    baseline: float
    size: float
    text: str


_Item = _Fill | _Words


def card_picture(px_per_mm: float) -> U8:
    """Draw the card alone, without the page around it, as grey levels.

    Returns
    -------
    (110 × px_per_mm, 140 × px_per_mm) uint8, whole pixels; 255 is the paper.
    """
    if not 1 <= px_per_mm <= 100:
        raise ShapeError("px_per_mm", expected="1 to 100", actual=str(px_per_mm))
    return _picture(_card_items(), (CARD_WIDTH_MM, CARD_HEIGHT_MM), px_per_mm)


def card_png(paper: str = A4) -> bytes:
    """Give the page as a PNG that says its resolution, so that it prints in true size.

    Raises
    ------
    ScaleError
        If there is no such paper.
    """
    from PIL import Image

    page = _picture(_page_items(paper), _page_mm(paper), PNG_DPI / MM_PER_INCH)
    file = io.BytesIO()
    Image.fromarray(page).save(file, format="PNG", dpi=(PNG_DPI, PNG_DPI), optimize=True)
    return file.getvalue()


def card_pdf(paper: str = A4) -> bytes:
    """Give the page as a PDF of one page in true size.

    Raises
    ------
    ScaleError
        If there is no such paper.
    """
    width_mm, height_mm = _page_mm(paper)
    per_mm = POINTS_PER_INCH / MM_PER_INCH
    # From here on millimetres from the top left, as everywhere else; text is turned upright again.
    lines = [f"{per_mm:.8f} 0 0 {-per_mm:.8f} 0 {height_mm * per_mm:.5f} cm"]
    lines += [_pdf_item(item) for item in _page_items(paper)]
    content = "\n".join(lines).encode("cp1252")
    box = f"[0 0 {width_mm * per_mm:.5f} {height_mm * per_mm:.5f}]"
    page = (
        f"<< /Type /Page /Parent 2 0 R /MediaBox {box} /Contents 5 0 R "
        "/Resources << /Font << /F1 4 0 R >> >> >>"
    )
    font = "<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica /Encoding /WinAnsiEncoding >>"  # no file
    return _pdf_file(
        [
            b"<< /Type /Catalog /Pages 2 0 R /ViewerPreferences << /PrintScaling /None >> >>",
            b"<< /Type /Pages /Kids [3 0 R] /Count 1 >>",
            page.encode("ascii"),
            font.encode("ascii"),
            b"<< /Length %d >>\nstream\n%s\nendstream" % (len(content), content),
        ]
    )


def _page_mm(paper: str) -> tuple[float, float]:
    if paper not in PAPERS_MM:
        raise ScaleError(
            f"There is no card for the paper '{paper}'.",
            advice=f"Choose one of {' or '.join(PAPERS_MM)}.",
        )
    return PAPERS_MM[paper]


def _page_items(paper: str) -> list[_Item]:
    width_mm, _ = _page_mm(paper)
    left, top = (width_mm - CARD_WIDTH_MM) / 2, 25.0
    items = [_moved(item, left, top) for item in _card_items()]
    baseline = top + CARD_HEIGHT_MM + 18.0
    for row, text in enumerate(PAGE_WORDS):
        items.append(_Words(24.0, baseline + 1.7 * _PAGE_TEXT_MM * row, _PAGE_TEXT_MM, text))
    return items


def _card_items() -> list[_Item]:
    """Give all that is on the card: its outline, markers, window, bar and words."""
    items: list[_Item] = [
        _frame(0.0, 0.0, CARD_WIDTH_MM, CARD_HEIGHT_MM),
        _frame(*WINDOW_XYXY_MM),
    ]
    for marker in MARKERS:
        side = marker.side_mm
        items.append(_Fill(((marker.left_mm, marker.top_mm, side, side),)))
        cell = side / N_CELLS
        white = tuple(
            (marker.left_mm + column * cell, marker.top_mm + row * cell, cell, cell)
            for row, column in np.argwhere(marker.white_cells()).tolist()
        )
        items.append(_Fill(white, is_white=True))
    left, top = BAR_LEFT_TOP_MM
    items.append(_Fill(((left, top, BAR_MM, 1.2), *_ticks(left, top))))
    for mm in range(0, int(BAR_MM) + 1, 10):
        at = left + mm - _DIGIT_WIDTH / 2 * len(str(mm)) * _TEXT_MM
        items.append(_Words(at, top + 6.9, _TEXT_MM, str(mm)))
    items.append(_Words(20.0, 104.6, _TEXT_MM, BAR_WORDS))
    items.append(_Words(20.0, 108.2, _TEXT_MM, KEEP_WORDS))
    return items


def _frame(left: float, top: float, right: float, bottom: float) -> _Fill:
    """Give the thin line around a rectangle, its outer edge on the rectangle."""
    width, height, thin = right - left, bottom - top, _LINE_MM
    return _Fill(
        (
            (left, top, width, thin),
            (left, bottom - thin, width, thin),
            (left, top + thin, thin, height - 2 * thin),
            (right - thin, top + thin, thin, height - 2 * thin),
        )
    )


def _ticks(left: float, top: float) -> Iterable[tuple[float, float, float, float]]:
    """Give a tick for every millimetre; those of the ends end with the bar."""
    for mm in range(int(BAR_MM) + 1):
        down = 4.2 if mm % 10 == 0 else 3.2 if mm % 5 == 0 else 2.4
        middle = min(max(mm, _TICK_MM / 2), BAR_MM - _TICK_MM / 2)
        yield left + middle - _TICK_MM / 2, top, _TICK_MM, down


def _moved(item: _Item, right: float, down: float) -> _Item:
    if isinstance(item, _Words):
        return _Words(item.left + right, item.baseline + down, item.size, item.text)
    return _Fill(
        tuple((x + right, y + down, width, height) for x, y, width, height in item.rectangles),
        is_white=item.is_white,
    )


def _picture(items: list[_Item], size_mm: tuple[float, float], px_per_mm: float) -> U8:
    from PIL import Image, ImageDraw

    size = (round(size_mm[0] * px_per_mm), round(size_mm[1] * px_per_mm))
    page = Image.new("L", size, 255)
    pen = ImageDraw.Draw(page)
    for item in items:
        _put(pen, item, px_per_mm)
    return np.asarray(page, np.uint8).copy()


def _put(pen: ImageDraw, item: _Item, px_per_mm: float) -> None:
    from PIL import ImageFont

    if isinstance(item, _Words):
        font = ImageFont.load_default(size=max(1.0, item.size * px_per_mm))
        at = (item.left * px_per_mm, item.baseline * px_per_mm)
        pen.text(at, item.text, fill=0, font=font, anchor="ls")
        return
    for x, y, width, height in item.rectangles:
        left, top = round(x * px_per_mm), round(y * px_per_mm)
        right, bottom = round((x + width) * px_per_mm), round((y + height) * px_per_mm)
        if right > left and bottom > top:  # Pillow fills the last pixel named, too
            pen.rectangle((left, top, right - 1, bottom - 1), fill=255 if item.is_white else 0)


def _pdf_item(item: _Item) -> str:
    if isinstance(item, _Words):
        text = item.text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
        return (
            f"0 g BT /F1 {item.size:.4f} Tf 1 0 0 -1 {item.left:.4f} {item.baseline:.4f} Tm "
            f"({text}) Tj ET"
        )
    shapes = " ".join(f"{x:.4f} {y:.4f} {w:.4f} {h:.4f} re" for x, y, w, h in item.rectangles)
    return f"{1 if item.is_white else 0} g {shapes} f"


def _pdf_file(objects: list[bytes]) -> bytes:
    """Put numbered objects into a file, the first being the catalogue, with the table of where they lie."""
    out = bytearray(b"%PDF-1.6\n%\xe2\xe3\xcf\xd3\n")
    places = []
    for number, body in enumerate(objects, start=1):
        places.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    table = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    for place in places:
        out += b"%010d 00000 n \n" % place
    out += b"trailer\n<< /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (
        len(objects) + 1,
        table,
    )
    return bytes(out)
