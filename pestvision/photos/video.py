"""Read a short clip, frame after frame, never holding more than one of them.

The file's content decides what it is, not its name. Frames come upright, in RGB, each with its own time
from the stream's time stamps, and reduced by libav's scaler, which is several times faster than reducing
them afterwards. No address in a file is ever followed: libav is given the open file and may open no other.
"""

from __future__ import annotations

import stat
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

from pestvision.arrays import U8, as_rgb
from pestvision.errors import ClipError
from pestvision.photos.formats import tell_content
from pestvision.photos.read import shown_name
from pestvision.photos.upright import Upright, turned_size
from pestvision.settings import ClipSettings

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator
    from pathlib import Path

ANALYSIS_SIDE_PX: Final = 640
"""Long side to which frames are reduced: an animal that fills a tenth of the frame is then 64 px long."""
FRAMES_A_SECOND: Final = 10.0
"""Frames looked at in a second: a swimming medicinal leech, the quickest wave to be told, waves 1.7 times
a second, and five frames a wave show it."""
_SKIP_FROM_FPS: Final = 24.0
"""From this rate on frames that no other frame needs are not decoded. At the least one of three is left."""
_HEAD_BYTES: Final = 4096
_MANY_BAD: Final = 200  # packets in a row that cannot be decoded: the rest is given up
_LOST_S: Final = 0.5  # a clip that ends so much sooner than it says has lost its end …
_LOST_SHARE: Final = 0.1  # … and by this share of it at least
_FORMATS: Final = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,asf,flv,ogg,gif,mxf"
"""What libav may take a file for: containers of clips, none that names other files or addresses."""
_GIVE_CLIP: Final = "Give a short clip as a phone makes it: MP4, MOV or WebM."
_COPY_AGAIN: Final = "Copy it again from the phone: the whole file is needed."
_PHOTOS: Final = ("JPEG", "PNG", "WebP", "TIFF", "HEIC")


@dataclass(frozen=True, slots=True, eq=False)
class ClipFrame:
    """One frame of a clip or burst.

    Parameters
    ----------
    index
        Its number among the frames that were decoded, from 0.
    time_s
        Seconds from the first frame.
    rgb
        (h, w, 3) uint8, RGB, upright, reduced.
    scale
        By how much: pixels of `rgb` over those of the frame, 1 where it was small already.
    full
        Gives the frame at its full size, (H, W, 3) uint8. It holds the decoded frame in memory for as
        long as this record lives.
    """

    index: int
    time_s: float
    rgb: U8
    scale: float
    full: Callable[[], U8]

    def __post_init__(self) -> None:
        as_rgb(self.rgb)


