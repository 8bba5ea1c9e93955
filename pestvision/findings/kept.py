"""Keep finished stretches of a scan on disk, so that one that is broken off can be gone on with.

A piece is one file: a checksum, then an npz that holds numbers, small crops and a text of JSON. Nothing
in it can run. It counts again only where its key does: the same program, net and settings, and the same
photos by name, size and time of change. A piece that is damaged, or that another program wrote, is no
piece, and its stretch is looked over again.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import os
import secrets
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from pestvision.arrays import as_f32, as_rgb
from pestvision.findings.follow import Look, MoverLooks, PairLooks, judgement_of
from pestvision.findings.stretch import StretchLooks
from pestvision.motion.tracks import Mover, Traits
from pestvision.organisms.classify import Scores
from pestvision.size.records import BodyLine

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from pestvision.arrays import BoxXyxy
    from pestvision.findings.crew import Basis
    from pestvision.organisms.weights import Rules
    from pestvision.photos.series import Frame

FOLDER_NAME: Final = "pestvision-unfinished"
"""Of the folder with pieces, inside the report's: a report beside it is not whole."""

FORMAT: Final = 6  # of a piece; another one is no piece
PIECE: Final = ".piece"
TEMPORARY: Final = ".piece-being-written"
NOTE_NAME: Final = "WHAT-IS-THIS.txt"
NOTE: Final = """\
These are finished parts of a scan that has not come to its end. To go on with it, run the same command
again with --resume. This folder is removed when the report is whole; you may also delete it: then the
scan begins anew.
"""
_DIGEST_BYTES: Final = hashlib.sha256().digest_size
_SPOILT = (OSError, ValueError, KeyError, TypeError, AttributeError, EOFError)
"""What a piece that is damaged, or of another form, may raise; `ShapeError` is a `ValueError`."""


class KeptLooks:
    """The pieces of one scan in a folder.

    Parameters
    ----------
    folder
        Where the pieces lie; made when the first is written.
    basis
        What the scan rests on.
    rules
        By which a mover is judged; they follow from the basis.
    resume
        Use what an earlier scan has kept. Without it nothing is read, and what lies there is written
        over piece by piece.
    """

    def __init__(self, folder: Path, basis: Basis, rules: Rules, *, resume: bool) -> None:
        self._is_read = resume
        self._folder = folder
        self._basis = basis
        self._rules = rules
        self._keys: dict[tuple[Frame, ...], str] = {}
        self.trouble = ""
        """Why nothing more is kept; empty while all is well."""

    def get(self, frames: tuple[Frame, ...]) -> StretchLooks | None:
        """Give what is kept of a stretch; None where nothing is, or nothing that counts."""
        key = self._key(frames)
        try:
            if self._is_read:
                return unpacked(self._path(key).read_bytes(), key, rules=self._rules)
        except FileNotFoundError:
            pass
        except _SPOILT:
            with contextlib.suppress(OSError):
                self._path(key).unlink()
        self._keys[frames] = key  # as the photos were before they were read
        return None

    def put(self, frames: tuple[Frame, ...], looks: StretchLooks) -> None:
        """Keep a finished stretch.

        One with a photo that could not be read is not kept: what was in the way may be gone next time.
        Nor is a single photo that was checked. Where the disk is full, nothing more is kept.
        """
        key = self._keys.pop(frames, None) or self._key(frames)
        if self.trouble or looks.skipped or looks.alone is not None:
            return
        try:
            mark_unfinished(self._folder)
            _write(self._path(key), packed(looks, key))
        except OSError as error:
            self.trouble = (
                f"Finished parts of this scan could not be kept in {self._folder}: "
                f"{error.strerror or error}. Had it been broken off, it would have begun anew."
            )

    def _path(self, key: str) -> Path:
        return self._folder / f"{key}{PIECE}"

    def _key(self, frames: Sequence[Frame]) -> str:
        basis = [FORMAT, dataclasses.asdict(self._basis)]
        photos = [[frame.name, *_size_and_change(frame.path)] for frame in frames]
        return hashlib.sha256(json.dumps([basis, photos]).encode()).hexdigest()


