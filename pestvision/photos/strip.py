"""Take everything out of a photo file but the picture.

A photo says where it was taken, with which camera of which owner, and when; it may carry a smaller
copy of itself from before it was cropped. A picture that is given on must not. JPEG, PNG and WebP
are taken apart and put together again without touching the coded picture, so that every pixel stays
what it was, at the cost of copying the bytes.

TIFF and HEIC are made of places within the file that point at each other, and anything may hide
between them. So those two are decoded and written anew: TIFF as PNG, which loses nothing; HEIC as
JPEG of quality 95 without colour subsampling, because a PNG would be about ten times as large as the
photo and a HEIC may not be written everywhere.

What stays beside the picture: a colour profile, the pixel density, and the EXIF orientation where it
is not 1, alone in a block of its own.
"""

from __future__ import annotations

import re
import struct
import zlib
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Final

from PIL import Image

from pestvision.photos.exif import ORIENTATION, tell_camera, tell_orientation
from pestvision.photos.read import damaged, read_header_bytes, read_photo_bytes, shown_name

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from pestvision.photos.formats import FormatName
    from pestvision.photos.read import PhotoHeader
    from pestvision.settings import PhotoSettings

_JPEG_QUALITY: Final = 95  # the highest of which Pillow says that it is worth its bytes
_JPEG_MOST_PX: Final = 65500  # a side; libjpeg's JPEG_MAX_DIMENSION

# Marks of ITU-T T.81, table B.1, by their second byte.
_START: Final = 0xD8
_END: Final = 0xD9
_SCAN: Final = 0xDA
_JFIF: Final = 0xE0
_EXIF: Final = 0xE1
_PROFILE: Final = 0xE2
_ADOBE: Final = 0xEE
_COMMENT: Final = 0xFE
_APPLICATION: Final = range(0xE0, 0xF0)
_LONELY: Final = frozenset({0x01, *range(0xD0, 0xD8)})  # stand without a length
# Frames, tables, scans: all that the decoder needs. 0xC8 is reserved.
_CODED: Final = (frozenset(range(0xC0, 0xD0)) - {0xC8}) | frozenset(range(0xDA, 0xE0))
# Within coded data FF is followed by 00 (a plain FF), a restart mark, or another FF.
_MARK: Final = re.compile(rb"\xff[^\x00\xff]")
_MARK_AFTER_SCAN: Final = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_JFIF_BYTES: Final = 14  # up to the size of the preview, which is set to nothing
_ADOBE_BYTES: Final = 12  # up to the kind of colours
_PROFILE_NAME: Final = b"ICC_PROFILE\x00"

_PNG_MARK: Final = b"\x89PNG\r\n\x1a\n"
_PNG_FRAME_BYTES: Final = 12  # of a chunk: length, kind, checksum
# Chunks that stay, with the most bytes each may have (PNG 3rd edition, 11.2 and 11.3); None: any.
_PNG_KEPT: Final[dict[bytes, int | None]] = {
    b"IHDR": 13,
    b"PLTE": 768,
    b"IDAT": None,
    b"IEND": 0,
    b"tRNS": 256,
    b"gAMA": 4,
    b"cHRM": 32,
    b"sRGB": 1,
    b"sBIT": 4,
    b"iCCP": None,
}

# Chunks that stay of a WebP (RFC 9649, 2.7). Of an animation the first frame alone.
_WEBP_KEPT: Final = frozenset({b"VP8X", b"ICCP", b"ANIM", b"ANMF", b"ALPH", b"VP8 ", b"VP8L"})
_WEBP_FRAME: Final = frozenset({b"ALPH", b"VP8 ", b"VP8L"})
_WEBP_HAS_EXIF: Final = 0x08
_WEBP_FLAGS_KEPT: Final = 0x20 | 0x10 | 0x02  # profile, see-through parts, animation
_WEBP_MOST: Final = {b"VP8X": 10, b"ANIM": 6}
_WEBP_FRAME_HEAD: Final = 16


@dataclass(frozen=True, slots=True, eq=False)
class Stripped:
    """A photo file with nothing in it but the picture.

    Parameters
    ----------
    data
        The new file.
    suffix
        The ending its name should have: `.jpg`, `.png` or `.webp`.
    header
        What the file that was given said of itself: its own format, its time.
    camera
        The camera's model that the given file named, None where it named none.
    """

    data: bytes
    suffix: str
    header: PhotoHeader
    camera: str | None

    def __post_init__(self) -> None:
        if not self.data or not self.suffix.startswith("."):
            raise ValueError(f"a stripped photo of {len(self.data)} bytes, {self.suffix!r}")