@dataclass(slots=True, eq=False)
class Clip:
    """A clip that can be read, before any frame is decoded.

    `width` and `height` are those of an upright frame, pixels; `seconds` is what the file says, None
    where it says nothing. `n_frames`, `seconds_read` and `notes` grow while frames are read.
    """

    path: Path
    name: str
    width: int
    height: int
    seconds: float | None
    settings: ClipSettings
    n_frames: int = 0
    seconds_read: float = 0.0
    notes: list[str] = field(default_factory=list)
    is_burst: bool = False

    def frames(
        self, *, long_side_px: int = ANALYSIS_SIDE_PX, a_second: float | None = FRAMES_A_SECOND
    ) -> Generator[ClipFrame]:
        """Decode the clip and give the frames that are to be looked at, in order of time.

        Parameters
        ----------
        long_side_px
            The longer side of `ClipFrame.rgb` at most.
        a_second
            How many frames a second are given; None gives all.

        Raises
        ------
        ClipError
            If not a single frame can be decoded, or the file is gone.
        """
        self.n_frames, self.seconds_read, self.notes = 0, 0.0, []
        with _opened(self.path, self.name) as container:
            stream = container.streams.video[0]
            stream.thread_type = "AUTO"
            rate = float(stream.average_rate or 0)
            if a_second is not None and rate >= _SKIP_FROM_FPS and a_second <= rate / 2:
                stream.codec_context.skip_frame = "NONREF"
            yield from self._given(container, stream, long_side_px, a_second)

    def _given(
        self, container: Any, stream: Any, long_side_px: int, a_second: float | None
    ) -> Generator[ClipFrame]:
        first_s, due_s, last_s, index = None, -1.0, -1.0, 0
        step_s = 0.0 if a_second is None else 1.0 / a_second
        slack_s = 0.25 * step_s  # a frame a little early is better than one much too late
        upright = Upright(stream)
        for frame in self._decoded(container, stream):
            at_s = _time_of(frame)
            if at_s is None:
                continue
            first_s = at_s if first_s is None else first_s
            time_s = at_s - first_s
            if time_s > 60 * self.settings.max_minutes:
                self.notes.append(
                    f"Only the first {self.settings.max_minutes:g} minutes were looked at "
                    "(setting max_minutes)."
                )
                break
            self.seconds_read = max(self.seconds_read, time_s)
            index += 1
            if time_s <= last_s or time_s < due_s - slack_s:
                continue
            last_s = time_s
            due_s = max(due_s + step_s, time_s + 0.5 * step_s)
            rgb, scale = upright.reduced(frame, long_side_px)
            yield ClipFrame(index - 1, time_s, rgb, scale, _Held(upright, frame))
        else:
            self._tell_what_is_missing()
        self.notes += upright.notes
        if index == 0:
            message = f"{self.name} is damaged: none of its frames can be decoded."
            raise ClipError(message, advice=_COPY_AGAIN)

    def _decoded(self, container: Any, stream: Any) -> Iterator[Any]:
        """Decode packet by packet; what is damaged is left out and counted."""
        import av

        n_bad = in_a_row = 0
        try:
            for packet in container.demux(stream):
                self.n_frames += packet.size > 0
                try:
                    frames = packet.decode()
                except av.error.FFmpegError:
                    n_bad += 1
                    in_a_row += 1
                    if in_a_row > _MANY_BAD:
                        break
                    continue
                for frame in frames:
                    in_a_row = 0
                    if frame.is_corrupt:
                        n_bad += 1
                    else:
                        yield frame
        except (av.error.FFmpegError, OSError):
            n_bad += 1
        if n_bad:
            many = f"{n_bad} frames are" if n_bad > 1 else "1 frame is"
            self.notes.append(f"{many} damaged and left out.")

    def _tell_what_is_missing(self) -> None:
        said = self.seconds or 0.0
        lost = said - self.seconds_read
        if self.n_frames > 1 and lost > max(_LOST_S, _LOST_SHARE * said):
            self.notes.append(
                f"The clip is cut off: of {said:.1f} seconds the first {self.seconds_read:.1f} could be "
                "read and were used."
            )


class _Held:
    """A decoded frame kept for its full size."""

    __slots__ = ("_frame", "_upright")

    def __init__(self, upright: Upright, frame: Any) -> None:
        self._upright, self._frame = upright, frame

    def __call__(self) -> U8:
        return self._upright.full(self._frame)


def open_clip(path: Path, *, settings: ClipSettings | None = None) -> Clip:
    """Open a clip and read what it says of itself.

    Parameters
    ----------
    path
        A file that holds a clip, whatever its extension says: MP4, MOV, WebM, Matroska, AVI and others.
    settings
        The limits; the defaults where None.

    Raises
    ------
    ClipError
        If it is missing, a folder, empty, not allowed, a photo, sound alone, a single picture, too large
        a picture, or nothing that is known as a clip; the message says which, and what would do.
    """
    limits = settings or ClipSettings()
    name = shown_name(path)
    _require_file(path, name)
    with _opened(path, name) as container:
        if not container.streams.video:
            what = "only sound" if container.streams.audio else "no moving picture"
            raise ClipError(f"{name} holds {what}.", advice=_GIVE_CLIP)
        stream = container.streams.video[0]
        frame = _first_frame(container, stream, name)
        width = round(frame.width * Upright(stream).stretch)
        height, width = turned_size(frame, frame.height, width)
        megapixels = width * height / 1e6
        if megapixels > limits.max_megapixels:
            raise ClipError(
                f"{name} is {width} × {height} pixels ({megapixels:.3g} megapixels), and at most "
                f"{limits.max_megapixels:g} megapixels are accepted.",
                advice="Record it in a smaller size, or raise max_megapixels in [clip] of a settings file.",
            )
        if min(width, height) < _MIN_SIDE_PX:
            message = f"{name} is {width} × {height} pixels, too few to show a small animal."
            raise ClipError(message, advice="Give the original clip, not a preview of it.")
        seconds = _said_seconds(container, stream)
    return Clip(path, name, width, height, seconds, limits)


