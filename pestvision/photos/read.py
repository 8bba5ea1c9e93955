"""Read one photo file: the only decoder in this package.

Decode once, turn once, convert colour once: what leaves here is upright RGB uint8 in an array of
its own. Nothing a file holds may raise anything but a `PhotoError`, and no file is ever written to.

An embedded colour profile is not applied: converting 12 megapixels took five times as long as
decoding them (0.53 s against 0.10 s, one core), and wide-gamut phones differ from sRGB by less than
two cameras of one make differ from each other in white balance.
"""

from __future__ import annotations

import errno
import logging
import stat
import struct
import threading
import warnings
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Final

import cv2
import numpy as np
from PIL import Image

from pestvision.arrays import U8, as_rgb, as_u8
from pestvision.errors import (
    PhotoError,
    PhotoTooLargeError,
    PhotoTooSmallError,
    UnreadablePhotoError,
    UnsupportedFormatError,
)
from pestvision.photos.exif import (
    EXIF_DIRECTORY,
    MAIN_DIRECTORY_TAGS,
    Tags,
    TakenAt,
    tell_orientation,
    tell_taken,
)
from pestvision.photos.formats import WHAT_WOULD_DO, FormatName, tell_content
from pestvision.settings import PhotoSettings

if TYPE_CHECKING:
    import os
    from collections.abc import Callable, Iterator

_PILLOW_NAMES: Final[dict[FormatName, str]] = {
    "JPEG": "JPEG",
    "PNG": "PNG",
    "WebP": "WEBP",
    "TIFF": "TIFF",
    "HEIC": "HEIF",
}
_MIN_SIDE_PX: Final = 32  # a strip thinner than this shows no animal whole
_STRIP_ROWS: Final = 64  # 12 megapixels out of Pillow: 22 ms in such strips, 84 ms at once
_REDUCED_AT_LEAST: Final = 0.75  # of the side asked for; lets a 12-megapixel JPEG give 500 for 512
_COPY_AGAIN: Final = "Copy it again from the camera or phone: the whole picture is needed."

logging.getLogger("PIL").addHandler(logging.NullHandler())  # its complaints are not for the person


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """One decoded photo, upright.

    Parameters
    ----------
    rgb
        (H, W, 3) uint8, RGB, turned upright by the file's EXIF orientation.
    name
        The file name, for showing to a person.
    path
        Where it was read, None for bytes from memory.
    format_name
        `JPEG`, `PNG`, `WebP`, `TIFF` or `HEIC`.
    taken
        When it was taken.
    notes
        Sentences on what was decided while reading, such as what a transparent part was put on.
    """

    rgb: U8
    name: str
    path: Path | None
    format_name: str
    taken: TakenAt
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        as_rgb(self.rgb)

    @property
    def height(self) -> int:
        """Rows, pixels."""
        return int(self.rgb.shape[0])

    @property
    def width(self) -> int:
        """Columns, pixels."""
        return int(self.rgb.shape[1])


@dataclass(frozen=True, slots=True)
class PhotoHeader:
    """What a photo file says of itself before any pixel is decoded.

    `height` and `width` are pixels of the upright photo; the rest is as in `Photo`.
    """

    name: str
    path: Path | None
    format_name: FormatName
    height: int
    width: int
    taken: TakenAt

    def __post_init__(self) -> None:
        if self.height < 1 or self.width < 1:
            raise ValueError(f"a photo of {self.width} × {self.height} pixels")


@dataclass(frozen=True, slots=True, eq=False)
class ReducedPhoto:
    """A small upright copy of a photo: `rgb` is (h, w, 3) uint8, `header` speaks of the original."""

    header: PhotoHeader
    rgb: U8

    def __post_init__(self) -> None:
        as_rgb(self.rgb)


@dataclass(frozen=True, slots=True)
class _Opened:
    """A file whose header was read and found within the limits; its pixels are still packed."""

    image: Image.Image
    header: PhotoHeader
    orientation: int
    tags: Tags