def mark_unfinished(folder: Path) -> None:
    """Make the folder for pieces, with a note for the person who finds it."""
    if not folder.is_dir():
        folder.mkdir(parents=True)
        (folder / NOTE_NAME).write_text(NOTE, encoding="utf-8")


def has_kept(folder: Path) -> bool:
    """Tell whether an earlier scan has kept anything there."""
    try:
        return any(path.name.endswith(PIECE) for path in folder.iterdir())
    except OSError:
        return False


def remove_kept(folder: Path) -> None:
    """Remove the pieces in a folder, and the folder where nothing else is in it.

    What this program did not write stays. A piece that cannot be removed stays too, and harms nothing.
    """
    with contextlib.suppress(OSError):
        ours = [
            path
            for path in folder.iterdir()
            if path.name.endswith((PIECE, TEMPORARY)) or path.name == NOTE_NAME
        ]
        for path in ours:
            with contextlib.suppress(OSError):
                path.unlink()
        folder.rmdir()


def packed(looks: StretchLooks, key: str) -> bytes:
    """Give a stretch's looks as the bytes of a piece."""
    arrays: dict[str, Any] = {}
    told = {
        "key": key,
        "used": list(looks.used),
        "pairs": [
            {
                "first": pair.first,
                "second": pair.second,
                "reason": pair.reason,
                "matrix": _put_by(arrays, pair.matrix),
                "misplaced_px": _plain(pair.misplaced_px),
                "movers": [_told_mover(item, arrays) for item in pair.movers],
            }
            for pair in looks.pairs
        ],
    }
    arrays["told"] = np.frombuffer(json.dumps(told).encode(), dtype=np.uint8)
    data = BytesIO()
    np.savez_compressed(data, allow_pickle=False, **arrays)
    return hashlib.sha256(data.getvalue()).digest() + data.getvalue()


def unpacked(data: bytes, key: str, *, rules: Rules) -> StretchLooks:
    """Read a stretch's looks from the bytes of a piece, and judge its movers again from their scores.

    Raises
    ------
    ValueError, KeyError, TypeError and others of `_SPOILT`
        If it is damaged, has another key, or is no piece.
    """
    digest, inner = data[:_DIGEST_BYTES], data[_DIGEST_BYTES:]
    if hashlib.sha256(inner).digest() != digest:
        raise ValueError("the checksum does not fit")
    with np.load(BytesIO(inner), allow_pickle=False) as file:
        arrays = {name: file[name] for name in file.files}
    told = json.loads(arrays["told"].tobytes())
    if told["key"] != key:
        raise ValueError("the piece belongs to another stretch")
    pairs = tuple(
        PairLooks(
            first=pair["first"],
            second=pair["second"],
            reason=pair["reason"],
            matrix=None if pair["matrix"] is None else as_f32(arrays[pair["matrix"]]),
            movers=tuple(_mover(item, arrays, rules) for item in pair["movers"]),
            misplaced_px=pair["misplaced_px"],
        )
        for pair in told["pairs"]
    )
    return StretchLooks(tuple(told["used"]), (), pairs)


def _told_mover(item: MoverLooks, arrays: dict[str, Any]) -> dict[str, Any]:
    mover = item.mover
    return {
        "first": _plain_box(mover.box_first_xyxy_px),
        "second": _plain_box(mover.box_second_xyxy_px),
        "displacement_px": _plain(mover.displacement_px),
        "z_peak": _plain(mover.z_peak),
        "track": mover.track,
        "traits": None if mover.traits is None else _plain_traits(mover.traits),
        "crop": _put_by(arrays, item.crop_rgb),
        "looks": [
            {
                "photo": look.photo,
                "box": _plain_box(look.box_xyxy_px),
                "p_fine": _put_by(arrays, look.scores.p_fine),
                "p_groups": _put_by(arrays, look.scores.p_groups),
                "sharpness": _plain(look.scores.sharpness),
                "novelty": _plain(look.scores.novelty),
                "body": None if look.body is None else _told_body(look.body, arrays),
            }
            for look in item.looks
        ],
    }


