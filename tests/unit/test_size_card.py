"""The printed card: in true size, as a PDF and as a PNG, and readable as it is printed."""

from __future__ import annotations

import io
import re

import cv2
import numpy as np
import pytest
from PIL import Image

from pestvision.errors import ScaleError, ShapeError
from pestvision.size.card import BAR_WORDS, PAPERS_MM, card_pdf, card_picture, card_png
from pestvision.size.card_layout import (
    BAR_LEFT_TOP_MM,
    BAR_MM,
    CARD_HEIGHT_MM,
    CARD_WIDTH_MM,
    DICTIONARY,
    MARKERS,
    WINDOW_XYXY_MM,
)

PT_PER_MM = 72 / 25.4
Shape = tuple[float, list[tuple[float, float, float, float]]]


def shapes_of(pdf: bytes) -> list[Shape]:
    """Read the filled rectangles back, in millimetres from the top left: (grey, rectangles)."""
    stream = pdf.split(b"stream\n")[1].split(b"\nendstream")[0].decode("cp1252")
    per_mm, _, _, down, _, top = (float(x) for x in stream.split("\n")[0].split()[:6])
    assert per_mm == pytest.approx(PT_PER_MM, abs=1e-7)
    assert down == -per_mm
    found = []
    for line in stream.split("\n"):
        if line.endswith(" f"):
            boxes = re.findall(r"(\S+) (\S+) (\S+) (\S+) re", line)
            found.append((float(line.split()[0]), [tuple(map(float, box)) for box in boxes]))
    assert top / per_mm == pytest.approx(max(h for _, h in PAPERS_MM.values()), rel=0.1)
    return found  # type: ignore[return-value]


def rendered(pdf: bytes, paper: str, px_per_mm: int) -> np.ndarray:
    width, height = PAPERS_MM[paper]
    page = np.full((round(height * px_per_mm), round(width * px_per_mm)), 255, np.uint8)
    for grey, boxes in shapes_of(pdf):
        for x, y, w, h in boxes:
            rows = slice(round(y * px_per_mm), round((y + h) * px_per_mm))
            page[rows, round(x * px_per_mm) : round((x + w) * px_per_mm)] = round(255 * grey)
    return page


def corners_read(page: np.ndarray) -> dict[int, np.ndarray]:
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY))
    corners, numbers, _ = detector.detectMarkers(page)
    return {
        int(number): four.reshape(4, 2) + 0.5
        for number, four in zip(np.ravel(numbers), corners, strict=True)
    }


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_the_pdf_has_the_size_of_the_paper_and_asks_not_to_be_scaled(paper: str) -> None:
    pdf = card_pdf(paper)
    box = re.search(rb"/MediaBox \[0 0 (\S+) (\S+)\]", pdf)
    assert box is not None
    width, height = PAPERS_MM[paper]
    assert float(box[1]) / PT_PER_MM == pytest.approx(width, abs=0.001)
    assert float(box[2]) / PT_PER_MM == pytest.approx(height, abs=0.001)
    assert b"/PrintScaling /None" in pdf


def test_the_pdf_says_truly_where_its_objects_lie() -> None:
    pdf = card_pdf()
    start = int(pdf.rsplit(b"startxref\n", 1)[1].split(b"\n")[0])
    assert pdf[start:].startswith(b"xref\n")
    rows = re.findall(rb"(\d{10}) 00000 n ", pdf[start:])
    assert len(rows) == 5
    for number, row in enumerate(rows, start=1):
        assert pdf[int(row) :].startswith(b"%d 0 obj" % number)
    length = re.search(rb"/Length (\d+) >>\nstream\n", pdf)
    assert length is not None
    assert pdf[length.end() + int(length[1]) :].startswith(b"\nendstream")


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_the_markers_of_the_pdf_lie_where_the_layout_has_them(paper: str) -> None:
    found = corners_read(rendered(card_pdf(paper), paper, 10))
    assert sorted(found) == [marker.number for marker in MARKERS]
    left = (PAPERS_MM[paper][0] - CARD_WIDTH_MM) / 2
    for marker in MARKERS:
        place = found[marker.number] / 10 - [left, 25.0]
        np.testing.assert_allclose(place, marker.corners_mm(), atol=0.12)


def test_the_bar_of_the_pdf_is_100_mm_long() -> None:
    bars = [
        box
        for _, boxes in shapes_of(card_pdf())
        for box in boxes
        if box[2] == pytest.approx(BAR_MM) and box[3] < 2 and box[1] > 25 + 90
    ]
    assert len(bars) == 1
    assert bars[0][0] == pytest.approx(BAR_LEFT_TOP_MM[0] + (210 - CARD_WIDTH_MM) / 2)
    assert BAR_WORDS.encode() in card_pdf()


@pytest.mark.parametrize("paper", sorted(PAPERS_MM))
def test_the_png_prints_true(paper: str) -> None:
    page = Image.open(io.BytesIO(card_png(paper)))
    across, down = page.info["dpi"]  # from pHYs, whole pixels a metre
    width, height = PAPERS_MM[paper]
    assert page.width / across * 25.4 == pytest.approx(width, abs=0.05)
    assert page.height / down * 25.4 == pytest.approx(height, abs=0.05)
    found = corners_read(np.asarray(page))
    top_left, top_right = found[0][0], found[1][1]
    assert (top_right - top_left)[0] / across * 25.4 == pytest.approx(132.0, abs=0.1)
    assert sorted(found) == [marker.number for marker in MARKERS]


def test_the_window_is_clear_and_the_markers_stand_apart() -> None:
    card = card_picture(10.0)
    assert card.shape == (1100, 1400)
    x0, y0, x1, y1 = (round(10 * value) for value in WINDOW_XYXY_MM)
    assert (card[y0 + 3 : y1 - 3, x0 + 3 : x1 - 3] == 255).all()
    quiet = np.full((round(CARD_HEIGHT_MM), round(CARD_WIDTH_MM)), 0)
    for marker in MARKERS:  # a white rim of a cell around each, or it cannot be read
        rim = marker.side_mm / 7
        rows = slice(int(marker.top_mm - rim), int(np.ceil(marker.top_mm + marker.side_mm + rim)))
        left, right = marker.left_mm - rim, marker.left_mm + marker.side_mm + rim
        quiet[rows, int(left) : int(np.ceil(right))] += 1
        assert left > 0.5
        assert right < CARD_WIDTH_MM - 0.5
    assert quiet.max() == 1


def test_a_paper_there_is_not_is_told() -> None:
    for draw in (card_pdf, card_png):
        with pytest.raises(ScaleError, match="a5") as error:
            draw("a5")
        assert "letter" in error.value.advice
    with pytest.raises(ShapeError):
        card_picture(0.1)