def read_photo(path: Path, *, settings: PhotoSettings | None = None) -> Photo:
    """Decode one photo file, whatever its extension says.

    Parameters
    ----------
    path
        A JPEG, PNG, WebP, TIFF or HEIC file. Of an animation or a file of several pictures the
        first (in HEIC, the main) picture is used, and a note says so.
    settings
        The limits on megapixels and file size; the defaults where None.

    Raises
    ------
    UnreadablePhotoError
        Missing, empty, a folder, not allowed, cut off or damaged.
    UnsupportedFormatError
        Not one of the five formats: text, GIF, raw camera pictures, video.
    PhotoTooLargeError, PhotoTooSmallError
        Outside the limits. Checked on the header, before any memory is taken for pixels.
    """
    limits = settings or PhotoSettings()
    return _decode(_open(_bytes_of(path, limits), path, limits))


def read_photo_bytes(data: bytes, name: str, *, settings: PhotoSettings | None = None) -> Photo:
    """Decode a photo that is already in memory; `name` is its file name, for the person.

    Raises
    ------
    PhotoError
        As `read_photo`.
    """
    return _decode(_open_bytes(data, name, settings))


def read_header_bytes(
    data: bytes, name: str, *, settings: PhotoSettings | None = None
) -> tuple[PhotoHeader, Tags]:
    """Read the header of a photo that is already in memory, and its EXIF tags by number.

    Raises
    ------
    PhotoError
        As `read_header`.
    """
    opened = _open_bytes(data, name, settings)
    return opened.header, opened.tags


def read_header(path: Path, *, settings: PhotoSettings | None = None) -> PhotoHeader:
    """Read size, format and time of a photo, without decoding its pixels.

    Raises
    ------
    PhotoError
        As `read_photo`, except for damage that only shows in the pixels.
    """
    limits = settings or PhotoSettings()
    return _open(_bytes_of(path, limits), path, limits).header


def read_reduced(
    path: Path, long_side_px: int, *, settings: PhotoSettings | None = None
) -> ReducedPhoto:
    """Decode a small upright copy of a photo.

    Parameters
    ----------
    path
        As for `read_photo`.
    long_side_px
        The longer side of the copy, at most; at least three quarters of it where the photo is that
        large. A JPEG is decoded at a half, a quarter or an eighth, which is several times faster.
    settings
        The limits, as for `read_photo`: they hold for the original.

    Raises
    ------
    PhotoError
        As `read_photo`.
    """
    limits = settings or PhotoSettings()
    opened = _open(_bytes_of(path, limits), path, limits)
    is_drafted = opened.header.format_name == "JPEG" and _draft(opened.image, long_side_px)
    rgb, _ = _upright_rgb(opened, check_size=not is_drafted)
    height, width = rgb.shape[:2]
    scale = long_side_px / max(height, width)
    if scale < 1:
        size_wh = (max(round(width * scale), 1), max(round(height * scale), 1))
        rgb = as_u8(cv2.resize(rgb, size_wh, interpolation=cv2.INTER_AREA))
    return ReducedPhoto(opened.header, rgb)


def damaged(name: str) -> UnreadablePhotoError:
    """Give the error for a photo whose inside is broken; `name` is fit for a sentence."""
    message = f"{name} is damaged: its picture cannot be decoded to the end."
    return UnreadablePhotoError(message, advice=_COPY_AGAIN)


def shown_name(path: str | os.PathLike[str]) -> str:
    """Give a file's name fit for a sentence: what cannot be printed becomes a question mark."""
    name = Path(path).name or str(path)
    return "".join(letter if letter.isprintable() else "?" for letter in name)


def _bytes_of(path: Path, limits: PhotoSettings) -> bytes:
    """Read a file whole, or say in one sentence why not."""
    name = shown_name(path)
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            message = f"{name} is a folder, and one photo was expected."
            raise UnreadablePhotoError(message, advice="Give the path of a photo in it.")
        if not stat.S_ISREG(status.st_mode):
            message = f"{name} is a device or a pipe, not a file."
            raise UnreadablePhotoError(message, advice=WHAT_WOULD_DO)
        _require_file_size(status.st_size, name, limits)
        data = path.read_bytes()
    except FileNotFoundError as error:
        is_link = path.is_symlink()
        wrong = f"{name} is a link to a file that is gone." if is_link else f"There is no {name}."
        advice = "Check the path, or copy the photo there again."
        raise UnreadablePhotoError(wrong, advice=advice) from error
    except PermissionError as error:
        message = f"{name} may not be read by this user: permission was refused."
        advice = "Change the file's permission, or copy it to a folder of your own."
        raise UnreadablePhotoError(message, advice=advice) from error
    except (OSError, ValueError) as error:
        is_loop = getattr(error, "errno", None) == errno.ELOOP
        why = "it is a link that leads back to itself" if is_loop else _reason(error)
        message = f"{name} cannot be read: {why}."
        raise UnreadablePhotoError(message, advice="Check the path and the disk.") from error
    if not data:
        raise _empty(name)
    return data


