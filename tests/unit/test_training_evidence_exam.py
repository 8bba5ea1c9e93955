"""The exam for joined evidence on made-up cases: what is fitted, what is held out, and what is counted."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pestvision.findings import evidence
from pestvision.findings.cues import MOVES, SIZE, TRACK
from pestvision.findings.track_cue import Between
from pestvision.organisms.classes import FINE_NAMES
from training import evidence_exam
from training.evidence_cases import Case, read_cases, write_cases

if TYPE_CHECKING:
    from pathlib import Path

FINES = ("leech", "flatworm", "snail")
STRETCH = {"leech": 1.8, "flatworm": 1.05, "snail": 1.01}
SLENDER = {"leech": 0.2, "flatworm": 0.2, "snail": 0.6}


def cases(n: int, *, p_right: float, seed: int = 0, blind: bool = False) -> list[Case]:
    """Cases whose crops are right in a known share, and whose tracks tell all, or, if blind, nothing."""
    rng = np.random.default_rng(seed)
    made = []
    for _ in range(n):
        fine = str(rng.choice(FINES))
        seen_as = fine if rng.random() < p_right else str(rng.choice(FINES))
        p = np.full(len(FINE_NAMES), 0.01)
        p[FINE_NAMES.index(seen_as)] = 0.7
        shape = str(rng.choice(FINES)) if blind else fine
        went = Between(
            lengths_gone=float(rng.uniform(0.5, 2.0)),
            stretch=STRETCH[shape] * float(rng.uniform(1.0, 1.05)),
            width_share=SLENDER[shape] * float(rng.uniform(0.95, 1.05)),
            thinned=float(rng.uniform(1.05, 1.15)),
            straight=float(rng.uniform(0.85, 0.95)),
            fullness=float(rng.uniform(0.65, 0.75)),
            blunt_end=float(rng.uniform(0.55, 0.65)),
            thin_end=float(rng.uniform(0.35, 0.45)),
        )
        made.append(Case("pair", fine, tuple((p / p.sum()).tolist()), between=asdict(went)))
    return made


def test_a_track_that_tells_all_is_found_reliable_and_one_that_tells_nothing_is_not() -> None:
    n_sure, n_right = evidence_exam.reliability(cases(90, p_right=0.5))
    assert n_sure > 80
    assert n_right == n_sure
    n_sure, n_right = evidence_exam.reliability(cases(120, p_right=0.5, blind=True))
    assert n_sure < 30


def test_a_track_is_held_out_of_what_it_was_learned_from() -> None:
    made = cases(60, p_right=0.5)
    plain = evidence_exam.held_out_tracks(made)
    others = [replace(case, fine="snail") if i < 12 else case for i, case in enumerate(made)]
    # the first fifth is told by the others alone: what it is called itself changes nothing for it
    assert np.array_equal(evidence_exam.held_out_tracks(others)[:12], plain[:12])
    assert not np.array_equal(evidence_exam.held_out_tracks(others)[12:], plain[12:])
    without = [*made, replace(made[0], between=None)]
    assert np.array_equal(evidence_exam.held_out_tracks(without)[-1], np.zeros(len(FINE_NAMES)))


def test_the_fit_trusts_a_cue_as_far_as_it_tells() -> None:
    telling = evidence_exam.fit(cases(120, p_right=0.5))
    blind = evidence_exam.fit(cases(120, p_right=0.95, blind=True))
    assert telling[TRACK] > 0.9
    assert blind[TRACK] < 0.6
    assert blind["crops beside a track"] > 0.95
    assert {MOVES, SIZE} < set(telling)


def test_cases_are_read_as_they_were_written(tmp_path: Path) -> None:
    made = [*cases(3, p_right=1.0), replace(cases(1, p_right=1.0)[0], between=None, is_rough=True)]
    write_cases(made, tmp_path / "some" / "learn.jsonl")
    assert read_cases(tmp_path / "some" / "learn.jsonl") == made


def test_the_table_counts_what_the_crops_alone_get_wrong() -> None:
    made = cases(200, p_right=0.7, seed=4)
    rows = evidence_exam.table(made).splitlines()
    alone = float(next(row for row in rows if "crops alone" in row).split("|")[4])
    seen = [FINE_NAMES[int(np.argmax(case.p_fine))] for case in made]
    wrong = np.mean([one != case.fine for one, case in zip(seen, made, strict=True)])
    assert alone == pytest.approx(wrong, abs=5e-4)


def test_the_weights_that_are_shipped_are_such_as_the_fit_may_give() -> None:
    assert set(evidence.WEIGHTS) == {MOVES, SIZE, TRACK}
    assert all(0 <= weight <= evidence_exam.MOST_WEIGHT for weight in evidence.WEIGHTS.values())
    assert 0.5 <= evidence.LOOKS_BESIDE_TRACK <= 1
