"""Whatever JSON, table or spoilt export is given: it is taken in, or refused in one sentence."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pestvision.collection.exchange import export_album, import_album
from pestvision.collection.library import Library
from pestvision.errors import PersonError
from tests.made_albums import glass, made_album

ANY = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(max_size=6),
        st.sampled_from(["1.jpg", "leech", "../x", "\ud800", "x\0", 1, 2, -1, 1e308]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=4), st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
    max_leaves=6,
)


def some(**keys: Any) -> Any:
    """Objects that have some of the keys, mostly with what belongs there."""
    return st.fixed_dictionaries(
        {}, optional={name: st.one_of(usual, ANY) for name, usual in keys.items()}
    )


NUMBER = st.sampled_from([1, 2])
IMAGE = some(id=NUMBER, file_name=st.just("1.jpg"), width=st.just(140), height=st.just(90))
NOTE = some(
    image_id=NUMBER,
    category_id=NUMBER,
    bbox=st.lists(st.floats(-20, 150), min_size=4, max_size=4),
    iscrowd=st.just(0),
    album=ANY,
)
COCO = st.fixed_dictionaries(
    {
        "images": st.lists(st.one_of(IMAGE, ANY), max_size=3),
        "annotations": st.lists(st.one_of(NOTE, ANY), max_size=4),
        "categories": st.lists(some(id=NUMBER, name=st.text(max_size=5)), max_size=3),
    },
    optional={"info": some(album=st.just(1))},
)
CELL = st.sampled_from(["1.jpg", "0", "10", "1e400", "nan", "", "leech", "Ω", '"', "../x", "\0"])


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Any:
    with Library(tmp_path_factory.mktemp("data")) as made:
        yield made


def is_taken_in_or_refused(library: Library, source: Path) -> None:
    before = library.counts().n_crops
    sentence, n_added = "", 0
    try:
        done = import_album(library, source)
        n_added = len(done.crops)
    except PersonError as error:
        sentence = error.sentence()
    assert "\n" not in sentence
    assert library.counts().n_crops == before + n_added
    assert library.database.complaints() == []


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(data=COCO)
def test_any_json_is_taken_in_or_refused(library: Library, data: Any) -> None:
    with tempfile.TemporaryDirectory() as name:
        (Path(name) / "1.jpg").write_bytes(glass(1))
        (Path(name) / "x.json").write_text(json.dumps(data), encoding="utf-8")
        is_taken_in_or_refused(library, Path(name) / "x.json")


@pytest.mark.slow
@settings(max_examples=100, deadline=None)
@given(rows=st.lists(st.lists(CELL, max_size=8), max_size=5), tail=st.binary(max_size=4))
def test_any_table_is_taken_in_or_refused(
    library: Library, rows: list[list[str]], tail: bytes
) -> None:
    with tempfile.TemporaryDirectory() as name:
        (Path(name) / "1.jpg").write_bytes(glass(1))
        lines = ["photo,x0,y0,x1,y1,label,tank", *(",".join(row) for row in rows)]
        (Path(name) / "x.csv").write_bytes("\n".join(lines).encode() + tail)
        is_taken_in_or_refused(library, Path(name) / "x.csv")


@pytest.fixture(scope="module")
def exported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("exported")
    with made_album(folder / "data") as made:
        export_album(made, folder / "out", layout="table")
    return folder / "out"


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_byte_that_is_wrong_anywhere_is_found(
    library: Library, exported: Path, data: st.DataObject
) -> None:
    with tempfile.TemporaryDirectory() as name:
        copy = Path(name) / "out"
        shutil.copytree(exported, copy)
        paths = sorted(path for path in copy.rglob("*") if path.is_file())
        path = data.draw(st.sampled_from(paths))
        content = bytearray(path.read_bytes())
        place = data.draw(st.integers(0, len(content) - 1))
        content[place] ^= data.draw(st.integers(1, 255))
        path.write_bytes(content)
        with pytest.raises(PersonError):
            import_album(library, copy)