def _told_body(body: BodyLine, arrays: dict[str, Any]) -> dict[str, Any]:
    return {
        "line": _put_by(arrays, body.midline_xy_px),
        "length_px": _plain(body.length_px),
        "relative_sd": _plain(body.relative_sd),
        "doubts": list(body.doubts),
        "widths_px": _put_by(arrays, body.widths_px),
        "is_rough": body.is_rough,
    }


def _body(told: Mapping[str, Any], arrays: Mapping[str, Any]) -> BodyLine:
    line = np.asarray(arrays[told["line"]], np.float64)
    return BodyLine(
        line,
        told["length_px"],
        told["relative_sd"],
        tuple(told["doubts"]),
        widths_px=np.asarray(arrays[told["widths_px"]], np.float64),
        is_rough=told["is_rough"],
    )


def _plain_traits(traits: Traits) -> dict[str, Any]:
    told = dataclasses.asdict(traits)
    return {
        name: [_plain(v) for v in value] if name == "contrast_rgb" else _plain(value)
        for name, value in told.items()
    }


def _traits(told: Mapping[str, Any]) -> Traits:
    red, green, blue = told["contrast_rgb"]
    return Traits(told["length_px"], told["width_px"], told["area_px"], (red, green, blue))


def _mover(told: Mapping[str, Any], arrays: Mapping[str, Any], rules: Rules) -> MoverLooks:
    mover = Mover(
        box_first_xyxy_px=_box(told["first"]),
        box_second_xyxy_px=_box(told["second"]),
        displacement_px=told["displacement_px"],
        z_peak=told["z_peak"],
        track=told["track"],
        traits=None if told["traits"] is None else _traits(told["traits"]),
    )
    looks = tuple(
        Look(
            photo=look["photo"],
            box_xyxy_px=tuple(look["box"]),
            scores=Scores(
                p_fine=as_f32(arrays[look["p_fine"]]),
                p_groups=as_f32(arrays[look["p_groups"]]),
                sharpness=look["sharpness"],
                novelty=look["novelty"],
            ),
            body=None if look["body"] is None else _body(look["body"], arrays),
        )
        for look in told["looks"]
    )
    judgement = judgement_of(mover, looks, rules=rules)
    return MoverLooks(mover, judgement, looks, as_rgb(arrays[told["crop"]]))


def _put_by(arrays: dict[str, Any], array: Any) -> str | None:
    """Put an array among those of the piece, and give the name it has there; None for None."""
    if array is None:
        return None
    name = f"array-{len(arrays)}"
    arrays[name] = array
    return name


def _plain(value: Any) -> Any:
    """Give a number as Python's own; JSON brings it back to the last bit."""
    return value.item() if isinstance(value, np.generic) else value


def _plain_box(box: BoxXyxy | None) -> list[float] | None:
    return None if box is None else [_plain(value) for value in box]


def _box(told: Sequence[float] | None) -> BoxXyxy | None:
    if told is None:
        return None
    x0, y0, x1, y1 = told
    return (x0, y0, x1, y1)


def _size_and_change(path: Path) -> tuple[int, int]:
    """Give a file's size in bytes and its time of change in nanoseconds, -1 where it is not there."""
    try:
        status = path.stat()
    except OSError:
        return -1, -1
    return status.st_size, status.st_mtime_ns


def _write(path: Path, data: bytes) -> None:
    """Write a file that is whole or not there: under a temporary name, synced, then renamed."""
    temporary = path.with_name(f"{secrets.token_hex(8)}{TEMPORARY}")
    try:
        with temporary.open("xb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise
    if os.name == "posix":
        descriptor = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