class _BrokenError(Exception):
    """The parts of the file do not follow each other as its format says."""


def strip_photo(data: bytes, name: str, *, settings: PhotoSettings | None = None) -> Stripped:
    """Take everything out of a photo file but the picture.

    Parameters
    ----------
    data
        The whole file: JPEG, PNG, WebP, TIFF or HEIC.
    name
        Its file name, for the person.
    settings
        The limits, as for `read_photo`.

    Returns
    -------
    Stripped
        Stripping it again gives the same bytes. For JPEG, PNG and WebP its decoded pixels are those
        of the given file.

    Raises
    ------
    PhotoError
        As `read_photo_bytes`. Of a JPEG, PNG or WebP the coded picture is copied, not decoded:
        damage that shows only in its pixels is not found here.

    Notes
    -----
    A colour profile is kept whole, its own description included. What somebody hid within the coded
    picture itself, such as bytes between the last pixel and the end mark, is not looked for.
    """
    header, tags = read_header_bytes(data, name, settings=settings)
    camera = tell_camera(tags)
    take_out = _TAKE_OUT.get(header.format_name)
    if take_out is None:
        written, suffix = _written_anew(data, name, settings)
        return Stripped(written, suffix, header, camera)
    strip, suffix = take_out
    turn = tell_orientation(tags)
    try:
        bare = strip(data, turn)
    except (_BrokenError, struct.error, IndexError) as error:
        raise damaged(shown_name(name)) from error
    seen, seen_tags = read_header_bytes(bare, name, settings=settings)
    is_same = (seen.height, seen.width) == (header.height, header.width)
    if not is_same or tell_orientation(seen_tags) != turn:
        raise damaged(shown_name(name))
    return Stripped(bare, suffix, header, camera)


def _written_anew(data: bytes, name: str, settings: PhotoSettings | None) -> tuple[bytes, str]:
    """Decode a TIFF or HEIC and write its upright pixels: bytes, and the ending of the name."""
    photo = read_photo_bytes(data, name, settings=settings)
    image = Image.fromarray(photo.rgb)
    buffer = BytesIO()
    if photo.format_name == "HEIC" and max(image.size) <= _JPEG_MOST_PX:
        image.save(buffer, "JPEG", quality=_JPEG_QUALITY, subsampling=0)
        return buffer.getvalue(), ".jpg"
    image.save(buffer, "PNG")
    return buffer.getvalue(), ".png"


def _orientation_block(turn: int) -> bytes:
    """Give a TIFF directory of one entry: the orientation (EXIF 2.32, 4.6.2)."""
    entry = struct.pack(">HHIHH", ORIENTATION, 3, 1, turn, 0)
    return b"MM\x00*" + struct.pack(">IH", 8, 1) + entry + bytes(4)


def _bare_jpeg(data: bytes, turn: int) -> bytes:
    """Keep of a JPEG what its decoder needs, up to the end of the main picture."""
    jfif = b""
    rest: list[bytes] = []
    is_in_picture = False
    for mark, body in _jpeg_parts(data):
        if mark in _CODED:
            rest.append(body)
            is_in_picture |= mark == _SCAN
        elif not is_in_picture:  # the decoder has settled on the colours when the first scan starts
            kept = _kept_of_application(mark, body[4:])
            if mark == _JFIF:
                jfif = jfif or kept
            else:
                rest.append(kept)
    exif = _segment(_EXIF, b"Exif\x00\x00" + _orientation_block(turn)) if turn != 1 else b""
    return b"".join([b"\xff\xd8", jfif, exif, *rest, b"\xff\xd9"])


def _kept_of_application(mark: int, body: bytes) -> bytes:
    """Give what stays of an application's segment: the density, the colours, the profile."""
    if mark == _JFIF and body.startswith(b"JFIF\x00") and len(body) >= _JFIF_BYTES:
        return _segment(mark, body[: _JFIF_BYTES - 2] + bytes(2))
    if mark == _ADOBE and body.startswith(b"Adobe") and len(body) >= _ADOBE_BYTES:
        return _segment(mark, body[:_ADOBE_BYTES])
    if mark == _PROFILE and body.startswith(_PROFILE_NAME):
        return _segment(mark, body)
    return b""


def _segment(mark: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, mark, len(body) + 2) + body


