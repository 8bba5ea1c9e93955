"""Finished stretches on disk: what counts again, what does not, and what a person finds."""

from __future__ import annotations

import errno
import hashlib
import json
import math
import os
import pickle
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from made_scores import scores_of, sure_of_fine
from played_night import PaintedClassifier, Script, player, walk

from pestvision.findings import crew as crew_module
from pestvision.findings import kept as kept_module
from pestvision.findings import stretch as stretch_module
from pestvision.findings.crew import Basis
from pestvision.findings.follow import Look, PairLooks, judge_mover
from pestvision.findings.kept import (
    NOTE_NAME,
    PIECE,
    TEMPORARY,
    KeptLooks,
    has_kept,
    mark_unfinished,
    packed,
    remove_kept,
    unpacked,
)
from pestvision.findings.stretch import StretchLooks
from pestvision.motion.tracks import Mover, Traits
from pestvision.organisms.weights import Rules
from pestvision.photos.exif import NO_TIME
from pestvision.photos.series import Frame, Skipped
from pestvision.report.tables import findings_csv, night_lines
from pestvision.settings import NightSettings, Settings
from pestvision.size.records import BodyLine

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.findings.finding import NightResult

RULES = Rules()
BASIS = Basis("1.0", "abc", Settings())


class Stop(KeyboardInterrupt):
    """Ctrl-C, or the end of the computer: nothing catches it on the way."""


@pytest.fixture
def play(monkeypatch: pytest.MonkeyPatch) -> Callable[..., NightResult]:
    monkeypatch.setattr(stretch_module, "STRETCH_PAIRS", 2)
    monkeypatch.setattr(crew_module, "_classifier_here", PaintedClassifier)
    return player(monkeypatch)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "report" / "unfinished"


def views() -> tuple[Script, ...]:
    animals = {1: ("leech", walk(0, 9)), 2: ("snail", walk(1, 7, y=90))}
    one = Script(n_photos=9, animals=animals)
    return one, Script(n_photos=4, animals=animals, name="right"), Script(n_photos=1, name="back")


def told(night: NightResult) -> tuple[list[str], str]:
    return night_lines(night), findings_csv(night)


def pieces(folder: Path) -> list[Path]:
    return sorted(folder.glob(f"*{PIECE}"))


def looks(p_leech: float = 0.3) -> StretchLooks:
    """A stretch of three photos: a mover seen twice, one seen once, and a pair not aligned."""
    rng = np.random.default_rng(3)
    box = (0.1, 1 / 3, math.pi, 20.7)
    scores = (scores_of(p_leech, 0.2, 0.4, 0.5 - p_leech, sharpness=1 / 7), sure_of_fine("leech"))
    bodies = [
        BodyLine(rng.normal(size=(5, 2)), length, 1 / 7, ("so",), rng.uniform(1, 4, 5), is_rough)
        for length, is_rough in ((20.1, False), (71 / 3, True))
    ]
    seen = tuple(
        Look(name, box, replace(score, novelty=1 / 9), body)
        for name, score, body in zip(("a.jpg", "b.jpg"), scores, bodies, strict=True)
    )
    crops = [rng.integers(0, 256, (224, 224, 3), np.uint8) for _look in seen]
    traits = Traits(1 / 3, np.float32(1 / 7), 300.0, (-1 / 9, 0.1, 1e-9))
    mover = Mover(box, box, np.sqrt(2.0), np.float32(7.7), traits=traits)
    both = judge_mover(mover, seen, crops, rules=RULES)
    one = judge_mover(Mover(None, box, None, 5.5), seen[1:], crops[1:], rules=RULES)
    matrix = rng.normal(size=(3, 3)).astype(np.float32)
    return StretchLooks(
        (0, 1, 2),
        (),
        (
            PairLooks("a.jpg", "b.jpg", "", matrix, (both, one), 0.13),
            PairLooks("b.jpg", "c.jpg", "The camera moved. Fix it."),
        ),
    )


