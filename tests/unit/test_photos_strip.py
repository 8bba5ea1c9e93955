"""Stripping a photo: the pixels stay to the last bit, and nothing else does."""

from __future__ import annotations

import struct
import time
import zlib
from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from pestvision.errors import PhotoError, PhotoTooSmallError, UnreadablePhotoError
from pestvision.photos.read import read_header_bytes, read_photo_bytes
from pestvision.photos.strip import strip_photo
from pestvision.settings import PhotoSettings
from tests.photo_files import FORMATS, drawn_glass, exif_block, packed

if TYPE_CHECKING:
    from pathlib import Path

GLASS = drawn_glass(1, height=120, width=160)
SMALL = PhotoSettings(min_megapixels=0.001)
COPIED = ("JPEG", "PNG", "WEBP")
MARKS = tuple(
    f"planted-{what}".encode()
    for what in ("owner", "serial", "note", "xmp", "iptc", "comment", "text", "tail", "preview")
)


def full_exif(turn: int = 1) -> bytes:
    """An EXIF block with a position, an owner, a serial number, a maker's note and a time."""
    exif = Image.Exif()
    exif[0x0112] = turn
    exif[0x0110] = "Pond 7"
    exif[0x013B] = "planted-owner"
    inner = exif.get_ifd(0x8769)
    inner[0x9003] = "2026:11:25 23:15:04"
    inner[0xA431] = "planted-serial"
    inner[0x927C] = b"planted-note"
    place = exif.get_ifd(0x8825)
    place[1], place[2] = "N", (48.0, 12.0, 7.0)
    place[3], place[4] = "E", (11.0, 34.0, 5.0)
    return exif.tobytes()


def segment(mark: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, mark, len(body) + 2) + body


def chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def spoken_jpeg(turn: int = 1, **options: object) -> bytes:
    """A JPEG with all that a JPEG can say, and a preview in four places."""
    plain = packed(
        GLASS, "JPEG", quality=90, exif=full_exif(turn), icc_profile=b"a profile", **options
    )
    preview = packed(GLASS[:40, :40], "JPEG", comment="planted-preview")
    said = b"".join(
        [
            segment(0xE0, b"JFXX\x00\x10" + preview),
            segment(0xE1, b"http://ns.adobe.com/xap/1.0/\x00<x>planted-xmp</x>"),
            segment(0xE2, b"MPF\x00planted-preview"),
            segment(0xE5, b"planted-preview" + preview),
            segment(0xED, b"Photoshop 3.0\x008BIM\x04\x04\x00\x00\x00\x00\x00\x0bplanted-iptc"),
            segment(0xFE, b"planted-comment"),
        ]
    )
    assert plain[2:4] == b"\xff\xe0"
    jfif = bytearray(plain[6:20])
    jfif[12:14] = bytes([5, 1])  # a preview of 5 × 1 pixels: 15 bytes
    head = segment(0xE0, bytes(jfif) + b"planted-preview")
    return plain[:2] + head + said + plain[20:] + preview + b"planted-tail"


def spoken_png(turn: int = 1, image: Image.Image | None = None, **options: object) -> bytes:
    """A PNG with all that a PNG can say."""
    info = PngInfo()
    info.add_text("Author", "planted-owner")
    info.add_text("Comment", "planted-comment", zip=True)
    info.add_itxt("XML:com.adobe.xmp", "<x>planted-xmp</x>")
    plain = packed(
        image or Image.fromarray(GLASS), "PNG", exif=full_exif(turn), pnginfo=info, **options
    )
    head, tail = plain[:33], plain[33:]
    extra = chunk(b"tIME", struct.pack(">HBBBBB", 2026, 11, 25, 23, 15, 4))
    extra += chunk(b"gAMA", struct.pack(">I", 45455)) + chunk(b"paSt", b"planted-note")
    return (
        head
        + extra
        + tail[:-12]
        + chunk(b"tEXt", b"a\x00planted-text")
        + tail[-12:]
        + b"planted-tail"
    )


def spoken_webp(turn: int = 1, **options: object) -> bytes:
    """A WebP with all that a WebP can say."""
    plain = packed(
        GLASS,
        "WEBP",
        exif=full_exif(turn),
        xmp=b"<x>planted-xmp</x>",
        icc_profile=b"a profile",
        **options,
    )
    inside = plain[8:] + b"NOTE" + struct.pack("<I", 12) + b"planted-note"
    return b"RIFF" + struct.pack("<I", len(inside)) + inside + b"planted-tail"


