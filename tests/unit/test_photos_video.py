"""Reading clips: formats, turns, times, and one sentence for whatever cannot be used."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import av
import cv2
import numpy as np
import pytest
from PIL import Image

from pestvision.errors import ClipError
from pestvision.photos.video import open_clip
from pestvision.settings import ClipSettings
from tests.made_clips import add_sound, turned, write_clip

if TYPE_CHECKING:
    from pathlib import Path

    from pestvision.arrays import U8


def scene(index: int, height: int = 120, width: int = 160) -> U8:
    """Red at the top left, blue at the bottom right, and a white square that goes to the right."""
    rgb = np.full((height, width, 3), 90, np.uint8)
    rgb[: height // 3, : width // 3] = (220, 40, 40)
    rgb[-height // 3 :, -width // 3 :] = (40, 40, 220)
    left = 10 + 4 * index
    rgb[height // 2 - 6 : height // 2 + 6, left : left + 12] = 255
    return rgb


FRAMES = [scene(index) for index in range(12)]


@pytest.mark.parametrize(
    ("name", "codec", "container"),
    [
        ("a.mp4", "libx264", None),
        ("a.mov", "mpeg4", None),
        ("a.webm", "libvpx-vp9", None),
        ("a.mkv", "libx264", None),
        ("a.avi", "mjpeg", None),
        ("clip.jpg", "libx264", "mp4"),  # the content decides, not the name
    ],
)
def test_a_clip_is_read_whatever_its_container(
    tmp_path: Path, name: str, codec: str, container: str | None
) -> None:
    pixels = "yuvj420p" if codec == "mjpeg" else "yuv420p"
    path = write_clip(tmp_path / name, FRAMES, codec=codec, container=container, pix_fmt=pixels)
    clip = open_clip(path)
    read = list(clip.frames(a_second=None))
    assert (clip.width, clip.height, len(read), clip.n_frames) == (160, 120, 12, 12)
    assert np.allclose([frame.time_s for frame in read], np.arange(12) / 10, atol=2e-3)
    assert np.abs(read[-1].rgb.astype(int) - FRAMES[-1]).mean() < 8
    assert clip.notes == []


@pytest.mark.parametrize("degrees", [0, 90, 180, 270])
def test_a_turned_clip_is_turned_upright(tmp_path: Path, degrees: int) -> None:
    path = turned(write_clip(tmp_path / "a.mp4", FRAMES), degrees)
    clip = open_clip(path)
    frame = next(iter(clip.frames()))
    wanted = np.rot90(FRAMES[0], k=-degrees // 90)  # rot90 goes the other way
    assert (clip.height, clip.width) == wanted.shape[:2]
    assert np.abs(frame.rgb.astype(int) - wanted).mean() < 8
    assert np.array_equal(frame.full().shape, wanted.shape)


def test_times_are_those_of_the_stream_where_the_rate_varies(tmp_path: Path) -> None:
    times = [0, 100, 150, 400, 410, 900, 1000, 1500, 1510, 1520, 2000, 2100]
    clip = open_clip(write_clip(tmp_path / "a.mp4", FRAMES, times_ms=times))
    read = [frame.time_s for frame in clip.frames(a_second=None)]
    assert np.allclose(read, np.array(times) / 1000, atol=2e-3)
    thinned = np.array([frame.time_s for frame in clip.frames(a_second=5)])
    assert 6 <= len(thinned) < 12
    assert np.diff(thinned).min() >= 0.09


def test_of_a_quick_clip_about_ten_frames_a_second_are_given(tmp_path: Path) -> None:
    frames = [scene(index % 12) for index in range(60)]
    clip = open_clip(write_clip(tmp_path / "a.mp4", frames, rate=30, options={"bf": "2"}))
    times = np.array([frame.time_s for frame in clip.frames()])
    assert 15 <= len(times) <= 22
    assert np.diff(times).max() < 0.2
    assert clip.seconds_read == pytest.approx(59 / 30, abs=0.07)


def test_sound_beside_the_picture_does_not_matter(tmp_path: Path) -> None:
    clip = open_clip(write_clip(tmp_path / "a.mp4", FRAMES, sound=True))
    assert len(list(clip.frames(a_second=None))) == 12


def test_odd_sizes_and_ten_bits_are_read(tmp_path: Path) -> None:
    odd = [scene(index, 121, 163) for index in range(4)]
    clip = open_clip(write_clip(tmp_path / "a.mkv", odd, pix_fmt="yuv444p"))
    assert next(iter(clip.frames())).full().shape == (121, 163, 3)
    deep = open_clip(write_clip(tmp_path / "b.mkv", FRAMES, pix_fmt="yuv420p10le"))
    assert np.abs(next(iter(deep.frames())).rgb.astype(int) - FRAMES[0]).mean() < 8


def test_a_4k_clip_is_reduced_for_looking_and_whole_on_request(tmp_path: Path) -> None:
    large = [cv2.resize(frame, (3840, 2160)) for frame in FRAMES[:3]]
    clip = open_clip(write_clip(tmp_path / "a.mp4", large))
    frames = list(clip.frames(a_second=None))
    assert frames[0].rgb.shape == (360, 640, 3)
    assert frames[0].scale == pytest.approx(1 / 6)
    assert frames[2].full().shape == (2160, 3840, 3)


def told(path: Path, settings: ClipSettings | None = None) -> str:
    with pytest.raises(ClipError) as caught:
        list(open_clip(path, settings=settings).frames())
    assert caught.value.advice
    return str(caught.value)


def test_a_photo_is_sent_to_the_command_for_photos(tmp_path: Path) -> None:
    Image.fromarray(FRAMES[0]).save(tmp_path / "a.mp4", format="JPEG")
    with pytest.raises(ClipError, match="a JPEG photo, not a clip") as caught:
        open_clip(tmp_path / "a.mp4")
    assert "pestvision check" in caught.value.advice


def test_a_folder_an_empty_file_and_nothing_are_each_told(tmp_path: Path) -> None:
    assert "is a folder" in told(tmp_path)
    (tmp_path / "empty.mp4").touch()
    assert "0 bytes" in told(tmp_path / "empty.mp4")
    assert "There is no" in told(tmp_path / "gone.mp4")
    (tmp_path / "text.mp4").write_text("Amber, Moss, Slate\n" * 50)
    assert "holds text" in told(tmp_path / "text.mp4")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_clip_that_may_not_be_read_is_told(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mp4", FRAMES)
    path.chmod(0)
    assert "permission was refused" in told(path)


def test_sound_alone_is_no_clip(tmp_path: Path) -> None:
    path = tmp_path / "a.mp4"
    with av.open(str(path), "w") as out:
        add_sound(out, out.add_stream("aac", rate=8000))
    assert "only sound" in told(path)


def test_a_single_frame_is_no_clip(tmp_path: Path) -> None:
    assert "a single frame" in told(write_clip(tmp_path / "a.mp4", FRAMES[:1]))


def test_a_clip_without_its_index_is_told_as_cut_off(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mp4", FRAMES)
    path.write_bytes(path.read_bytes()[:-900])  # the index lies at the end
    assert "cut off or damaged" in told(path)


def test_what_is_there_of_a_cut_clip_is_used_and_told(tmp_path: Path) -> None:
    noisy = np.random.default_rng(0).integers(0, 255, (30, 120, 160, 3), np.uint8)
    path = write_clip(
        tmp_path / "a.mp4", list(noisy), options={"preset": "ultrafast", "movflags": "faststart"}
    )
    with (
        av.open(str(path)) as made,
        av.open(str(tmp_path / "b.mp4"), "w", options={"movflags": "faststart"}) as out,
    ):
        stream = out.add_stream_from_template(made.streams.video[0])
        for packet in made.demux(made.streams.video[0]):
            if packet.dts is not None:
                packet.stream = stream
                out.mux(packet)
    whole = (tmp_path / "b.mp4").read_bytes()
    (tmp_path / "b.mp4").write_bytes(whole[: len(whole) // 2])
    clip = open_clip(tmp_path / "b.mp4")
    n = len(list(clip.frames(a_second=None)))
    assert 8 <= n <= 16
    assert any("cut off" in note or "damaged" in note for note in clip.notes)


def test_damaged_packets_end_nothing_but_themselves(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mkv", FRAMES * 3, options={"g": "6", "preset": "ultrafast"})
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 40] = b"\xff" * 40
    path.write_bytes(bytes(data))
    clip = open_clip(path)
    assert 12 <= len(list(clip.frames(a_second=None))) <= 36


def test_what_is_over_the_limits_is_told_or_looked_at_in_part(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mp4", FRAMES, rate=1)
    assert "megapixels are accepted" in told(path, ClipSettings(max_megapixels=0.01))
    clip = open_clip(path, settings=ClipSettings(max_minutes=0.1))
    assert [frame.time_s for frame in clip.frames()][-1] == pytest.approx(6.0)
    assert "Only the first 0.1 minutes" in clip.notes[0]


def test_a_list_of_addresses_is_not_followed(tmp_path: Path) -> None:
    inner = write_clip(tmp_path / "inner.mp4", FRAMES)
    playlist = tmp_path / "a.mp4"
    playlist.write_text(f"#EXTM3U\n#EXTINF:1,\nfile://{inner}\n#EXT-X-ENDLIST\n")
    assert "is not a clip" in told(playlist)
    joined = tmp_path / "b.mp4"
    joined.write_text(f"ffconcat version 1.0\nfile {inner}\n")
    assert "is not a clip" in told(joined)


def test_reading_again_begins_anew(tmp_path: Path) -> None:
    clip = open_clip(write_clip(tmp_path / "a.mp4", FRAMES))
    first = [frame.time_s for frame in clip.frames()]
    assert [frame.time_s for frame in clip.frames()] == first
    assert clip.n_frames == 12
