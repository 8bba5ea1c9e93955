"""Reading a photo: every format and mode is decided, every bad file gets one sentence."""

from __future__ import annotations

import builtins
import os
import struct
import sys
import threading
import warnings
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pestvision.errors import (
    PhotoError,
    PhotoTooLargeError,
    PhotoTooSmallError,
    UnreadablePhotoError,
    UnsupportedFormatError,
)
from pestvision.photos.read import (
    read_header,
    read_photo,
    read_photo_bytes,
    read_reduced,
    shown_name,
)
from pestvision.settings import PhotoSettings
from tests.photo_files import FORMATS, drawn_glass, exif_block, packed

GLASS = drawn_glass(1, height=300, width=400)
OUR_NAMES = {"JPEG": "JPEG", "PNG": "PNG", "WEBP": "WebP", "TIFF": "TIFF", "HEIF": "HEIC"}
SMALLEST = PhotoSettings(min_megapixels=0.001)


def refused(data: bytes, kind: type[PhotoError], name: str = "tank.jpg") -> str:
    """The sentence with which bytes are refused."""
    with pytest.raises(kind) as caught:
        read_photo_bytes(data, name)
    assert type(caught.value) is kind
    assert name in str(caught.value)
    assert caught.value.advice.endswith(".")
    assert "\n" not in caught.value.sentence()
    return caught.value.sentence()


@pytest.mark.parametrize("format_name", FORMATS)
def test_each_format_is_read_by_content_whatever_its_extension(
    format_name: str, tmp_path: Path
) -> None:
    path = tmp_path / "tank.txt"
    path.write_bytes(packed(GLASS, format_name, quality=95))
    photo = read_photo(path)
    assert photo.rgb.shape == (300, 400, 3)
    assert photo.rgb.dtype == np.uint8
    assert photo.rgb.flags.writeable
    assert photo.format_name == OUR_NAMES[format_name]
    assert np.abs(photo.rgb.astype(int) - GLASS).mean() < 6  # lossy ones; a swap of colours is > 30
    assert (photo.name, photo.path, photo.notes) == ("tank.txt", path, ())


@pytest.mark.parametrize("format_name", FORMATS)
def test_time_and_turn_are_read_from_every_format(format_name: str) -> None:
    block = exif_block(taken="2026:11:25 23:15:04", subsec="250", offset="+01:00", turn=6)
    photo = read_photo_bytes(packed(GLASS, format_name, exif=block), "tank")
    assert photo.taken.iso() == "2026-11-25T23:15:04.250+01:00"
    assert (photo.height, photo.width) == (400, 300)


@pytest.mark.parametrize("format_name", FORMATS)
@pytest.mark.parametrize("turn", [1, 3, 6])
def test_the_header_agrees_with_the_photo(format_name: str, turn: int, tmp_path: Path) -> None:
    path = tmp_path / "20261125_231504.jpg"
    path.write_bytes(packed(GLASS, format_name, exif=exif_block(turn=turn)))
    header, photo = read_header(path), read_photo(path)
    assert (header.height, header.width) == photo.rgb.shape[:2]
    assert header.format_name == photo.format_name
    assert header.taken == photo.taken
    assert header.taken.source == "file-name"


@pytest.mark.parametrize("format_name", FORMATS)
def test_a_reduced_copy_shows_the_same_upright_picture(format_name: str, tmp_path: Path) -> None:
    path = tmp_path / "tank"
    glass = drawn_glass(2, height=900, width=1200)
    path.write_bytes(packed(glass, format_name, exif=exif_block(turn=6)))
    reduced = read_reduced(path, 200)
    assert (reduced.header.height, reduced.header.width) == (1200, 900)
    assert 150 <= reduced.rgb.shape[0] <= 200
    assert reduced.rgb.shape[0] > reduced.rgb.shape[1]
    whole = Image.fromarray(read_photo(path).rgb)
    expected = np.asarray(whole.resize(reduced.rgb.shape[1::-1], Image.Resampling.BOX))
    assert np.abs(reduced.rgb.astype(int) - expected).mean() < 4