SPOKEN = {"JPEG": spoken_jpeg, "PNG": spoken_png, "WEBP": spoken_webp}


def assert_bare(data: bytes, turn: int) -> None:
    """No planted word, no position, no time; of EXIF the orientation or nothing."""
    assert [mark for mark in MARKS if mark in data] == []
    assert b"2026" not in data
    assert b"Pond" not in data
    with Image.open(BytesIO(data)) as image:
        exif = image.getexif()
        assert dict(exif) == ({} if turn == 1 else {0x0112: turn})
        assert not exif.get_ifd(0x8825)
        assert not exif.get_ifd(0x8769)
        assert {"xmp", "comment", "photoshop", "Author", "Comment"}.isdisjoint(image.info)
        assert not getattr(image, "text", {})


@pytest.mark.parametrize("format_name", COPIED)
@pytest.mark.parametrize("turn", range(1, 9))
def test_pixels_stay_and_words_go_in_all_orientations(format_name: str, turn: int) -> None:
    data = SPOKEN[format_name](turn)
    assert sum(mark in data for mark in MARKS) >= 5
    stripped = strip_photo(data, "20261125_231504.x", settings=SMALL)
    before = read_photo_bytes(data, "x", settings=SMALL)
    after = read_photo_bytes(stripped.data, "x", settings=SMALL)
    assert np.array_equal(before.rgb, after.rgb)
    assert before.rgb.shape[:2] == ((160, 120) if turn >= 5 else (120, 160))
    assert_bare(stripped.data, turn)
    assert strip_photo(stripped.data, "x", settings=SMALL).data == stripped.data
    assert stripped.camera == "Pond 7"
    assert stripped.header.taken.iso() == "2026-11-25T23:15:04"
    assert after.taken.iso() is None
    assert len(stripped.data) < len(data)


@pytest.mark.parametrize(
    "options",
    [
        {"progressive": True},
        {"restart_marker_blocks": 3},
        {"progressive": True, "restart_marker_rows": 1},
        {"subsampling": 0, "optimize": True},
    ],
)
def test_kinds_of_jpeg(options: dict[str, object]) -> None:
    data = spoken_jpeg(6, **options)
    stripped = strip_photo(data, "x.jpg", settings=SMALL)
    assert np.array_equal(
        read_photo_bytes(data, "x", settings=SMALL).rgb,
        read_photo_bytes(stripped.data, "x", settings=SMALL).rgb,
    )
    assert_bare(stripped.data, 6)
    assert stripped.data.endswith(b"\xff\xd9")
    assert strip_photo(stripped.data, "x", settings=SMALL).data == stripped.data


@pytest.mark.parametrize("mode", ["CMYK", "L", "RGB"])
def test_colours_of_a_jpeg_are_told_by_the_same_marks(mode: str) -> None:
    """The Adobe mark of a CMYK picture and of one kept as RGB decides how it is decoded."""
    options = {"keep_rgb": True} if mode == "RGB" else {}
    data = packed(
        Image.fromarray(GLASS).convert(mode), "JPEG", comment="planted-comment", **options
    )
    stripped = strip_photo(data, "x.jpg", settings=SMALL)
    assert np.array_equal(
        read_photo_bytes(data, "x", settings=SMALL).rgb,
        read_photo_bytes(stripped.data, "x", settings=SMALL).rgb,
    )
    assert_bare(stripped.data, 1)


def test_marks_between_the_scans_of_a_progressive_jpeg_go() -> None:
    data = packed(GLASS, "JPEG", progressive=True)
    second = data.index(b"\xff\xda", data.index(b"\xff\xda") + 2)
    said = segment(0xFE, b"planted-comment") + segment(0xE1, b"planted-xmp") + b"\xff\xff"
    told = data[:second] + said + data[second:]
    assert (
        strip_photo(told, "x", settings=SMALL).data == strip_photo(data, "x", settings=SMALL).data
    )


def test_an_orientation_that_only_the_xmp_tells_is_kept() -> None:
    xmp = b'<x xmlns:tiff="http://ns.adobe.com/tiff/1.0/" tiff:Orientation="6">planted-xmp</x>'
    data = packed(GLASS, "JPEG", xmp=xmp)
    before = read_photo_bytes(data, "x", settings=SMALL).rgb
    assert before.shape[:2] == (160, 120)
    stripped = strip_photo(data, "x", settings=SMALL)
    assert np.array_equal(before, read_photo_bytes(stripped.data, "x", settings=SMALL).rgb)
    assert_bare(stripped.data, 6)