def _open_bytes(data: bytes, name: str, settings: PhotoSettings | None) -> _Opened:
    limits = settings or PhotoSettings()
    if not data:
        raise _empty(shown_name(name))
    _require_file_size(len(data), shown_name(name), limits)
    return _open(data, name, limits)


def _reason(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__).lower()


def _empty(name: str) -> UnreadablePhotoError:
    return UnreadablePhotoError(f"{name} is empty: it holds 0 bytes.", advice=_COPY_AGAIN)


def _require_file_size(n_bytes: int, name: str, limits: PhotoSettings) -> None:
    megabytes = n_bytes / 1e6
    if megabytes > limits.max_file_megabytes:
        message = (
            f"{name} is a file of {megabytes:.0f} MB, and at most "
            f"{limits.max_file_megabytes:g} MB are accepted."
        )
        raise PhotoTooLargeError(message, advice="Save a smaller copy and give that.")


def _open(data: bytes, source: Path | str, limits: PhotoSettings) -> _Opened:
    """Read the header and hold it against the limits; no pixel is decoded."""
    name = shown_name(source)
    content = tell_content(data)
    if content.format_name is None:
        message = f"{name} holds {content.words}, which is not read."
        raise UnsupportedFormatError(message, advice=content.advice)
    if content.format_name == "HEIC":
        _register_heif(name)
    with _pillow_errors_in_words(name, limits):
        image = Image.open(BytesIO(data), formats=(_PILLOW_NAMES[content.format_name],))
        width, height = image.size
    _require_size(height, width, name, limits)
    is_whole = {"JPEG": _is_whole_jpeg, "PNG": _is_whole_png}.get(content.format_name)
    if is_whole is not None and not is_whole(data, image):
        message = f"{name} is cut off: the file ends before its picture does."
        raise UnreadablePhotoError(message, advice=_COPY_AGAIN)
    tags = _tags_of(image, data)
    orientation = tell_orientation(tags)
    if content.format_name in {"TIFF", "HEIC"}:
        orientation = 1  # Pillow and libheif turn these two themselves
    if orientation >= 5:
        height, width = width, height
    path = source if isinstance(source, Path) else None
    taken = tell_taken(tags, name)
    header = PhotoHeader(name, path, content.format_name, height, width, taken)
    return _Opened(image, header, orientation, tags)


def _register_heif(name: str) -> None:
    """Teach Pillow HEIC, the first time one is met."""
    try:
        import pillow_heif
    except ImportError as error:
        message = f"{name} holds a HEIC photo, and the package that reads those is not installed."
        advice = "Install pillow-heif, or export the photo as a JPEG."
        raise UnsupportedFormatError(message, advice=advice) from error
    if "HEIF" not in Image.OPEN:
        pillow_heif.options.DECODE_THREADS = 2
        pillow_heif.register_heif_opener()


def _require_size(height: int, width: int, name: str, limits: PhotoSettings) -> None:
    megapixels = height * width / 1e6
    size = f"{name} is {width} × {height} pixels ({megapixels:.3g} megapixels)"
    if megapixels > limits.max_megapixels:
        message = f"{size}, and at most {limits.max_megapixels:g} megapixels are accepted."
        raise PhotoTooLargeError(message, advice="Save a smaller copy and give that.")
    if megapixels < limits.min_megapixels or min(height, width) < _MIN_SIDE_PX:
        message = (
            f"{size}, and at least {limits.min_megapixels:g} megapixels and "
            f"{_MIN_SIDE_PX} pixels a side are needed to show a small animal."
        )
        raise PhotoTooSmallError(message, advice="Give the original photo, not a preview of it.")


def _is_whole_jpeg(data: bytes, image: Image.Image) -> bool:
    """Tell whether the picture data of a JPEG can be all there.

    The decoder fills what is missing with grey and says nothing, when the tail was overwritten with
    zeros or a header claims more pixels than the file can hold. Two facts of ITU-T T.81 tell: within
    coded data the end mark FF D9 cannot occur (B.1.1.5), and in a sequential picture every block of
    8 × 8 pixels takes at least two code words of one bit each (F.1.2), so a byte holds at most 256.
    """
    start = _scan_start(data)
    end = data.rfind(b"\xff\xd9", start)
    n_px = image.size[0] * image.size[1]
    return end >= 0 and (bool(image.info.get("progressive")) or (end - start) * 256 >= n_px)