def test_a_reduced_copy_is_never_enlarged(tmp_path: Path) -> None:
    path = tmp_path / "tank.jpg"
    path.write_bytes(packed(GLASS))
    assert read_reduced(path, 1000).rgb.shape == (300, 400, 3)


def test_an_exif_block_after_the_pixels_of_a_png_is_found(tmp_path: Path) -> None:
    plain = packed(GLASS, "PNG")
    block = exif_block(taken="2026:11:25 23:15:04", turn=8).removeprefix(b"Exif\x00\x00")
    chunk = struct.pack(">I", len(block)) + b"eXIf" + block
    chunk += struct.pack(">I", zlib.crc32(b"eXIf" + block))
    path = tmp_path / "tank.png"
    path.write_bytes(plain[:-12] + chunk + plain[-12:])
    header, photo = read_header(path), read_photo(path)
    assert (header.height, header.width) == photo.rgb.shape[:2] == (400, 300)
    assert photo.taken.source == "exif"


# Modes


def test_cmyk_becomes_screen_colours_with_a_note() -> None:
    photo = read_photo_bytes(packed(Image.fromarray(GLASS).convert("CMYK"), quality=95), "tank.jpg")
    assert np.abs(photo.rgb.astype(int) - GLASS).mean() < 6
    assert any("CMYK" in note for note in photo.notes)


def test_a_jpeg_of_the_ycck_kind_is_read() -> None:
    ink = np.asarray(Image.fromarray(GLASS).convert("CMYK"))
    ycc = Image.fromarray(ink[..., :3]).convert("YCbCr")
    layers = [*ycc.split(), Image.fromarray(255 - ink[..., 3])]
    stored = Image.merge("CMYK", [Image.fromarray(255 - np.asarray(one)) for one in layers])
    data = packed(stored, quality=95)
    adobe = data.index(b"Adobe")
    data = data[: adobe + 11] + b"\x02" + data[adobe + 12 :]  # colour transform 2: YCCK
    photo = read_photo_bytes(data, "tank.jpg")
    assert np.abs(photo.rgb.astype(int) - GLASS).mean() < 6
    assert any("CMYK" in note for note in photo.notes)


@pytest.mark.parametrize("format_name", ["PNG", "TIFF"])
def test_sixteen_bit_grey_is_scaled_and_not_clipped(format_name: str) -> None:
    ramp = np.tile(np.linspace(0, 65535, 400).round().astype(np.uint16), (300, 1))
    photo = read_photo_bytes(packed(ramp, format_name), "tank")
    expected = np.rint(ramp / 257)
    assert np.abs(photo.rgb[..., 0] - expected).max() == 0
    assert (photo.rgb[..., 0] == photo.rgb[..., 2]).all()
    assert any("16-bit" in note for note in photo.notes)


def test_sixteen_bit_colour_is_scaled_and_not_clipped() -> None:
    values = np.linspace(0, 65535, 300 * 400 * 3).round().astype(">u2").reshape(300, 400, 3)
    raw = b"".join(b"\x00" + row.tobytes() for row in values)
    photo = read_photo_bytes(png_of(raw, bit_depth=16, colour=2), "tank.png")
    assert np.abs(photo.rgb - values / 257).max() <= 1
    assert any("16-bit" in note for note in photo.notes)


@pytest.mark.parametrize("format_name", ["JPEG", "PNG", "WEBP", "TIFF"])
def test_grey_becomes_three_equal_channels(format_name: str) -> None:
    grey = Image.fromarray(GLASS).convert("L")
    photo = read_photo_bytes(packed(grey, format_name, quality=95), "tank")
    assert photo.rgb.shape == (300, 400, 3)
    assert np.abs(photo.rgb[..., 0].astype(int) - photo.rgb[..., 1]).max() <= 2
    assert np.abs(photo.rgb[..., 1].astype(int) - np.asarray(grey)).mean() < 3
    assert photo.notes == ()


