"""What a file holds, told by its first bytes and never by its name."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

FormatName: TypeAlias = Literal["JPEG", "PNG", "WebP", "TIFF", "HEIC"]

WHAT_WOULD_DO: Final = "Give a JPEG, PNG, WebP, TIFF or HEIC photo."
_EXPORT_RAW: Final = "Export it as a JPEG with the camera's or the phone's own software."
_EXPORT_PICTURE: Final = "Save it as a JPEG or PNG and give that."
_TAKE_PHOTOS: Final = "Give single photos: JPEG, PNG, WebP, TIFF or HEIC."

# Brands of the ISO base media file format (ISO/IEC 14496-12) with the still pictures of
# ISO/IEC 23008-12 (HEIF) in them.
_HEIF_BRANDS: Final = frozenset(
    {b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs", b"mif1", b"msf1"}
)
_AVIF_BRANDS: Final = frozenset({b"avif", b"avis"})
_CANON_RAW_BRAND: Final = b"crx "

_TAG_NEW_SUBFILE_TYPE: Final = 254  # TIFF 6.0: bit 0 set means "a reduced copy of another picture"
_TAG_SUB_IFDS: Final = 330
_TAG_DNG_VERSION: Final = 50706
_TIFF_MARKS: Final = (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")

# Files that people take for photos; the words stand after "holds".
_OTHERS: Final[tuple[tuple[bytes, str, str], ...]] = (
    (b"GIF87a", "a GIF picture", _EXPORT_PICTURE),
    (b"GIF89a", "a GIF picture", _EXPORT_PICTURE),
    (b"BM", "a BMP picture", _EXPORT_PICTURE),
    (b"8BPS", "a layered picture of a drawing program", _EXPORT_PICTURE),
    (b"%PDF", "a PDF document", "Save the picture in it as a JPEG and give that."),
    (b"\xff\x0a", "a JPEG XL picture", _EXPORT_PICTURE),
    (b"\x00\x00\x00\x0cJXL ", "a JPEG XL picture", _EXPORT_PICTURE),
    (b"\x00\x00\x00\x0cjP  ", "a JPEG 2000 picture", _EXPORT_PICTURE),
    (b"IIRO", "a camera's raw picture", _EXPORT_RAW),
    (b"IIRS", "a camera's raw picture", _EXPORT_RAW),
    (b"IIU\x00", "a camera's raw picture", _EXPORT_RAW),
    (b"FUJIFILMCCD-RAW", "a camera's raw picture", _EXPORT_RAW),
    (b"II\x1a\x00\x00\x00HEAPCCDR", "a camera's raw picture", _EXPORT_RAW),
    (b"FOVb", "a camera's raw picture", _EXPORT_RAW),
    (b"\x1aE\xdf\xa3", "a video", _TAKE_PHOTOS),
    (b"PK\x03\x04", "a packed archive", "Unpack it and give the photos in it."),
)


@dataclass(frozen=True, slots=True)
class Content:
    """What a file holds.

    Parameters
    ----------
    format_name
        The photo format, None when it is not one that is read.
    words
        What it is, to stand after "holds".
    advice
        What would do instead.
    """

    format_name: FormatName | None
    words: str
    advice: str = WHAT_WOULD_DO


def tell_content(data: bytes) -> Content:
    """Tell what a file holds from its bytes.

    Parameters
    ----------
    data
        The whole file: raw camera pictures share their first bytes with TIFF, so the first
        directory is looked into as well.
    """
    if data.startswith(b"\xff\xd8\xff"):
        return Content("JPEG", "a JPEG photo")
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return Content("PNG", "a PNG picture")
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return Content("WebP", "a WebP picture")
    if data.startswith(_TIFF_MARKS):
        if _is_raw_tiff(data):
            return Content(None, "a camera's raw picture", _EXPORT_RAW)
        return Content("TIFF", "a TIFF picture")
    if data[4:8] == b"ftyp":
        return _tell_media(data)
    for mark, words, advice in _OTHERS:
        if data.startswith(mark):
            return Content(None, words, advice)
    return Content(None, "text" if _is_text(data) else "nothing that is known as a picture")


def _tell_media(data: bytes) -> Content:
    """Tell the kinds of the ISO base media family apart by their brands."""
    size = min(int.from_bytes(data[:4], "big"), 256)
    major = data[8:12]
    brands = {major} | {data[at : at + 4] for at in range(16, size - 3, 4)}
    if major == _CANON_RAW_BRAND:
        return Content(None, "a camera's raw picture", _EXPORT_RAW)
    if major in _AVIF_BRANDS or (brands & _AVIF_BRANDS and not brands & {b"heic", b"heix"}):
        return Content(None, "an AVIF picture", _EXPORT_PICTURE)
    if major in _HEIF_BRANDS:
        return Content("HEIC", "a HEIC photo")
    return Content(None, "a video", _TAKE_PHOTOS)


def _is_raw_tiff(data: bytes) -> bool:
    """Tell a camera's raw picture from a plain TIFF.

    Raw kinds built on TIFF either say so (DNG's version tag, the mark at byte 8) or hold only a
    reduced copy in the first directory and the sensor's values in sub-directories.
    """
    if data[8:10] == b"CR":
        return True
    order = "<" if data[:2] == b"II" else ">"
    tags = _first_directory(data, order)
    if _TAG_DNG_VERSION in tags:
        return True
    return _TAG_SUB_IFDS in tags and bool(tags.get(_TAG_NEW_SUBFILE_TYPE, 0) & 1)


def _first_directory(data: bytes, order: str) -> dict[int, int]:
    """Give tag and first value (as a 4-byte number) of a classic TIFF's first directory."""
    try:
        (at,) = struct.unpack_from(f"{order}I", data, 4)
        (n_entries,) = struct.unpack_from(f"{order}H", data, at)
        entries = [
            struct.unpack_from(f"{order}HHII", data, at + 2 + 12 * index)
            for index in range(min(n_entries, 512))
        ]
    except struct.error:
        return {}
    return {tag: value for tag, _kind, _count, value in entries}


def _is_text(data: bytes) -> bool:
    head = data[:1024]
    if b"\x00" in head:
        return False
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(head) - 3:  # more than a letter cut at the end of the sample
            return False
        text = head[: error.start].decode("utf-8")
    return all(letter.isprintable() or letter.isspace() for letter in text)
