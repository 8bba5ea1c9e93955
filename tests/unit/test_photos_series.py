"""A folder as views: what is grouped, in which order, and what is said about the rest."""

from __future__ import annotations

import os
import random
import shutil
from collections import Counter
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from pestvision.errors import FolderError
from pestvision.photos.exif import NO_TIME
from pestvision.photos.series import Frame, Series, View, natural_key, read_series
from tests.photo_files import drawn_glass, exif_block, held_by_hand, packed

START = datetime(2026, 11, 25, 22, 0, 0)  # noqa: DTZ001


def take(path: Path, tank: int, seed: int, **exif: str) -> Path:
    """Write a photo of a drawn tank as a hand takes it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    options = {"exif": exif_block(**exif)} if exif else {}
    rgb = held_by_hand(drawn_glass(tank, height=450, width=600), seed)
    path.write_bytes(packed(rgb, quality=88, **options))
    return path


def clock(minutes: float) -> str:
    return (START + timedelta(minutes=minutes)).strftime("%Y:%m:%d %H:%M:%S")


def names(view: View) -> list[str]:
    return [frame.name for frame in view.frames]


def partition(series: Series) -> set[frozenset[str]]:
    return {frozenset(names(view)) for view in series.views}


def reason(series: Series, name: str) -> str:
    return next(item.reason for item in series.skipped if item.name == name)


# Grouping


def test_photos_of_one_place_are_one_view_named_like_the_folder(tmp_path: Path) -> None:
    folder = tmp_path / "back room"
    for number in range(6):
        take(folder / f"{number}.jpg", tank=1, seed=number)
    series = read_series(folder)
    assert [view.name for view in series.views] == ["back room"]
    assert names(series.views[0]) == [f"{number}.jpg" for number in range(6)]
    assert (series.views[0].frames[0].height, series.views[0].frames[0].width) == (386, 516)
    assert series.skipped == ()


def test_a_mixed_folder_splits_into_numbered_views(tmp_path: Path) -> None:
    for number in range(12):
        take(tmp_path / f"p{number}.jpg", tank=number % 3, seed=number)
    series = read_series(tmp_path)
    assert [view.name for view in series.views] == ["view 1", "view 2", "view 3"]
    assert [names(view) for view in series.views] == [
        [f"p{number}.jpg" for number in range(tank, 12, 3)] for tank in range(3)
    ]


def test_the_names_of_the_files_do_not_change_the_grouping(tmp_path: Path) -> None:
    rng = random.Random(0)
    for turn in range(3):
        numbers = list(range(12))
        rng.shuffle(numbers)
        folder = tmp_path / str(turn)
        for number, name in enumerate(numbers):
            take(folder / f"{name}.jpg", tank=number % 3, seed=number)
        expected = {frozenset(f"{numbers[n]}.jpg" for n in range(t, 12, 3)) for t in range(3)}
        assert partition(read_series(folder)) == expected


def test_sub_folders_are_view_sets_of_their_own(tmp_path: Path) -> None:
    for number in range(2):
        take(tmp_path / "rack" / "top" / f"{number}.jpg", tank=1, seed=number)
        take(tmp_path / "rack" / "low" / f"{number}.jpg", tank=1, seed=number)  # the same place
        take(tmp_path / "mixed" / f"{number}.jpg", tank=number, seed=number)
    series = read_series(tmp_path)
    assert [view.name for view in series.views] == [
        *("mixed, view 1", "mixed, view 2", "rack/low", "rack/top")
    ]
    assert names(series.views[3]) == ["rack/top/0.jpg", "rack/top/1.jpg"]


def test_a_sub_folder_of_the_folders_own_name_keeps_its_name(tmp_path: Path) -> None:
    take(tmp_path / "tank" / "0.jpg", tank=1, seed=0)
    take(tmp_path / "tank" / "tank" / "0.jpg", tank=2, seed=0)
    view_names = [view.name for view in read_series(tmp_path / "tank").views]
    assert view_names == ["view 1", "tank"]


def test_a_portrait_photo_of_the_place_is_a_view_of_its_own(tmp_path: Path) -> None:
    rgb = drawn_glass(1, height=450, width=600)
    (tmp_path / "0.jpg").write_bytes(packed(rgb))
    (tmp_path / "1.jpg").write_bytes(packed(rgb[:, 100:438]))
    assert len(read_series(tmp_path).views) == 2


# Order


def test_photos_are_in_order_of_time_not_of_name(tmp_path: Path) -> None:
    for number, minutes in enumerate((20, 0, 10)):
        take(tmp_path / f"{number}.jpg", tank=1, seed=number, taken=clock(minutes))
    (view,) = read_series(tmp_path).views
    assert names(view) == ["1.jpg", "2.jpg", "0.jpg"]
    assert view.ordered_by == "time taken"
    assert view.notes == ()


def test_fractions_of_a_second_order_a_burst(tmp_path: Path) -> None:
    for number, digits in enumerate(("9", "10", "550")):
        take(tmp_path / f"{number}.jpg", tank=1, seed=number, taken=clock(0), subsec=digits)
    (view,) = read_series(tmp_path).views
    assert names(view) == ["1.jpg", "2.jpg", "0.jpg"]
    assert view.notes == ()


def test_offsets_from_utc_are_used_when_every_photo_has_one(tmp_path: Path) -> None:
    take(tmp_path / "0.jpg", tank=1, seed=0, taken=clock(0), offset="+00:00")
    take(tmp_path / "1.jpg", tank=1, seed=1, taken=clock(30), offset="+02:00")  # 90 minutes earlier
    (view,) = read_series(tmp_path).views
    assert names(view) == ["1.jpg", "0.jpg"]
    take(tmp_path / "2.jpg", tank=1, seed=2, taken=clock(40))
    (view,) = read_series(tmp_path).views
    assert names(view) == ["0.jpg", "1.jpg", "2.jpg"]
    assert any("time zone" in note for note in view.notes)


def test_equal_times_keep_the_order_of_names_and_are_said(tmp_path: Path) -> None:
    for number in (2, 10, 1):
        take(tmp_path / f"{number}.jpg", tank=1, seed=number, taken=clock(0))
    (view,) = read_series(tmp_path).views
    assert names(view) == ["1.jpg", "2.jpg", "10.jpg"]
    assert view.ordered_by == "time taken"
    assert any("same time" in note for note in view.notes)


def test_times_in_file_names_are_a_fallback_and_are_said(tmp_path: Path) -> None:
    for name in ("b_20261125_220000", "a_20261125_230000", "c_20261125_210000"):
        take(tmp_path / f"{name}.jpg", tank=1, seed=len(name))
    (view,) = read_series(tmp_path).views
    assert [name[0] for name in names(view)] == ["c", "b", "a"]
    assert view.ordered_by == "file name"
    assert any("from file names" in note for note in view.notes)


def test_one_photo_without_a_time_puts_all_in_order_of_names(tmp_path: Path) -> None:
    take(tmp_path / "1.jpg", tank=1, seed=0, taken=clock(9))
    take(tmp_path / "2.jpg", tank=1, seed=1)
    take(tmp_path / "10.jpg", tank=1, seed=2, taken=clock(0))
    (view,) = read_series(tmp_path).views
    assert names(view) == ["1.jpg", "2.jpg", "10.jpg"]
    assert view.ordered_by == "file name"
    assert any("do not say when" in note or "does not say when" in note for note in view.notes)


def test_a_single_photo_is_said(tmp_path: Path) -> None:
    take(tmp_path / "1.jpg", tank=1, seed=0, taken=clock(9))
    (view,) = read_series(tmp_path).views
    assert any("one photo" in note for note in view.notes)


def test_names_sort_by_their_numbers() -> None:
    given = ["IMG_10.jpg", "img_9.jpg", "IMG_9.jpg", "a²3.jpg", "2.jpg", "10.jpg", "", "x.jpg"]
    ordered = sorted(given, key=natural_key)
    assert ordered == [
        "",
        "2.jpg",
        "10.jpg",
        "a²3.jpg",
        "IMG_9.jpg",
        "img_9.jpg",
        "IMG_10.jpg",
        "x.jpg",
    ]


# What is left out


def test_bad_photos_are_skipped_with_a_sentence_and_never_stop_the_scan(tmp_path: Path) -> None:
    good = take(tmp_path / "good.jpg", tank=1, seed=0)
    (tmp_path / "cut.jpg").write_bytes(good.read_bytes()[:5000])
    (tmp_path / "text.JPG").write_text("fed the snails")
    (tmp_path / "empty.png").touch()
    (tmp_path / "anim.gif").write_bytes(packed(drawn_glass(1), "GIF"))
    (tmp_path / "raw.cr2").write_bytes(b"II*\x00\x10\x00\x00\x00CR\x02\x00")
    (tmp_path / "small.jpg").write_bytes(packed(drawn_glass(1, height=96, width=128)))
    (tmp_path / "gone.jpg").symlink_to(tmp_path / "nowhere.jpg")
    (tmp_path / "round.jpg").symlink_to(tmp_path / "round.jpg")
    (tmp_path / "x.jpg").mkdir()
    series = read_series(tmp_path)
    assert [names(view) for view in series.views] == [["good.jpg"]]
    assert [item.name for item in series.skipped] == [
        *("anim.gif", "cut.jpg", "empty.png", "gone.jpg", "raw.cr2"),
        *("round.jpg", "small.jpg", "text.JPG", "x.jpg"),
    ]
    assert "cut off" in reason(series, "cut.jpg")
    assert "text" in reason(series, "text.JPG")
    assert "raw picture" in reason(series, "raw.cr2")
    assert "link" in reason(series, "gone.jpg")
    assert "folder" in reason(series, "x.jpg")
    assert all(item.reason.endswith(".") and "\n" not in item.reason for item in series.skipped)


def test_other_files_hidden_ones_and_earlier_reports_are_passed_over(tmp_path: Path) -> None:
    good = take(tmp_path / "good.jpg", tank=1, seed=0)
    for name in ("notes.txt", "log.csv", "Thumbs.db", "clip.mp4", ".hidden.jpg", "._good.jpg"):
        (tmp_path / name).write_bytes(b"something")
    for inside in (".cache", "pestvision-night-20261125", "deeper/pestvision-night-2"):
        (tmp_path / inside).mkdir(parents=True)
        shutil.copy(good, tmp_path / inside / "crop.jpg")
    series = read_series(tmp_path)
    assert [names(view) for view in series.views] == [["good.jpg"]]
    assert series.skipped == ()


def test_a_folder_named_like_a_photo_is_a_folder(tmp_path: Path) -> None:
    take(tmp_path / "x.jpg" / "0.jpg", tank=1, seed=0)
    series = read_series(tmp_path)
    assert [view.name for view in series.views] == ["x.jpg"]
    assert series.skipped == ()


def test_links_are_followed_once(tmp_path: Path) -> None:
    night = tmp_path / "night"
    take(night / "tank" / "0.jpg", tank=1, seed=0)
    (night / "a loop").symlink_to(night)
    (night / "tank" / "up").symlink_to(night / "tank")
    (night / "again").symlink_to(night / "tank")
    take(tmp_path / "elsewhere" / "1.jpg", tank=2, seed=1)
    (night / "other").symlink_to(tmp_path / "elsewhere")
    series = read_series(night)
    assert [names(view) for view in series.views] == [["other/1.jpg"], ["tank/0.jpg"]]
    assert [item.name for item in series.skipped] == ["a loop", "again", "tank/up"]


def test_a_folder_that_may_not_be_opened_is_skipped_and_the_given_one_is_an_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    take(tmp_path / "0.jpg", tank=1, seed=0)
    take(tmp_path / "locked" / "1.jpg", tank=1, seed=1)
    real_scandir = os.scandir
    locked = tmp_path / "locked"

    def refusing(path: Path) -> object:
        if Path(path) == locked:
            raise PermissionError(13, "Permission denied")
        return real_scandir(path)

    monkeypatch.setattr(os, "scandir", refusing)
    series = read_series(tmp_path)
    assert [names(view) for view in series.views] == [["0.jpg"]]
    assert "permission denied" in reason(series, "locked")
    with pytest.raises(FolderError, match="permission"):
        read_series(locked)


def test_folders_that_cannot_be_used_say_what_they_are(tmp_path: Path) -> None:
    with pytest.raises(FolderError, match="There is no folder nowhere"):
        read_series(tmp_path / "nowhere")
    photo = take(tmp_path / "photo.jpg", tank=1, seed=0)
    with pytest.raises(FolderError, match=r"photo\.jpg is a file"):
        read_series(photo)
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(FolderError, match="has no photo in it"):
        read_series(empty)
    for name in ("a.txt", "b.txt", "c.mp4"):
        (empty / name).touch()
    with pytest.raises(FolderError, match=r"3 other files \(\.txt, \.mp4\)"):
        read_series(empty)
    (empty / "broken.jpg").touch()
    with pytest.raises(FolderError, match=r"None of the 1 photos .* broken\.jpg is empty"):
        read_series(empty)
    with pytest.raises(FolderError):
        read_series(Path("a\x00b"))


def test_a_refusal_is_one_sentence_with_advice(tmp_path: Path) -> None:
    with pytest.raises(FolderError) as caught:
        read_series(tmp_path)
    assert caught.value.advice.endswith(".")
    assert "\n" not in caught.value.sentence()


def test_progress_is_told_before_each_photo_and_at_the_end(tmp_path: Path) -> None:
    for number in range(3):
        take(tmp_path / f"{number}.jpg", tank=1, seed=number)
    told: list[tuple[int, int, str]] = []
    read_series(tmp_path, progress=lambda *step: told.append(step))
    assert [step[:2] for step in told] == [(0, 3), (1, 3), (2, 3), (3, 3)]
    assert told[1][2] == "reading 1.jpg"


def test_the_given_folder_may_be_written_in_any_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "night"
    take(folder / "0.jpg", tank=1, seed=0)
    monkeypatch.chdir(folder)
    assert [view.name for view in read_series(Path()).views] == ["night"]
    assert [view.name for view in read_series(Path("../night")).views] == ["night"]


def test_records_of_nothing_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no photo"):
        View("empty", (), "file name")
    with pytest.raises(ValueError, match="frame of"):
        Frame(tmp_path, "0.jpg", NO_TIME, 0, 10)


# Real series


SERIES = {"a": 20, "b": 20, "c": 20, "d": 15, "e": 8, "planarians_7.5fps": 71}


@pytest.mark.parametrize("name", SERIES)
def test_a_real_series_is_one_view_with_every_frame_in_order(name: str, real_photos: Path) -> None:
    series = read_series(real_photos / "sequences" / name)
    assert series.skipped == ()
    (view,) = series.views
    assert names(view) == sorted(path.name for path in (real_photos / "sequences" / name).iterdir())
    assert len(view.frames) == SERIES[name]
    assert view.ordered_by == "file name"


@pytest.mark.parametrize("mixed", ["abc", "de", "abcde"])
@pytest.mark.parametrize("seed", [0, 1])
def test_real_series_mixed_in_one_folder_are_told_apart(
    mixed: str, seed: int, real_photos: Path, tmp_path: Path
) -> None:
    files = [path for one in mixed for path in (real_photos / "sequences" / one).iterdir()]
    np.random.default_rng(seed).shuffle(files)
    truth = {}
    for number, path in enumerate(files):
        (tmp_path / f"{number}.jpg").symlink_to(path)
        truth[f"{number}.jpg"] = path.parent.name
    views = read_series(tmp_path).views
    assert len(views) == len(mixed)
    found = [Counter(truth[name] for name in names(view)).most_common(1)[0] for view in views]
    assert {series for series, _ in found} == set(mixed)
    assert sum(n for _, n in found) >= 0.95 * len(files)