def test_palette_and_one_bit_are_read() -> None:
    palette = Image.fromarray(GLASS).quantize(256)
    photo = read_photo_bytes(packed(palette, "PNG"), "tank.png")
    assert np.array_equal(photo.rgb, np.asarray(palette.convert("RGB")))
    bits = Image.fromarray(GLASS).convert("1")
    photo = read_photo_bytes(packed(bits, "PNG"), "tank.png")
    assert set(np.unique(photo.rgb)) == {0, 255}


@pytest.mark.parametrize("format_name", ["PNG", "WEBP", "TIFF", "HEIF"])
def test_see_through_parts_lie_on_white_and_a_note_says_so(format_name: str) -> None:
    rgba = np.dstack([GLASS, np.full(GLASS.shape[:2], 255, np.uint8)])
    rgba[:100, :, 3] = 0
    rgba[100:150, :, 3] = 128
    options = {"lossless": True} if format_name == "WEBP" else {"quality": -1}
    photo = read_photo_bytes(packed(rgba, format_name, **options), "tank")
    assert photo.rgb[:96].min() >= 250
    half = 255 - (255 - GLASS[104:146].astype(int)) * 128 / 255
    assert np.abs(photo.rgb[104:146] - half).mean() < 3
    assert any("white" in note for note in photo.notes)


def test_a_transparency_channel_that_hides_nothing_is_no_note() -> None:
    rgba = np.dstack([GLASS, np.full(GLASS.shape[:2], 255, np.uint8)])
    photo = read_photo_bytes(packed(rgba, "PNG"), "tank.png")
    assert np.array_equal(photo.rgb, GLASS)
    assert photo.notes == ()


def test_grey_and_palette_with_transparency_lie_on_white() -> None:
    grey = Image.fromarray(GLASS).convert("LA")
    grey.putalpha(0)
    assert read_photo_bytes(packed(grey, "PNG"), "tank.png").rgb.min() == 255
    palette = Image.fromarray(GLASS).quantize(16)
    photo = read_photo_bytes(packed(palette, "PNG", transparency=bytes(16)), "tank.png")
    assert photo.rgb.min() == 255


# Several pictures in one file


@pytest.mark.parametrize("format_name", ["PNG", "WEBP", "TIFF", "HEIF"])
def test_the_first_of_several_pictures_is_used_and_a_note_says_so(format_name: str) -> None:
    more = [Image.fromarray(drawn_glass(seed)) for seed in (5, 6)]
    data = packed(GLASS, format_name, save_all=True, append_images=more)
    photo = read_photo_bytes(data, "tank")
    assert np.abs(photo.rgb.astype(int) - GLASS).mean() < 8
    assert any("more than one picture" in note for note in photo.notes)


def test_a_phones_jpeg_with_a_second_picture_is_read_as_jpeg() -> None:
    second = Image.fromarray(drawn_glass(5))
    data = packed(GLASS, "MPO", save_all=True, append_images=[second], quality=95)
    photo = read_photo_bytes(data, "tank.jpg")
    assert photo.format_name == "JPEG"
    assert np.abs(photo.rgb.astype(int) - GLASS).mean() < 6
    assert photo.notes == ()


# Limits


