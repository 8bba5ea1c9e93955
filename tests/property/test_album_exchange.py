"""Any album comes back whole from every layout, and a second import adds nothing."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pestvision.collection.exchange import export_album, import_album
from pestvision.collection.intake import add_photos
from pestvision.collection.library import Library
from pestvision.collection.records import LABEL_VALUES, NewCrop, NewPhoto
from tests.made_albums import glass, net_label, tables

# What a file system and SQLite take: no lone surrogates; everything else, line breaks and NUL too.
TEXT = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=12)
NAMES = st.one_of(
    TEXT,
    st.sampled_from(
        ["IMG_20260130_121536.jpg", "=1+1.jpg", 'a"b,c\r\n.jpg', "../../x.jpg", "Жук.jpg", "…"]
    ),
)
WHO = st.sampled_from(["One", "Two", "Zoë Ω"])
TAKEN = st.sampled_from([None, "2026-01-30T12:15:36+01:00", "2026-02-01T08:00:00.250"])
# A hundredth of a pixel, so that rounding to a tenth has work to do.
EDGE = st.integers(-500, 5500).map(lambda value: value / 100)
SIZE = st.integers(1, 4000).map(lambda value: value / 100)
BOX = st.builds(lambda x, y, w, h: (x, y, x + w, y + h), EDGE, EDGE, SIZE, SIZE)
BOXES = BOX.filter(lambda box: box[0] < 60 and box[1] < 60 and box[2] > 0 and box[3] > 0)
GLASSES = [glass(seed, height=60, width=80) for seed in range(3)]
GLASSES.append(glass(3, height=60, width=80, taken="2026:03:01 07:00:00", turn=6))


@st.composite
def photos(draw: Any) -> NewPhoto:
    """A photo of a few: the same one may come again with other boxes, under another name."""
    boxes = draw(st.lists(st.one_of(st.none(), BOXES), min_size=1, max_size=3))
    return NewPhoto(
        draw(st.sampled_from(GLASSES)),
        draw(NAMES),
        tuple(NewCrop(box) for box in boxes),
        tank=draw(st.one_of(st.none(), TEXT)),
        camera=draw(st.one_of(st.none(), TEXT)),
        source=draw(st.one_of(st.none(), TEXT)),
        taken=draw(TAKEN),
    )


ACTS = st.tuples(
    st.sampled_from(["label", "settle", "net", "withdraw", "delete"]),
    st.integers(0, 20),
    st.sampled_from(LABEL_VALUES),
    WHO,
)


def play(library: Library, given_photos: list[NewPhoto], acts: list[tuple[Any, ...]]) -> None:
    for photo in given_photos:
        add_photos(library, [photo])
    for rank, (act, place, label, who) in enumerate(acts):
        crops = list(library.every())
        crop = crops[place % len(crops)].id
        if act == "net":
            with library.database.atomic():
                library.add_labels([(crop, net_label(f"net{rank}", label))])
        elif act == "withdraw":
            library.take_back([item.key for item in library.history(crop)[-1:]])
        elif act == "delete" and len(crops) > 1:
            library.delete([crop])
        else:
            library.label([crop], label, who=who, settles=act == "settle")


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(st.lists(photos(), min_size=1, max_size=3), st.lists(ACTS, max_size=12))
def test_an_album_comes_back_whole_from_every_layout(
    given_photos: list[NewPhoto], acts: list[tuple[Any, ...]]
) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with Library(folder / "one") as library:
            play(library, given_photos, acts)
            wanted = tables(library)
            for layout in ("image-folder", "coco", "table"):
                export_album(library, folder / layout, layout=layout)
        for source in ("image-folder", "coco", "table", "coco/coco.json"):
            with Library(folder / "two" / source) as other:
                import_album(other, folder / source)
                assert tables(other) == wanted, source
                again = import_album(other, folder / source)
                assert (again.crops, again.n_labels, again.conflicts) == ((), 0, ())
                assert tables(other) == wanted, source