def _is_whole_png(data: bytes, image: Image.Image) -> bool:
    """Tell whether the picture data of a PNG can be all there.

    The decoder leaves black what a short, well-formed stream does not fill. A byte of deflate data
    holds at most 1032 (zlib's technical notes: "maximum compression factor").
    """
    n_packed = sum(len(body) for body in _png_chunks(data, b"IDAT"))
    bits = data[24] * {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}.get(data[25], 1)
    return n_packed * 1032 >= image.size[0] * image.size[1] * bits // 8


def _scan_start(data: bytes) -> int:
    """Give the place of the first coded data of a JPEG; 0 where the marks before it are broken."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        mark = data[at + 1]
        if mark == 0xDA:
            return at
        at += 1 if mark == 0xFF else 2 + int.from_bytes(data[at + 2 : at + 4], "big")
    return 0


def _tags_of(image: Image.Image, data: bytes) -> Tags:
    """Give the EXIF tags of the main and the EXIF directory; none where the block is broken."""
    tags: dict[int, object] = {}
    with _quiet:
        try:
            if image.format == "PNG":  # asking Pillow for it would decode the whole picture
                exif = Image.Exif()
                exif.load(next(_png_chunks(data, b"eXIf"), b""))
            else:
                exif = image.getexif()
            tags.update({tag: exif.get(tag) for tag in MAIN_DIRECTORY_TAGS})
            tags.update(exif.get_ifd(EXIF_DIRECTORY))
        except Exception:  # noqa: BLE001  whatever a broken block does: the photo is still read
            return tags
    return tags


def _png_chunks(data: bytes, kind: bytes) -> Iterator[bytes]:
    """Give the bodies of a PNG's chunks of one kind."""
    at = 8
    while at + 8 <= len(data):
        length, found = struct.unpack_from(">I4s", data, at)
        if found == kind:
            yield data[at + 8 : at + 8 + length]
        at += 12 + length


def _decode(opened: _Opened) -> Photo:
    rgb, notes = _upright_rgb(opened, check_size=True)
    header = opened.header
    return Photo(rgb, header.name, header.path, header.format_name, header.taken, notes)


