"""What labels come to: the rules as a table, and as properties of every history."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pestvision.collection.library import Library
from pestvision.collection.records import (
    DONT_KNOW,
    LABEL_VALUES,
    SHOWN_LABELS,
    Label,
    agreed,
    group_of,
    require_label,
    require_name,
)
from pestvision.errors import LabelError
from pestvision.organisms.classes import FINE_NAMES, GROUP_OF_FINE, GROUPS, Group
from tests.made_album import Clock, filled

if TYPE_CHECKING:
    from pathlib import Path

LEECH, FLATWORM, HARMLESS = (str(item) for item in GROUPS[:3])
FINE_LEECH = [name for name in FINE_NAMES if GROUP_OF_FINE[name] == Group.LEECH_LIKE]
FINE_HARMLESS = [name for name in FINE_NAMES if GROUP_OF_FINE[name] == Group(HARMLESS)]
A, B = FINE_HARMLESS[:2]


def said(*parts: str) -> list[Label]:
    """Labels from `person value`, in order of time; `!` settles, `-` was taken back, `net` is no person."""
    labels = []
    for place, part in enumerate(parts):
        who, value = part.rstrip("!-").split()
        labels.append(
            Label(
                key=f"{99 - place:02d}",  # against the order of time: only the time may count
                label=value,
                who=who,
                kind="net" if who == "net" else "person",
                at=f"2026-11-25T20:00:{place:02d}Z",
                model="m" if who == "net" else None,
                settles=part.endswith("!"),
                withdrawn_at="later" if part.endswith("-") else None,
            )
        )
    return labels


@pytest.mark.parametrize(
    ("labels", "label", "is_disputed"),
    [
        ([], None, False),
        ([f"one {LEECH}"], LEECH, False),
        ([f"one {LEECH}", f"other {LEECH}"], LEECH, False),
        ([f"one {LEECH}", f"one {HARMLESS}"], HARMLESS, False),  # of each the last counts
        ([f"one {LEECH}", f"other {HARMLESS}"], None, True),
        ([f"one {LEECH}", f"other {HARMLESS}", f"one {HARMLESS}"], HARMLESS, False),
        ([f"one {LEECH}", f"other {HARMLESS}", f"third {LEECH}"], None, True),  # no vote
        ([f"one {DONT_KNOW}"], DONT_KNOW, False),
        ([f"one {DONT_KNOW}", f"other {LEECH}"], LEECH, False),
        ([f"one {LEECH}", f"one {DONT_KNOW}"], DONT_KNOW, False),
        ([f"one {HARMLESS}", f"other {A}"], A, False),
        ([f"one {A}", f"other {B}"], HARMLESS, False),
        ([f"one {A}", f"other {B}", f"third {HARMLESS}"], HARMLESS, False),
        ([f"one {A}", f"other {FINE_LEECH[0]}"], None, True),
        ([f"net {LEECH}"], None, False),
        ([f"net {LEECH}", f"one {HARMLESS}"], HARMLESS, False),
        ([f"one {LEECH}-"], None, False),
        ([f"one {LEECH}", f"one {HARMLESS}-"], LEECH, False),
        ([f"one {LEECH}", f"other {HARMLESS}", f"third {LEECH}!"], LEECH, False),
        ([f"one {LEECH}", f"other {HARMLESS}", f"other {HARMLESS}!"], HARMLESS, False),
        ([f"one {LEECH}", f"other {HARMLESS}", f"third {LEECH}!-"], None, True),
        ([f"one {LEECH}!", f"other {HARMLESS}"], None, True),  # what is said after it counts again
        ([f"one {LEECH}", f"other {HARMLESS}", f"third {DONT_KNOW}!"], DONT_KNOW, False),
        ([f"one {LEECH}", f"other {HARMLESS}", f"net {FLATWORM}!"], None, True),
    ],
)
def test_what_persons_say_comes_to_one_answer(
    labels: list[str], label: str | None, is_disputed: bool
) -> None:
    assert agreed(said(*labels)) == (label, is_disputed)
    assert agreed(said(*labels)[::-1]) == (label, is_disputed)


labels_of_a_crop = st.lists(
    st.builds(
        Label,
        key=st.uuids().map(str),
        label=st.sampled_from(LABEL_VALUES),
        who=st.sampled_from(["Amber", "Moss", "Slate"]),
        kind=st.sampled_from(["person", "person", "net"]),
        at=st.integers(0, 99).map(lambda second: f"2026-11-25T20:01:{second:02d}Z"),
        settles=st.booleans(),
        withdrawn_at=st.sampled_from([None, None, "2026-11-26"]),
    ),
    max_size=8,
)


@given(labels_of_a_crop, st.randoms())
def test_the_order_in_which_labels_are_read_does_not_matter(
    labels: list[Label], shuffle: object
) -> None:
    mixed = list(labels)
    shuffle.shuffle(mixed)  # type: ignore[attr-defined]
    assert agreed(mixed) == agreed(labels)


@given(labels_of_a_crop)
def test_there_is_a_label_or_a_dispute_or_nobody_has_said_anything(labels: list[Label]) -> None:
    label, is_disputed = agreed(labels)
    holding = [item for item in labels if item.kind == "person" and item.withdrawn_at is None]
    assert not (label is not None and is_disputed)
    assert (label is None and not is_disputed) == (not holding)
    if label is not None:  # somebody said it, or said a class of it
        assert any(label == item.label or label == group_of(item.label) for item in holding)


@given(labels_of_a_crop, st.sampled_from(LABEL_VALUES))
def test_one_that_settles_always_holds(labels: list[Label], value: str) -> None:
    last = Label("z", value, "Slate", "person", "2026-11-27", settles=True)
    assert agreed([*labels, last]) == (value, False)
    assert agreed([*labels, replace(last, withdrawn_at="later")]) == agreed(labels)


steps = st.lists(
    st.one_of(
        st.tuples(
            st.just("label"),
            st.sampled_from(["Amber", "Moss", "Slate"]),
            st.sampled_from([LEECH, HARMLESS, A, B, DONT_KNOW]),
            st.booleans(),
            st.integers(-2, 2),  # seconds that go by: a clock may be set back
        ),
        st.tuples(st.just("take back"), st.integers(0, 20)),
    ),
    max_size=12,
)


@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(steps)
def test_a_crops_label_is_always_what_its_history_comes_to(
    tmp_path: Path, done: list[tuple[object, ...]]
) -> None:
    clock = Clock()
    with Library(tmp_path, now=clock) as library:
        numbers = [crop.id for crop in library.every()] or list(filled(library, 1))
        number = numbers[0]
        library.take_back([item.key for item in library.history(number)])
        assert library.crop(number).label is None
        keys: list[str] = []
        before: list[tuple[str | None, bool]] = []
        for step in done:
            if step[0] == "label":
                _, who, value, settles, seconds = step
                clock.later(seconds=seconds)
                crop = library.crop(number)
                before.append((crop.label, crop.is_disputed))
                keys += library.label([number], value, who=who, settles=settles)
                mine = library.history(number)[
                    -1
                ]  # what is said last is the last, whatever the clock says
                assert (mine.key, mine.label) == (keys[-1], value)
            elif keys:
                library.take_back([keys[step[1] % len(keys)]])
                before = []
            crop = library.crop(number)
            assert (crop.label, crop.is_disputed) == agreed(library.history(number))
        while before:  # taken back one by one, each brings back exactly what held before it
            assert library.take_back([keys.pop()]) == 1
            crop = library.crop(number)
            assert (crop.label, crop.is_disputed) == before.pop()


def test_every_label_has_a_group_but_one_and_words_for_the_person() -> None:
    assert set(SHOWN_LABELS) == set(LABEL_VALUES)
    assert [value for value in LABEL_VALUES if group_of(value) is None] == [DONT_KNOW]
    assert group_of(None) is None
    assert {group_of(value) for value in LABEL_VALUES} - {None} == set(GROUPS)


@pytest.mark.parametrize("wrong", ["", "leeches", "Leech-Like", "LEECH-LIKE ", "x" * 500])
def test_what_is_no_label_is_told_with_all_that_are(wrong: str) -> None:
    with pytest.raises(LabelError, match="is no label") as caught:
        require_label(wrong)
    assert all(value in caught.value.advice for value in LABEL_VALUES)
    assert len(str(caught.value)) < 100


@pytest.mark.parametrize("wrong", ["", "  \n", "x" * 61, "a\x00b", "a\x1b[31m", "\udc80"])
def test_what_is_no_name_is_told_in_one_sentence(wrong: str) -> None:
    with pytest.raises(LabelError, match="given for the tank") as caught:
        require_name(wrong, "the tank")
    assert "\n" not in caught.value.sentence()


def test_a_name_is_trimmed_to_one_line() -> None:
    assert require_name("  Amber \n tank ", "the tank") == "Amber tank"
    assert require_name("x" * 60, "the tank") == "x" * 60
    assert require_name("Zoë’s 水槽", "the tank") == "Zoë’s 水槽"