@pytest.mark.parametrize("mode", ["L", "LA", "P", "RGBA", "I;16", "1"])
def test_modes_of_png(mode: str) -> None:
    if mode == "I;16":
        image = Image.fromarray(GLASS[:, :, 0].astype(np.uint16) * 257)
    else:
        image = Image.fromarray(GLASS).convert(mode)
    options = {"transparency": 3} if mode == "P" else {}
    data = spoken_png(3, image, **options)
    before = read_photo_bytes(data, "x", settings=SMALL)
    stripped = strip_photo(data, "x", settings=SMALL)
    after = read_photo_bytes(stripped.data, "x", settings=SMALL)
    assert np.array_equal(before.rgb, after.rgb)
    assert before.notes == after.notes
    assert_bare(stripped.data, 3)
    assert b"gAMA" in stripped.data


def test_every_checksum_of_a_stripped_png_holds() -> None:
    data = strip_photo(spoken_png(6), "x", settings=SMALL).data
    at, kinds = 8, []
    while at < len(data):
        length, kind = struct.unpack_from(">I4s", data, at)
        body = data[at + 8 : at + 8 + length]
        assert struct.unpack_from(">I", data, at + 8 + length)[0] == zlib.crc32(kind + body)
        kinds.append(kind)
        at += 12 + length
    assert kinds[:2] == [b"IHDR", b"eXIf"]
    assert kinds[-1] == b"IEND"


@pytest.mark.parametrize("format_name", ["PNG", "WEBP"])
def test_of_an_animation_the_first_picture_stays(format_name: str) -> None:
    others = [Image.fromarray(drawn_glass(seed, height=120, width=160)) for seed in (2, 3)]
    data = packed(GLASS, format_name, save_all=True, append_images=others, exif=full_exif(8))
    before = read_photo_bytes(data, "x", settings=SMALL)
    assert before.notes
    stripped = strip_photo(data, "x", settings=SMALL)
    after = read_photo_bytes(stripped.data, "x", settings=SMALL)
    assert np.array_equal(before.rgb, after.rgb)
    assert after.notes == ()
    assert len(stripped.data) < len(data) * 0.5
    assert_bare(stripped.data, 8)
    assert strip_photo(stripped.data, "x", settings=SMALL).data == stripped.data


@pytest.mark.parametrize("options", [{"lossless": True}, {"quality": 60}, {"exact": True}])
@pytest.mark.parametrize("mode", ["RGB", "RGBA"])
def test_kinds_of_webp(mode: str, options: dict[str, object]) -> None:
    image = Image.fromarray(GLASS).convert(mode)
    if mode == "RGBA":
        image.putalpha(Image.fromarray(GLASS[:, :, 1]))
    for extra in ({}, {"exif": full_exif(5), "xmp": b"planted-xmp"}):
        data = packed(image, "WEBP", **options, **extra)
        stripped = strip_photo(data, "x", settings=SMALL)
        assert np.array_equal(
            read_photo_bytes(data, "x", settings=SMALL).rgb,
            read_photo_bytes(stripped.data, "x", settings=SMALL).rgb,
        )
        assert struct.unpack_from("<I", stripped.data, 4)[0] == len(stripped.data) - 8
        assert_bare(stripped.data, 5 if extra else 1)


@pytest.mark.parametrize("turn", [1, 6])
def test_a_tiff_becomes_a_png_of_the_same_pixels(turn: int) -> None:
    data = packed(GLASS, "TIFF", exif=full_exif(turn))
    stripped = strip_photo(data, "x.tif", settings=SMALL)
    assert stripped.suffix == ".png"
    assert stripped.header.format_name == "TIFF"
    assert stripped.camera == "Pond 7"
    assert np.array_equal(
        read_photo_bytes(data, "x", settings=SMALL).rgb,
        read_photo_bytes(stripped.data, "x", settings=SMALL).rgb,
    )
    assert_bare(stripped.data, 1)
    assert strip_photo(stripped.data, "x", settings=SMALL).data == stripped.data


