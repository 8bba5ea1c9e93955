"""The scan of a night, with the stages before it played by scripts whose truth is known."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from played_night import Script, player, walk

from pestvision.findings.follow import ANIMAL_CROP_PX, seen_at_once
from pestvision.findings.stretch import MAX_MOVERS_PER_PAIR, NOTHING_MOVED
from pestvision.findings.views import ONE_PHOTO
from pestvision.organisms.classes import FINE_NAMES
from pestvision.photos.series import Skipped

if TYPE_CHECKING:
    from collections.abc import Callable

    from pestvision.arrays import BoxXyxy
    from pestvision.findings.finding import NightResult
    from pestvision.photos.read import Photo


@pytest.fixture
def play(monkeypatch: pytest.MonkeyPatch) -> Callable[..., NightResult]:
    return player(monkeypatch)


def test_an_animal_that_walks_is_one_track_with_one_sighting_a_photo(play) -> None:
    night = play(Script(n_photos=5, animals={7: ("leech", walk(0, 5))}))
    (view,) = night.views
    (track,) = view.tracks
    assert track.judgement.label == "leech-like"
    assert [name for name, _box in track.sightings] == list(view.photos)
    assert [box for _name, box in track.sightings] == list(walk(0, 5).values())
    assert [moved.track for pair in view.pairs for moved in pair.moved] == [track.id] * 4
    assert view.seen_at_once_max == {"leech-like": 1}


def test_a_still_tank_has_no_track_and_says_that_nothing_moved(play) -> None:
    (view,) = play(Script(n_photos=3)).views
    assert view.tracks == ()
    assert view.seen_at_once_max == {}
    assert view.busiest is None
    assert [(pair.aligned, pair.reason) for pair in view.pairs] == [(True, NOTHING_MOVED)] * 2


def test_the_most_worrying_track_is_number_one(play) -> None:
    animals = {1: ("snail", walk(0, 4, y=20)), 2: ("flatworm", walk(0, 4, y=80))}
    animals[3] = ("leech", walk(0, 4, y=140))
    (view,) = play(Script(n_photos=4, animals=animals)).views
    labels = [track.judgement.label for track in view.tracks]
    assert labels == ["leech-like", "flatworm-like", "harmless"]
    assert [track.id for track in view.tracks] == [1, 2, 3]


def test_what_is_judged_not_an_organism_stays_in_its_pair_and_makes_no_track(play) -> None:
    (view,) = play(Script(n_photos=3, animals={4: ("bubble", walk(0, 3))})).views
    moved = [item for pair in view.pairs for item in pair.moved]
    assert [(m.judgement.label, m.track) for m in moved] == [("not-an-organism", 0)] * 2
    assert view.tracks == ()
    assert view.seen_at_once_max == {}


def test_a_pair_that_cannot_be_aligned_says_why_and_the_scan_goes_on(play) -> None:
    (view,) = play(Script(n_photos=4, animals={1: ("leech", walk(0, 4))}, unaligned={1})).views
    assert [pair.aligned for pair in view.pairs] == [True, False, True]
    assert view.pairs[1].reason == "Fix the camera."
    assert view.pairs[1].moved == ()
    assert any("1 of 3 neighbouring pairs" in note for note in view.notes)
    assert len(view.tracks) == 1


def test_a_photo_that_fails_to_decode_is_skipped_and_its_neighbours_are_compared(play) -> None:
    (view,) = play(Script(n_photos=4, animals={1: ("leech", walk(0, 4))}, undecodable={1})).views
    assert view.photos == ("left/000.jpg", "left/002.jpg", "left/003.jpg")
    assert len(view.taken) == 3
    assert [(p.first, p.second) for p in view.pairs] == [
        ("left/000.jpg", "left/002.jpg"),
        ("left/002.jpg", "left/003.jpg"),
    ]
    assert [(item.name, item.reason) for item in view.skipped] == [
        ("left/001.jpg", "001.jpg is damaged. Copy it again.")
    ]


def test_never_more_than_two_photos_are_held_and_each_is_decoded_once(play) -> None:
    script = Script(n_photos=9, animals={1: ("leech", walk(0, 9))})
    night = play(script)
    assert script.most_alive == 2
    assert script.n_decoded == 9 + 1  # once more, the one to be shown
    assert night.views[0].busiest is not None


def test_a_view_of_one_photo_is_checked_as_a_close_up(play) -> None:
    (view,) = play(Script(n_photos=1)).views
    assert view.still is not None
    assert view.still.photo == "left/000.jpg"
    assert ONE_PHOTO in view.notes
    assert view.seen_at_once_max == {"harmless": 1}
    assert view.busiest == "left/000.jpg"
    assert view.pairs == ()


def test_a_view_with_one_photo_left_is_checked_too(play) -> None:
    (view,) = play(Script(n_photos=2, undecodable={0})).views
    assert view.still is not None
    assert view.photos == ("left/001.jpg",)


def test_a_view_without_a_usable_photo_is_left_out_and_its_files_are_told(play) -> None:
    good, bad = Script(name="left"), Script(n_photos=2, undecodable={0, 1}, name="right")
    night = play(good, bad)
    assert [view.view for view in night.views] == ["left"]
    assert [item.name for item in night.skipped] == ["right/000.jpg", "right/001.jpg"]


def test_skipped_files_go_with_the_view_of_their_folder_and_the_rest_with_the_night(play) -> None:
    skipped = [Skipped("left/notes.txt", "Not a photo."), Skipped("odd/x.jpg", "Empty.")]
    night = play(Script(), skipped=skipped)
    assert [item.name for item in night.views[0].skipped] == ["left/notes.txt"]
    assert [item.name for item in night.skipped] == ["odd/x.jpg"]


def test_seen_at_once_counts_one_photo_and_not_the_night(play) -> None:
    animals = {1: ("leech", walk(0, 3, y=20)), 2: ("leech", walk(2, 5, y=120))}
    animals[3] = ("leech", walk(3, 6, y=180))
    (view,) = play(Script(n_photos=6, animals=animals)).views
    assert len(view.tracks) == 3
    assert view.seen_at_once_max == {"leech-like": 2}


@pytest.mark.parametrize(
    ("places", "count"),
    [
        ([(10, 10, 40, 30), (14, 12, 44, 32)], 1),  # the tracks of one animal, broken
        ([(10, 10, 60, 40), (20, 20, 28, 26)], 1),  # a part inside the whole
        ([(10, 10, 23, 34), (24, 34, 43, 39)], 1),  # two ends of one animal
        ([(10, 10, 30, 20), (38, 10, 58, 20), (66, 10, 86, 20)], 1),  # a chain of pieces
        ([(10, 10, 30, 20), (66, 10, 86, 20), (38, 10, 58, 20)], 1),  # its middle found last
        ([(10, 10, 40, 30), (100, 10, 130, 30)], 2),  # two animals
        ([(10, 10, 40, 30), (100, 10, 130, 30), (200, 10, 230, 30)], 3),
    ],
)
def test_pieces_of_one_animal_do_not_raise_the_lower_bound(
    places: list[BoxXyxy], count: int
) -> None:
    assert seen_at_once({"a": [("leech-like", box) for box in places]}) == {"leech-like": count}


def test_labels_are_counted_apart_and_photos_are_not_added_up() -> None:
    box = (10.0, 10.0, 40.0, 30.0)
    far = (100.0, 10.0, 130.0, 30.0)
    seen = {"a": [("leech-like", box), ("harmless", box)], "b": [("leech-like", far)]}
    assert seen_at_once(seen) == {"leech-like": 1, "harmless": 1}
    assert seen_at_once({"a": [("not-an-organism", box)]}) == {}


def test_a_piece_that_cannot_be_told_joins_the_two_it_lies_between() -> None:
    one, between, other = (
        (10.0, 10.0, 30.0, 30.0),
        (45.0, 10.0, 60.0, 30.0),
        (75.0, 10.0, 95.0, 30.0),
    )
    apart = [("leech-like", one), ("leech-like", other)]
    assert seen_at_once({"a": apart}) == {"leech-like": 2}
    joined = {"a": [*apart, ("cant-tell", between)]}
    assert seen_at_once(joined) == {"leech-like": 1, "cant-tell": 1}
    assert seen_at_once({"a": [*apart, ("harmless", between)]}) == {"leech-like": 2, "harmless": 1}


def test_the_place_an_animal_left_is_no_evidence_about_it(play) -> None:
    """The leech is painted on the first photo only; the box on the second shows bare ground."""

    class Ghost(Script):
        def photo(self, rank: int) -> Photo:
            photo = super().photo(rank)
            if rank == 1:
                photo.rgb[20:40, 20:90] = 10 * (FINE_NAMES.index("plant-or-debris") + 1)
            return photo

    boxes = {0: (20.0, 20.0, 60.0, 40.0), 1: (22.0, 20.0, 62.0, 40.0)}
    (view,) = play(Ghost(n_photos=2, animals={1: ("leech", boxes)})).views
    (track,) = view.tracks
    assert track.judgement.label == "leech-like"
    assert track.judgement.confidence > 0.9
    assert [name for name, _box in track.sightings] == ["left/000.jpg"]


def test_the_photo_shown_is_the_one_with_the_most_leeches(play) -> None:
    animals = {k: ("snail", walk(0, 2, y=20.0 * k)) for k in (1, 2, 3)}
    animals[4] = ("leech", walk(2, 5, y=180))
    (view,) = play(Script(n_photos=5, animals=animals)).views
    assert view.busiest in {"left/002.jpg", "left/003.jpg", "left/004.jpg"}
    assert view.busiest_rgb is not None
    assert view.busiest_scale == 1.0


def test_a_flood_of_movers_is_cut_to_the_clearest_and_said(play) -> None:
    animals = {
        k: (
            "snail",
            {0: (4.0 * k, 10.0, 4.0 * k + 20, 30.0), 1: (4.0 * k, 50.0, 4.0 * k + 20, 70.0)},
        )
        for k in range(1, MAX_MOVERS_PER_PAIR + 6)
    }
    (view,) = play(Script(n_photos=2, animals=animals)).views
    assert len(view.pairs[0].moved) == MAX_MOVERS_PER_PAIR
    assert f"{MAX_MOVERS_PER_PAIR + 5} things changed" in view.pairs[0].reason


def test_progress_counts_every_photo_of_every_view_and_ends_full(play) -> None:
    told: list[tuple[int, int]] = []
    done: list[str] = []
    play(
        Script(n_photos=3, name="left", undecodable={1}),
        Script(n_photos=2, name="right"),
        progress=lambda k, total, *_: told.append((k, total)),
        on_view=lambda view: done.append(view.view),
    )
    assert told == [(k, 5) for k in range(6)]
    assert done == ["left", "right"]


def test_every_line_of_a_night_is_json_with_the_keys_that_were_promised(play) -> None:
    night = play(Script(n_photos=4, animals={1: ("leech", walk(0, 4))}, unaligned={2}))
    line = json.loads(json.dumps(night.views[0].as_json(), allow_nan=False))
    assert {"view", "photos", "pairs", "tracks", "seen_at_once_max", "skipped"} <= set(line)
    moved = line["pairs"][0]["moved"][0]
    assert {"track", "box_first_xyxy_px", "box_second_xyxy_px", "label", "confidence"} <= set(moved)
    assert sum(moved["probabilities"].values()) == pytest.approx(1.0)
    assert {pair["aligned"] for pair in line["pairs"]} == {True, False}
    assert [pair["misplaced_px"] for pair in line["pairs"]] == [
        0.1 if pair["aligned"] else None for pair in line["pairs"]
    ]


def test_crops_kept_are_small_and_shared_by_the_track(play) -> None:
    (view,) = play(Script(n_photos=4, animals={1: ("leech", walk(0, 4))})).views
    crop = view.tracks[0].crop_rgb
    assert max(crop.shape) <= ANIMAL_CROP_PX
    assert all(moved.crop_rgb is crop for pair in view.pairs for moved in pair.moved)