def test_what_is_unpacked_is_what_was_packed_to_the_last_bit() -> None:
    true = looks()
    found = unpacked(packed(true, "k"), "k", rules=RULES)
    assert (found.used, found.skipped, found.alone) == (true.used, (), None)
    for one, other in zip(found.pairs, true.pairs, strict=True):
        assert (one.first, one.second, one.reason) == (other.first, other.second, other.reason)
        assert (one.matrix is None) == (other.matrix is None)
        assert one.misplaced_px == other.misplaced_px
        for mine, its in zip(one.movers, other.movers, strict=True):
            assert mine.mover == its.mover
            assert mine.judgement == its.judgement
            assert np.array_equal(mine.crop_rgb, its.crop_rgb)
            for look, true_look in zip(mine.looks, its.looks, strict=True):
                assert (look.photo, look.box_xyxy_px) == (true_look.photo, true_look.box_xyxy_px)
                assert look.scores.p_fine.tobytes() == true_look.scores.p_fine.tobytes()
                assert look.scores.p_groups.tobytes() == true_look.scores.p_groups.tobytes()
                assert look.scores.sharpness == true_look.scores.sharpness
                assert look.scores.novelty == true_look.scores.novelty
                body, true_body = look.body, true_look.body
                assert body is not None
                assert true_body is not None
                assert body.midline_xy_px.tobytes() == true_body.midline_xy_px.tobytes()
                assert body.widths_px.tobytes() == true_body.widths_px.tobytes()
                assert (body.length_px, body.relative_sd) == (
                    true_body.length_px,
                    true_body.relative_sd,
                )
                assert (body.doubts, body.is_rough) == (true_body.doubts, true_body.is_rough)
    first = found.pairs[0].matrix
    assert first is not None
    assert first.tobytes() == true.pairs[0].matrix.tobytes()  # type: ignore[union-attr]


def test_a_resumed_night_says_the_same_and_reads_nothing_again_but_what_it_shows(
    play, folder: Path
) -> None:
    undisturbed = told(play(*views(), keep_in=folder))
    again = views()
    assert told(play(*again, keep_in=folder, resume=True)) == undisturbed
    assert [script.n_decoded for script in again] == [1, 1, 1]  # the photo shown; the single one
    (note,) = [path for path in folder.iterdir() if path.suffix == ".txt"]
    assert "--resume" in note.read_text()


def test_without_resume_nothing_kept_is_used(play, folder: Path) -> None:
    undisturbed = told(play(*views(), keep_in=folder))
    again = views()
    assert told(play(*again, keep_in=folder)) == undisturbed
    assert [script.n_decoded for script in again] == [10, 5, 1]


@pytest.mark.parametrize("n_read", range(1, 14))
def test_a_night_broken_off_at_any_photo_is_gone_on_with(play, folder: Path, n_read: int) -> None:
    class Broken(Script):
        def read_photo(self, path: Path, **others: Any) -> Any:
            if sum(script.n_decoded for script in broken) == n_read:
                raise Stop
            return super().read_photo(path, **others)

    undisturbed = told(play(*views()))
    broken = [Broken(s.n_photos, s.animals, name=s.name) for s in views()]
    with pytest.raises(Stop):
        play(*broken, keep_in=folder)
    n_pieces = len(pieces(folder)) if folder.exists() else 0
    assert n_pieces >= (min(n_read, 9) - 1) // 2 - 1
    again = views()
    assert told(play(*again, keep_in=folder, resume=True)) == undisturbed
    assert sum(script.n_decoded for script in again) <= 15 + 1 - 2 * n_pieces + 2


def test_what_is_in_hand_when_a_scan_is_stopped_is_kept(play, folder: Path) -> None:
    from concurrent.futures import ThreadPoolExecutor

    def stop(*_view: object) -> None:
        raise Stop

    undisturbed = told(play(*views()))
    with ThreadPoolExecutor(2) as executor:
        with pytest.raises(Stop):
            play(*views(), executor=executor, keep_in=folder, on_view=stop)
        assert len(pieces(folder)) >= 4  # the whole first view at the least
        again = told(play(*views(), executor=executor, keep_in=folder, resume=True))
    assert again == undisturbed