def test_a_heic_becomes_a_jpeg_that_looks_the_same() -> None:
    data = packed(GLASS, "HEIF", exif=full_exif(6), xmp=b"<x>planted-xmp</x>")
    stripped = strip_photo(data, "x.heic", settings=SMALL)
    assert (stripped.suffix, stripped.camera) == (".jpg", "Pond 7")
    before = read_photo_bytes(data, "x", settings=SMALL).rgb.astype(float)
    after = read_photo_bytes(stripped.data, "x", settings=SMALL).rgb
    assert before.shape == after.shape == (160, 120, 3)
    assert np.abs(before - after).mean() < 2  # quality 95; a turn or a swap of colours is > 20
    assert_bare(stripped.data, 1)
    assert strip_photo(stripped.data, "x", settings=SMALL).data == stripped.data


def test_the_suffix_follows_the_content_and_not_the_name() -> None:
    assert strip_photo(packed(GLASS, "PNG"), "x.jpg", settings=SMALL).suffix == ".png"
    assert strip_photo(packed(GLASS, "WEBP"), "x.jpg", settings=SMALL).suffix == ".webp"
    assert strip_photo(packed(GLASS, "JPEG"), "x.png", settings=SMALL).suffix == ".jpg"


@pytest.mark.parametrize(
    ("told", "expected"),
    [
        ("  Pond 7\x00rest", "Pond 7"),
        ("a\tb\x07c", "abc"),
        ("x" * 90, "x" * 60),
        (" ", None),
        ("", None),
    ],
)
def test_the_camera_is_printable_trimmed_and_short(told: object, expected: str | None) -> None:
    exif = Image.Exif()
    exif[0x0110] = told
    data = packed(GLASS, "JPEG", exif=exif.tobytes())
    assert strip_photo(data, "x", settings=SMALL).camera == expected


@pytest.mark.parametrize("format_name", FORMATS)
def test_bad_files_are_refused_as_by_the_reader(format_name: str) -> None:
    whole = packed(GLASS, format_name)
    for data in (b"", b"text", b"GIF89a", whole[:20], whole[: len(whole) // 3]):
        with pytest.raises(PhotoError) as by_reader:
            read_photo_bytes(data, "x.jpg", settings=SMALL)
        with pytest.raises(PhotoError) as by_strip:
            strip_photo(data, "x.jpg", settings=SMALL)
        assert type(by_strip.value) is type(by_reader.value)
        assert by_strip.value.advice
    with pytest.raises(PhotoTooSmallError):
        strip_photo(whole, "x")


def test_a_jpeg_whose_parts_do_not_follow_each_other_is_refused() -> None:
    data = packed(GLASS, "JPEG", progressive=True)
    second = data.index(b"\xff\xda", data.index(b"\xff\xda") + 2)
    for wrong in (b"\xff\x02\x00\x04ab", b"\xff\xe1\x00\x01", b"\xff\xe1\xff\xff"):
        with pytest.raises(UnreadablePhotoError, match=r"x\.jpg is damaged"):
            strip_photo(data[:second] + wrong + data[second:], "x.jpg", settings=SMALL)


def test_a_png_without_an_end_gets_one() -> None:
    data = packed(GLASS, "PNG")
    assert strip_photo(data[:-12], "x", settings=SMALL).data == data


def test_real_photos_keep_every_pixel(real_photos: Path) -> None:
    paths = sorted((real_photos / "photos").rglob("*.jpg"))
    assert len(paths) >= 10
    for path in paths[:: len(paths) // 10][:10]:
        data = path.read_bytes()
        stripped = strip_photo(data, path.name)
        assert np.array_equal(
            read_photo_bytes(data, "x").rgb, read_photo_bytes(stripped.data, "x").rgb
        )
        assert strip_photo(stripped.data, "x").data == stripped.data


def test_a_small_jpeg_takes_little_more_than_reading_its_header() -> None:
    """Under 1 ms beyond one reading of the header, for a crop of 224 pixels a side."""
    block = exif_block(taken="2026:11:25 23:15:04", turn=6)
    data = packed(drawn_glass(2, height=224, width=224), "JPEG", exif=block)

    def seconds(action: object) -> float:
        assert callable(action)
        times = []
        for _ in range(30):
            start = time.perf_counter()
            action()
            times.append(time.perf_counter() - start)
        return min(times)

    head = seconds(lambda: read_header_bytes(data, "x", settings=SMALL))
    assert seconds(lambda: strip_photo(data, "x", settings=SMALL)) - head < 1e-3