def _jpeg_parts(data: bytes) -> Iterator[tuple[int, bytes]]:
    """Give mark and bytes of every segment between start and end; a scan with its coded data.

    What lies between two segments is skipped, as the decoder does (libjpeg, `next_marker`). Not so
    once a scan was seen: there it means that a scan is broken in its middle, and what the decoder
    makes of the rest depends on the very bytes that would be left out.
    """
    at = 2
    has_scan = False
    while True:
        found = _MARK.search(data, at)
        if found is None or (has_scan and data[at : found.start()].strip(b"\xff")):
            raise _BrokenError
        at, mark = found.start(), data[found.start() + 1]
        if mark == _END:
            return
        if mark in _LONELY and not has_scan:
            at += 2
            continue
        if mark not in _CODED and mark not in _APPLICATION and mark != _COMMENT:
            raise _BrokenError
        (length,) = struct.unpack_from(">H", data, at + 2)
        end = at + 2 + length
        if length < 2 or end > len(data):
            raise _BrokenError
        if mark == _SCAN:
            has_scan = True
            next_mark = _MARK_AFTER_SCAN.search(data, end)
            if next_mark is None:
                raise _BrokenError
            end = next_mark.start()
        yield mark, data[at:end]
        at = end


def _bare_png(data: bytes, turn: int) -> bytes:
    """Keep of a PNG the picture's own chunks, each with its own checksum."""
    parts = [_PNG_MARK]
    before = b""
    has_picture = False
    for kind, chunk in _png_parts(data):
        if kind == b"IDAT" and has_picture and before != b"IDAT":
            raise _BrokenError  # the picture's chunks must follow each other; the reader stops here
        before = kind
        has_picture |= kind == b"IDAT"
        if kind not in _PNG_KEPT:
            continue
        most = _PNG_KEPT[kind]
        if most is not None and len(chunk) - _PNG_FRAME_BYTES > most:
            raise _BrokenError
        parts.append(chunk)
        if kind == b"IHDR" and turn != 1:
            parts.append(_png_chunk(b"eXIf", _orientation_block(turn)))
    parts.append(_png_chunk(b"IEND", b""))
    return b"".join(parts)


def _png_parts(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Give kind and bytes of every chunk before the end."""
    at = len(_PNG_MARK)
    while at + _PNG_FRAME_BYTES <= len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        if kind == b"IEND":
            return
        end = at + _PNG_FRAME_BYTES + length
        if end > len(data):
            raise _BrokenError
        yield kind, data[at:end]
        at = end


def _png_chunk(kind: bytes, body: bytes) -> bytes:
    check = zlib.crc32(kind + body)
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", check)


def _bare_webp(data: bytes, turn: int) -> bytes:
    """Keep of a WebP the picture's own chunks, and say so in its head."""
    (told,) = struct.unpack_from("<I", data, 4)
    parts: list[bytes] = []
    is_extended = has_frame = False
    for kind, body in _webp_parts(data, 12, min(8 + told, len(data))):
        kept = body[: _WEBP_MOST.get(kind)]
        if kind == b"VP8X":
            is_extended = True
            flags = (kept[0] & _WEBP_FLAGS_KEPT) | (_WEBP_HAS_EXIF if turn != 1 else 0)
            kept = bytes([flags, 0, 0, 0]) + kept[4:]
        elif kind == b"ANMF":
            if has_frame:
                continue
            has_frame = True
            inner = _webp_parts(body, _WEBP_FRAME_HEAD, len(body))
            frame = [_webp_chunk(*part) for part in inner if part[0] in _WEBP_FRAME]
            kept = b"".join([body[:_WEBP_FRAME_HEAD], *frame])
        if kind in _WEBP_KEPT:
            parts.append(_webp_chunk(kind, kept))
    if turn != 1:
        if not is_extended:
            raise _BrokenError
        parts.append(_webp_chunk(b"EXIF", _orientation_block(turn)))
    body = b"WEBP" + b"".join(parts)
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _webp_parts(data: bytes, start: int, stop: int) -> Iterator[tuple[bytes, bytes]]:
    """Give kind and body of every chunk."""
    at = start
    while at + 8 <= stop:
        kind, length = struct.unpack_from("<4sI", data, at)
        end = at + 8 + length
        if end > stop:
            raise _BrokenError
        yield kind, data[at + 8 : end]
        at = end + length % 2


def _webp_chunk(kind: bytes, body: bytes) -> bytes:
    return kind + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)


_TAKE_OUT: Final[dict[FormatName, tuple[Callable[[bytes, int], bytes], str]]] = {
    "JPEG": (_bare_jpeg, ".jpg"),
    "PNG": (_bare_png, ".png"),
    "WebP": (_bare_webp, ".webp"),
}