def frames_in(tmp_path: Path) -> tuple[Frame, ...]:
    found = []
    for name in ("a.jpg", "b.jpg", "c.jpg"):
        path = tmp_path / name
        path.write_bytes(name.encode() * 10)
        os.utime(path, ns=(10**18, 10**18))
        found.append(Frame(path, name, NO_TIME, 240, 320))
    return tuple(found)


def store(folder: Path, basis: Basis = BASIS) -> KeptLooks:
    return KeptLooks(folder, basis, RULES, resume=True)


def test_what_is_kept_counts_again_while_nothing_has_changed(folder: Path, tmp_path: Path) -> None:
    frames = frames_in(tmp_path)
    store(folder).put(frames, looks())
    assert store(folder).get(frames) is not None
    assert store(folder).trouble == ""


def bigger(path: Path) -> None:
    path.write_bytes(path.read_bytes() + b"x")
    os.utime(path, ns=(10**18, 10**18))


@pytest.mark.parametrize(
    "change",
    [
        lambda path: os.utime(path, ns=(10**18, 10**18 + 1)),  # a nanosecond later
        bigger,
        lambda path: path.unlink(),
    ],
    ids=["time", "size", "gone"],
)
@pytest.mark.parametrize("rank", [0, 1, 2])
def test_a_photo_that_has_changed_makes_its_stretch_count_no_more(
    folder: Path, tmp_path: Path, rank: int, change: Callable[[Path], None]
) -> None:
    frames = frames_in(tmp_path)
    store(folder).put(frames, looks())
    change(frames[rank].path)
    assert store(folder).get(frames) is None


def test_another_name_order_program_net_or_setting_makes_it_count_no_more(
    folder: Path, tmp_path: Path
) -> None:
    frames = frames_in(tmp_path)
    store(folder).put(frames, looks())
    a, b, c = frames
    for others in ((b, a, c), (a, b), (a, b, replace(c, name="d.jpg")), (a,), ()):
        assert store(folder).get(others) is None
    for basis in (
        replace(BASIS, version="1.1"),
        replace(BASIS, card_sha256="abd"),
        replace(BASIS, settings=Settings(night=NightSettings(min_mover_px=17))),
        replace(BASIS, settings=Settings(night=NightSettings(max_gap_photos=3))),
    ):
        assert store(folder, basis).get(frames) is None
    assert store(folder).get(frames) is not None


def test_a_photo_written_while_it_was_looked_at_makes_it_count_no_more(
    folder: Path, tmp_path: Path
) -> None:
    frames = frames_in(tmp_path)
    kept = store(folder)
    assert kept.get(frames) is None  # asked before the photos are read
    bigger(frames[1].path)
    kept.put(frames, looks())
    assert store(folder).get(frames) is None


class Bomb:
    def __reduce__(self) -> tuple[Any, ...]:
        return Path.touch, (Path(os.environ["BOMB_TRACE"]),)


def armed(key: str) -> bytes:
    """A piece with a fitting checksum and an array that would run something when it is loaded."""
    data = BytesIO()
    bomb = np.array([Bomb()], dtype=object)
    np.savez(data, told=np.frombuffer(json.dumps({"key": key}).encode(), np.uint8), bomb=bomb)
    return hashlib.sha256(data.getvalue()).digest() + data.getvalue()


def with_digest(inner: bytes) -> bytes:
    return hashlib.sha256(inner).digest() + inner