def _draft(image: Image.Image, long_side_px: int) -> bool:
    """Ask for the smallest JPEG decoding that is still large enough; tell whether it is reduced."""
    width, height = image.size
    wanted = _REDUCED_AT_LEAST * long_side_px
    divisor = next((n for n in (8, 4, 2) if max(width, height) / n >= wanted), 1)
    image.draft(image.mode, (width // divisor, height // divisor))
    return image.size != (width, height)


def _upright_rgb(opened: _Opened, *, check_size: bool) -> tuple[U8, tuple[str, ...]]:
    header = opened.header
    with _pillow_errors_in_words(header.name):
        image, notes = _as_rgb_image(opened.image, header.format_name)
        rgb = _array_of(image)
    rgb = _turn(rgb, opened.orientation)
    if check_size and rgb.shape[:2] != (header.height, header.width):
        message = (
            f"{header.name} is damaged: its header says {header.width} × {header.height} pixels, "
            f"and the picture in it has {rgb.shape[1]} × {rgb.shape[0]}."
        )
        raise UnreadablePhotoError(message, advice=_COPY_AGAIN)
    return rgb, notes


def _as_rgb_image(image: Image.Image, format_name: str) -> tuple[Image.Image, tuple[str, ...]]:
    """Unpack the pixels and bring them to RGB, with a note on every choice made."""
    notes = []
    if _holds_several(image, format_name):
        which = "main" if format_name == "HEIC" else "first"
        notes.append(f"The file holds more than one picture; the {which} one was used.")
    if any(";16" in str(tile[3]) for tile in getattr(image, "tile", ())):
        notes.append("Its 16-bit brightness was brought to 8 bits.")
    image.load()
    if image.mode.startswith("I;16") or (image.mode == "I" and format_name == "PNG"):
        image = _from_sixteen_bit(image)
    elif image.mode in {"I", "F"}:
        raise _NotAPhotoError(f"numbers of kind {image.mode}")
    elif image.mode == "CMYK":
        notes.append("Its printing colours (CMYK) were turned into screen colours.")
    if image.has_transparency_data:
        image = image.convert("RGBA")
        alpha = image.getchannel("A")
        low, _ = alpha.getextrema()
        on_white = Image.new("RGB", image.size, "white")
        on_white.paste(image, mask=alpha)
        if low != 255:
            notes.append("Its see-through parts were put on white.")
        return on_white, tuple(notes)
    return image if image.mode == "RGB" else image.convert("RGB"), tuple(notes)


def _holds_several(image: Image.Image, format_name: str) -> bool:
    if format_name == "JPEG":
        return False  # a phone's second picture in a JPEG is a preview or a depth map
    if format_name == "TIFF":
        return bool(getattr(getattr(image, "tag_v2", None), "next", 0))
    return bool(getattr(image, "is_animated", False))


def _from_sixteen_bit(image: Image.Image) -> Image.Image:
    """Scale 0..65535 to 0..255, rounding to the nearest."""
    values = np.asarray(image).astype(np.uint32).clip(0, 65535)
    return Image.fromarray(((values + 128) // 257).astype(np.uint8))


def _array_of(image: Image.Image) -> U8:
    """Copy an RGB image out of Pillow in strips, each small enough to stay in the cache.

    Pillow keeps four bytes a pixel; dropping the fourth is quicker in OpenCV.
    """
    width, height = image.size
    rgb = np.empty((height, width, 3), np.uint8)
    for top in range(0, height, _STRIP_ROWS):
        bottom = min(top + _STRIP_ROWS, height)
        packed = image.crop((0, top, width, bottom)).tobytes("raw", "RGBX")
        rgbx = np.frombuffer(packed, np.uint8).reshape(bottom - top, width, 4)
        cv2.cvtColor(rgbx, cv2.COLOR_RGBA2RGB, dst=rgb[top:bottom])
    return rgb


_TURNS: Final[dict[int, Callable[[U8], cv2.typing.MatLike]]] = {
    # EXIF 2.32, 4.6.4 A: where the stored row 0 and column 0 lie in the scene.
    2: lambda rgb: cv2.flip(rgb, 1),  # top, right
    3: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_180),  # bottom, right
    4: lambda rgb: cv2.flip(rgb, 0),  # bottom, left
    5: cv2.transpose,  # left, top
    6: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_90_CLOCKWISE),  # right, top
    7: lambda rgb: cv2.rotate(cv2.transpose(rgb), cv2.ROTATE_180),  # right, bottom
    8: lambda rgb: cv2.rotate(rgb, cv2.ROTATE_90_COUNTERCLOCKWISE),  # left, bottom
}


def _turn(rgb: U8, orientation: int) -> U8:
    """Turn stored pixels upright by their EXIF orientation, 1 to 8."""
    turn = _TURNS.get(orientation)
    return rgb if turn is None else as_u8(turn(rgb), "rgb")


class _NotAPhotoError(Exception):
    """The file decodes to something other than a picture's brightness."""


@contextmanager
def _pillow_errors_in_words(name: str, limits: PhotoSettings | None = None) -> Iterator[None]:
    """Turn whatever Pillow raises on a file into one of our sentences."""
    try:
        with _quiet:
            yield
    except PhotoError:
        raise
    except (Image.DecompressionBombError, MemoryError) as error:
        most = f"{limits.max_megapixels:g} megapixels" if limits else "this computer's memory"
        message = f"{name} has more pixels than are accepted: more than {most}."
        raise PhotoTooLargeError(message, advice="Save a smaller copy and give that.") from error
    except _NotAPhotoError as error:
        message = f"{name} holds {error}, not a photo's brightness."
        raise UnsupportedFormatError(message, advice=WHAT_WOULD_DO) from error
    except Exception as error:
        raise damaged(name) from error


class _Quiet:
    """Silence Python warnings while any thread is inside.

    `warnings.catch_warnings` alone puts back the wrong filters when two threads overlap, and then
    stays silent for ever: here the first in saves them and the last out puts them back.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._n_inside = 0
        self._saved = warnings.catch_warnings()

    def __enter__(self) -> None:
        with self._lock:
            if self._n_inside == 0:
                self._saved = warnings.catch_warnings()
                self._saved.__enter__()
                warnings.simplefilter("ignore")
            self._n_inside += 1

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._n_inside -= 1
            if self._n_inside == 0:
                self._saved.__exit__(None, None, None)


_quiet = _Quiet()