_MIN_SIDE_PX: Final = 32  # as for photos: a strip thinner than this shows no animal whole


def _time_of(frame: Any) -> float | None:
    """Give a frame's time stamp in seconds; that of its packet where it has none of its own."""
    stamp = frame.pts if frame.pts is not None else frame.dts
    return None if stamp is None or frame.time_base is None else float(stamp * frame.time_base)


def _said_seconds(container: Any, stream: Any) -> float | None:
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    return float(container.duration) / 1e6 if container.duration else None


def _first_frame(container: Any, stream: Any, name: str) -> Any:
    """Decode until a first frame comes, and make sure that there is a second one."""
    import av

    first = None
    try:
        for packet in container.demux(stream):
            try:
                frames = packet.decode()
            except av.error.FFmpegError:
                continue
            for frame in frames:
                if first is not None:
                    return first
                first = frame
    except (av.error.FFmpegError, OSError):
        pass
    if first is None:
        message = f"{name} is damaged: none of its frames can be decoded."
        raise ClipError(message, advice=_COPY_AGAIN)
    raise ClipError(
        f"{name} holds a single frame, and a movement takes several.",
        advice="Record a few seconds; a single picture is for: pestvision check",
    )


def _require_file(path: Path, name: str) -> None:
    """Say in one sentence why a path is no clip, as far as that shows without libav."""
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            message = f"{name} is a folder, and a clip was expected."
            raise ClipError(message, advice="Give the clip in it, or photos of a burst.")
        if not stat.S_ISREG(status.st_mode):
            raise ClipError(f"{name} is a device or a pipe, not a file.", advice=_GIVE_CLIP)
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except FileNotFoundError as error:
        raise ClipError(f"There is no {name}.", advice="Check the path.") from error
    except PermissionError as error:
        message = f"{name} may not be read by this user: permission was refused."
        advice = "Change the file's permission, or copy it to a folder of your own."
        raise ClipError(message, advice=advice) from error
    except (OSError, ValueError) as error:
        why = (getattr(error, "strerror", None) or str(error)).lower()
        raise ClipError(
            f"{name} cannot be read: {why}.", advice="Check the path and disk."
        ) from error
    if not head:
        raise ClipError(f"{name} is empty: it holds 0 bytes.", advice=_COPY_AGAIN)
    content = tell_content(head)
    if content.format_name in _PHOTOS:
        raise ClipError(
            f"{name} holds {content.words}, not a clip.",
            advice=f"Run: pestvision check {name} – or give several photos taken one after the other.",
        )


@contextmanager
def _opened(path: Path, name: str) -> Iterator[Any]:
    """Open a file with libav, which is given the open file and may open nothing else."""
    import av

    # Its complaints are not for the person. At any level but none a decoding thread that has something to
    # say waits for the interpreter, which may be waiting for that thread to end.
    av.logging.set_level(None)
    options = {"protocol_whitelist": "none", "format_whitelist": _FORMATS}
    try:
        file = path.open("rb")
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise ClipError(
            f"{name} cannot be read: {why}.", advice="Check the path and disk."
        ) from error
    with file:
        try:
            container = av.open(file, mode="r", options=options, metadata_errors="replace")
        except (av.error.FFmpegError, OSError, ValueError) as error:
            raise _unknown(path, name) from error
        with container:
            yield container


def _unknown(path: Path, name: str) -> ClipError:
    with path.open("rb") as file:
        head = file.read(_HEAD_BYTES)
    if head[4:8] == b"ftyp" or head.startswith(b"\x1aE\xdf\xa3"):
        return ClipError(
            f"{name} is cut off or damaged: the index that a clip needs is not in it.",
            advice=_COPY_AGAIN,
        )
    content = tell_content(head)
    return ClipError(f"{name} is not a clip: it holds {content.words}.", advice=_GIVE_CLIP)
