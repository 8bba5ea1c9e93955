"""A night that is divided among processes is judged with the personal head in each of them."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pestvision.findings import crew
from pestvision.findings.crew import Basis
from pestvision.findings.judge import head_notes
from pestvision.organisms.net import SIGNATURE
from pestvision.organisms.personal import PersonalHead
from pestvision.settings import Settings


class Bare:
    """A net that only knows what it wears."""

    model = "m"
    card = SimpleNamespace(full={"weights": "bare"})

    def __init__(self, head: PersonalHead | None = None) -> None:
        self.head = head

    def with_head(self, head: PersonalHead | None) -> Bare:
        return Bare(head)


def made_head(value: float) -> PersonalHead:
    return PersonalHead(
        weights=np.full((SIGNATURE, 4), value, np.float32),
        bias=np.zeros(4, np.float32),
        share=1.0,
        temperature=1.0,
        set_threshold=None,
        middle=np.zeros(SIGNATURE, np.float32),
        places=np.zeros((1, 2), np.float32),
        near=1.0,
        model="m",
        version=4,
    )


@pytest.fixture(autouse=True)
def _nothing_worn(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(crew, "_worn", {})


def basis(head: PersonalHead | None) -> Basis:
    net: Any = Bare(head)
    return Basis.of(net, Settings())


def test_a_worker_puts_on_what_the_scan_wears_and_keeps_it() -> None:
    plain: Any = Bare()
    wanted = basis(made_head(1.0))
    worn = crew._wearing(plain, wanted.head)
    assert worn.head is not None
    np.testing.assert_array_equal(worn.head.weights, made_head(1.0).weights)
    assert crew._wearing(plain, wanted.head) is worn
    assert Basis.of(worn, Settings()) == wanted  # so that it is taken for the same net
    other = crew._wearing(plain, basis(made_head(2.0)).head)
    assert other.head is not None
    assert other.head.weights[0, 0] == 2.0


def test_a_scan_without_a_head_is_judged_by_the_shipped_net() -> None:
    plain: Any = Bare()
    assert basis(None).head == ""
    assert crew._wearing(plain, "") is plain


def test_what_was_kept_with_another_head_is_not_taken_up_again() -> None:
    assert len({basis(head).head for head in (None, made_head(1.0), made_head(2.0))}) == 3


def test_answers_say_which_version_had_a_part_in_them() -> None:
    assert head_notes(None) == ()
    (note,) = head_notes(made_head(1.0))
    assert "your own labels: version 4" in note