def png_of(
    raw: bytes, *, bit_depth: int = 8, colour: int = 2, size_wh: tuple[int, int] = (400, 300)
) -> bytes:
    """A PNG whose header says what it is told to."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + body))
        return struct.pack(">I", len(body)) + kind + body + check

    head = struct.pack(">IIBBBBB", *size_wh, bit_depth, colour, 0, 0, 0)
    body = chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(raw)) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


@pytest.mark.parametrize("size_wh", [(10001, 10000), (12000, 12000), (60000, 60000)])
def test_a_decompression_bomb_is_refused_by_its_header(size_wh: tuple[int, int]) -> None:
    sentence = refused(png_of(b"", size_wh=size_wh), PhotoTooLargeError, "bomb.png")
    assert "100 megapixels" in sentence


def test_no_memory_is_taken_for_a_bomb(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        pytest.fail("pixels were asked for")

    monkeypatch.setattr(Image.Image, "load", fail)
    refused(png_of(b"", size_wh=(20000, 20000)), PhotoTooLargeError, "bomb.png")


def test_a_hundred_megapixels_pass_and_one_row_more_does_not(tmp_path: Path) -> None:
    path = tmp_path / "large.png"
    path.write_bytes(png_of(bytes(1251 * 10000), bit_depth=1, colour=0, size_wh=(10000, 10000)))
    assert read_header(path).height == 10000
    path.write_bytes(png_of(bytes(1251 * 10001), bit_depth=1, colour=0, size_wh=(10000, 10001)))
    with pytest.raises(PhotoTooLargeError):
        read_header(path)


@pytest.mark.parametrize(
    ("height", "width", "is_refused"),
    [(250, 400, False), (249, 401, True), (64, 64, True), (31, 40000, True), (32, 40000, False)],
)
def test_too_small_photos_are_refused(height: int, width: int, is_refused: bool) -> None:
    data = packed(np.zeros((height, width, 3), np.uint8), "PNG")
    if is_refused:
        assert f"{width} × {height}" in refused(data, PhotoTooSmallError)
    else:
        assert read_photo_bytes(data, "tank.png").rgb.shape == (height, width, 3)


def test_the_limits_are_settings() -> None:
    data = packed(GLASS)
    with pytest.raises(PhotoTooLargeError, match=r"at most 0[.]11 megapixels"):
        read_photo_bytes(data, "tank.jpg", settings=PhotoSettings(max_megapixels=0.11))
    with pytest.raises(PhotoTooSmallError, match=r"at least 0[.]5 megapixels"):
        read_photo_bytes(data, "tank.jpg", settings=PhotoSettings(min_megapixels=0.5))
    with pytest.raises(PhotoTooLargeError, match="MB are accepted"):
        read_photo_bytes(data, "tank.jpg", settings=PhotoSettings(max_file_megabytes=0.001))


def test_a_file_over_the_limit_is_not_even_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "huge.tif"
    with path.open("wb") as file:
        file.truncate(401_000_000)  # takes no room on the disk
    monkeypatch.setattr(Path, "read_bytes", lambda _: pytest.fail("the file was read"))
    with pytest.raises(PhotoTooLargeError, match="401 MB"):
        read_photo(path)


# Damage


@pytest.mark.parametrize("format_name", FORMATS)
@pytest.mark.parametrize("share", [0.3, 0.6, 0.9, 0.98])
def test_a_truncated_file_is_refused(format_name: str, share: float) -> None:
    data = packed(GLASS, format_name)
    refused(data[: int(len(data) * share)], UnreadablePhotoError)


def test_a_jpeg_whose_tail_was_overwritten_with_zeros_is_refused() -> None:
    data = packed(GLASS)
    half = len(data) // 2
    assert "cut off" in refused(data[:half] + bytes(len(data) - half), UnreadablePhotoError)


def test_a_preview_inside_a_truncated_jpeg_does_not_count_as_its_end() -> None:
    block = b"Exif\x00\x00" + b"MM\x00*\x00\x00\x00\x08\x00\x00\x00\x00\x00\x00" + packed(GLASS)
    data = packed(GLASS, exif=block)
    assert read_photo_bytes(data, "tank.jpg").width == 400
    refused(data[:-500], UnreadablePhotoError)


def test_a_jpeg_header_that_claims_more_than_the_file_holds_is_refused() -> None:
    data = bytearray(packed(GLASS))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", 9000, 9000)
    assert "cut off" in refused(bytes(data), UnreadablePhotoError)


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"quality": 1}])
def test_an_even_grey_jpeg_is_not_taken_for_a_truncated_one(options: dict[str, object]) -> None:
    flat = np.full((3000, 4000, 3), 128, np.uint8)
    assert read_photo_bytes(packed(flat, optimize=True, **options), "flat.jpg").width == 4000


def test_a_png_header_that_claims_more_than_the_file_holds_is_refused() -> None:
    refused(png_of(bytes(1201 * 10)), UnreadablePhotoError)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"water changed, two snails missing\n", "holds text"),
        ("Schnecken zählen – 25 %".encode(), "holds text"),
        (b"<html><body>not here</body></html>", "holds text"),
        (bytes(range(256)) * 4, "nothing that is known"),
        (b"BM" + bytes(100), "BMP"),
        (b"%PDF-1.7\n", "PDF"),
        (b"II*\x00\x10\x00\x00\x00CR\x02\x00", "raw"),
        (b"\x00\x00\x00\x18ftypcrx \x00\x00\x00\x01crx isom", "raw"),
        (b"\x00\x00\x00\x1cftypavif\x00\x00\x00\x00avifmif1miaf", "AVIF"),
        (b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00mp42isom", "video"),
        (b"\x00\x00\x00\x14ftypqt  \x00\x00\x00\x00qt  ", "video"),
    ],
)
def test_what_is_no_photo_is_named(data: bytes, words: str) -> None:
    assert words in refused(data, UnsupportedFormatError)


def test_a_gif_is_unsupported_and_the_advice_says_what_would_do() -> None:
    more = [Image.fromarray(drawn_glass(5))]
    data = packed(GLASS, "GIF", save_all=True, append_images=more)
    assert "Save it as a JPEG or PNG" in refused(data, UnsupportedFormatError)


@pytest.mark.parametrize("tags", [{50706: b"\x01\x04\x00\x00"}, {254: 1, 330: 8}])
def test_raw_pictures_built_on_tiff_are_unsupported(tags: dict[int, object]) -> None:
    directory = Image.Exif()
    directory.update(tags)
    data = packed(GLASS, "TIFF", tiffinfo=directory) if 330 not in tags else sub_picture_tiff()
    assert "Export it as a JPEG" in refused(data, UnsupportedFormatError, "snail.dng")


def sub_picture_tiff() -> bytes:
    """A first directory that is a reduced copy and points to others."""
    entries = struct.pack("<HHII", 254, 4, 1, 1) + struct.pack("<HHII", 330, 4, 1, 64)
    return b"II*\x00\x08\x00\x00\x00" + struct.pack("<H", 2) + entries + bytes(64)


def test_a_tiff_of_measured_numbers_is_unsupported() -> None:
    numbers = np.linspace(0, 1, 120000, dtype=np.float32).reshape(300, 400)
    refused(packed(numbers, "TIFF"), UnsupportedFormatError)


@pytest.mark.parametrize(
    "block",
    [
        b"Exif\x00\x00" + b"\xff" * 40,
        b"Exif\x00\x00II*\x00\xff\xff\xff\x7f",
        b"Exif\x00\x00MM\x00*\x00\x00\x00\x08\xff\xff" + b"\x01" * 60,
        b"Exif\x00\x00",
    ],
)
def test_a_broken_exif_block_costs_the_time_and_not_the_photo(block: bytes) -> None:
    photo = read_photo_bytes(packed(GLASS, exif=block), "tank.jpg")
    assert photo.taken.source == "none"
    assert (photo.height, photo.width) == (300, 400)


# Files


def test_files_that_cannot_be_opened_each_get_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "empty.jpg").touch()
    (tmp_path / "folder.jpg").mkdir()
    (tmp_path / "gone.jpg").symlink_to(tmp_path / "nowhere.jpg")
    (tmp_path / "round.jpg").symlink_to(tmp_path / "round.jpg")
    os.mkfifo(tmp_path / "pipe.jpg")
    cases = {
        "missing.jpg": "There is no missing.jpg",
        "empty.jpg": "empty.jpg is empty: it holds 0 bytes",
        "folder.jpg": "folder.jpg is a folder",
        "gone.jpg": "a link to a file that is gone",
        "round.jpg": "leads back to itself",
        "pipe.jpg": "a device or a pipe",
    }
    for name, words in cases.items():
        for reader in (read_photo, read_header, lambda path: read_reduced(path, 512)):
            with pytest.raises(UnreadablePhotoError, match=words) as caught:
                reader(tmp_path / name)
            assert caught.value.advice
    with pytest.raises(UnreadablePhotoError):
        read_photo(Path("a\x00b.jpg"))
    refused(b"", UnreadablePhotoError)


def test_refused_permission_and_a_failing_disk_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "tank.jpg"
    path.write_bytes(packed(GLASS))
    for error, words in (
        (PermissionError(13, "denied"), "permission"),
        (OSError(5, "I/O error"), "i/o"),
    ):

        def fail(_: Path, error: OSError = error) -> bytes:
            raise error

        monkeypatch.setattr(Path, "read_bytes", fail)
        with pytest.raises(UnreadablePhotoError, match=words):
            read_photo(path)


def test_running_out_of_memory_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise MemoryError

    data = packed(GLASS, "PNG")
    monkeypatch.setattr(Image.Image, "crop", fail)
    assert "memory" in refused(data, PhotoTooLargeError)


def test_heic_without_its_package_says_what_to_do_and_jpeg_is_still_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    data = packed(GLASS, "HEIF")
    real_import = builtins.__import__

    def refusing(name: str, *rest: object) -> object:
        if name == "pillow_heif":
            raise ImportError(name)
        return real_import(name, *rest)

    monkeypatch.delitem(sys.modules, "pillow_heif")
    monkeypatch.setattr(builtins, "__import__", refusing)
    assert "export the photo as a JPEG" in refused(data, UnsupportedFormatError, "tank.heic")
    assert read_photo_bytes(packed(GLASS), "tank.jpg").width == 400


def test_names_are_shown_without_what_cannot_be_printed(tmp_path: Path) -> None:
    assert shown_name(tmp_path / "two\nlines\udc80.jpg") == "two?lines?.jpg"
    assert "two?lines" in refused_name("two\nlines.jpg")


def refused_name(name: str) -> str:
    with pytest.raises(PhotoError) as caught:
        read_photo_bytes(b"text", name)
    return caught.value.sentence()


def test_reading_in_two_threads_leaves_the_warnings_as_they_were() -> None:
    before = list(warnings.filters)
    data = packed(GLASS, "PNG")
    threads = [
        threading.Thread(target=lambda: [read_photo_bytes(data, "tank.png") for _ in range(10)])
        for _ in range(2)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert warnings.filters == before


@pytest.mark.slow
def test_real_photographs_are_read_at_the_size_their_list_says(real_photos: Path) -> None:
    import csv

    with (real_photos / "photos.csv").open(newline="") as file:
        sizes = {
            row["file"]: (int(row["height"]), int(row["width"])) for row in csv.DictReader(file)
        }
    assert len(sizes) > 100
    for name, (height, width) in sizes.items():
        if height * width < 100_000:
            with pytest.raises(PhotoTooSmallError):
                read_photo(real_photos / "photos" / name)
        photo = read_photo(real_photos / "photos" / name, settings=SMALLEST)
        assert photo.rgb.shape == (height, width, 3), name
    for path in sorted((real_photos / "backgrounds").iterdir()):
        assert read_photo(path, settings=SMALLEST).rgb.std() > 0, path.name


def test_a_jpeg_damaged_in_its_middle_is_refused_where_pillow_cannot_load_it(
    tmp_path: Path,
) -> None:
    rng = np.random.default_rng(4)
    coarse = rng.integers(0, 256, (24, 32, 3), np.uint8)
    path = tmp_path / "photo.jpg"
    Image.fromarray(coarse).resize((640, 480)).save(path, quality=88)
    whole = path.read_bytes()
    n_damaged = 0
    for _ in range(60):
        data = bytearray(whole)
        for place in rng.integers(700, len(data) - 2, 20):
            data[place] = int(rng.integers(256))
        path.write_bytes(data)
        try:
            Image.open(path).load()
        except OSError:
            n_damaged += 1
            with pytest.raises(UnreadablePhotoError):
                read_photo(path)
    assert n_damaged > 0