SPOILT: dict[str, Callable[[bytes, str], bytes]] = {
    "empty": lambda _data, _key: b"",
    "cut off": lambda data, _key: data[: len(data) // 2],
    "one byte short": lambda data, _key: data[:-1],
    "a bit turned": lambda data, _key: data[:1000] + bytes([data[1000] ^ 1]) + data[1001:],
    "a bit of the checksum turned": lambda data, _key: bytes([data[0] ^ 1]) + data[1:],
    "zeros": lambda data, _key: bytes(len(data)),
    "text": lambda _data, _key: b"not a piece at all",
    "whole but no npz": lambda _data, _key: with_digest(b"not an archive"),
    "of another stretch": lambda _data, _key: packed(looks(), "another key"),
    "something that runs": lambda _data, key: armed(key),
    "a pickle": lambda _data, _key: with_digest(pickle.dumps({"key": 1})),
}


@pytest.mark.parametrize("name", SPOILT)
def test_a_damaged_piece_is_no_piece_and_its_stretch_is_looked_over_again(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    trace = tmp_path / "it-ran"
    monkeypatch.setenv("BOMB_TRACE", str(trace))
    frames = frames_in(tmp_path)
    store(folder).put(frames, looks())
    (piece,) = pieces(folder)
    piece.write_bytes(SPOILT[name](piece.read_bytes(), piece.stem))
    kept = store(folder)
    assert kept.get(frames) is None
    assert not trace.exists()
    kept.put(frames, looks())
    assert store(folder).get(frames) is not None


def test_that_the_thing_that_runs_would_have_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trace = tmp_path / "it-ran"
    monkeypatch.setenv("BOMB_TRACE", str(trace))
    data = armed("k")[hashlib.sha256().digest_size :]
    with np.load(BytesIO(data), allow_pickle=True) as file:
        assert file["bomb"].size == 1
    assert trace.exists()


def test_every_piece_of_a_night_damaged_gives_the_same_night(play, folder: Path) -> None:
    undisturbed = told(play(*views(), keep_in=folder))
    for piece in pieces(folder):
        piece.write_bytes(piece.read_bytes()[:-7])
    assert told(play(*views(), keep_in=folder, resume=True)) == undisturbed


def test_a_stretch_with_a_photo_that_could_not_be_read_is_tried_again(play, folder: Path) -> None:
    """What was in the way may be gone: a card not in its slot, a permission."""
    play(Script(n_photos=7, undecodable={3}), keep_in=folder)
    assert len(pieces(folder)) == 2  # of three: the middle one holds the bad photo
    healed = Script(n_photos=7)
    (view,) = play(healed, keep_in=folder, resume=True).views
    assert view.skipped == ()
    assert len(view.pairs) == 6


def test_a_single_photo_and_a_skipped_one_leave_no_piece(folder: Path, tmp_path: Path) -> None:
    frames = frames_in(tmp_path)
    store(folder).put(frames, replace(looks(), skipped=(Skipped("x.jpg", "It is empty."),)))
    assert not folder.exists()


def test_a_full_disk_ends_the_keeping_and_not_the_scan(
    play, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    undisturbed = told(play(*views()))
    asked: list[Path] = []

    def full(path: Path, _data: bytes) -> None:
        asked.append(path)
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(kept_module, "_write", full)
    night = play(*views(), keep_in=folder)
    assert told(night) == undisturbed
    assert len(asked) == 1
    assert "could not be kept" in night.notes[-1]
    assert "No space left on device" in night.notes[-1]


def test_a_write_that_fails_leaves_no_half_piece(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_descriptor: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(kept_module.os, "fsync", fails)
    kept = store(folder)
    kept.put(frames_in(tmp_path), looks())
    assert "Input/output error" in kept.trouble
    assert [path.name for path in folder.iterdir()] == [NOTE_NAME]


def test_removing_takes_what_this_program_wrote_and_nothing_else(folder: Path) -> None:
    mark_unfinished(folder)
    assert not has_kept(folder)
    for name in (f"1{PIECE}", f"2{TEMPORARY}", "my own notes.txt"):
        (folder / name).write_text("x")
    assert has_kept(folder)
    remove_kept(folder)
    assert [path.name for path in folder.iterdir()] == ["my own notes.txt"]
    (folder / "my own notes.txt").unlink()
    remove_kept(folder)
    assert not folder.exists()
    remove_kept(folder)  # nothing there is nothing to do
    assert not has_kept(folder)
