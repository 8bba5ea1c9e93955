"""Surveys for freedom: the published examples, and a table made with another package."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from scipy import stats

from pestvision.errors import LogError
from pestvision.tanks.samples import (
    batch_sensitivity,
    batch_specificity,
    batch_specificity_of_marked,
    exact_sample,
    large_batch_sensitivity,
    largest_share_missed,
    sample_by_cannon_and_roe,
    sample_for_freedom,
    sample_needed,
    sample_sensitivity,
)
from pestvision.tanks.surveillance import (
    clean_looks_needed,
    cumulative_detection,
    freedom_in_the_long_run,
    freedom_over_time,
    looks_needed,
    p_still_there,
    rule_of_three,
    upper_limit_of_none,
)

TABLE = Path(__file__).with_name("surveillance_epir.csv")
"""Made by `Rscript surveillance_epir.R`; its first lines name the versions and the calls."""


def rows_of(call: str) -> list[dict[str, str]]:
    with TABLE.open(encoding="utf-8", newline="") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        found = [row for row in rows if row["call"] == call]
    assert found, call
    return found


def whole(row: dict[str, str], name: str) -> int:
    return int(float(row[name]))


def animals(row: dict[str, str]) -> int | None:
    return whole(row, "N") if row["N"] else None


# --- detection over several looks ---


@pytest.mark.parametrize(
    ("n", "expected"),  # recomputed from 1 - (1-p)^n with p .3, to the digits given
    [(1, 0.300), (2, 0.510), (3, 0.657), (5, 0.8319), (7, 0.9176), (9, 0.9596), (10, 0.9718)],
)
def test_looks_add_up(n: int, expected: float) -> None:
    assert cumulative_detection(0.3, n) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(
    ("p_look", "for_95", "for_99"),  # recomputed; the form in McArdle 1990, Oikos 57:276
    [
        (0.05, 59, 90),
        (0.1, 29, 44),
        (0.2, 14, 21),
        (0.25, 11, 17),
        (0.3, 9, 13),
        (0.4, 6, 10),
        (0.5, 5, 7),
        (0.6, 4, 6),
        (0.7, 3, 4),
        (0.8, 2, 3),
        (0.9, 2, 2),  # 99 %: 1 - .1^2 is .99 exactly, which rounding must not make three
    ],
)
def test_how_many_looks_are_needed(p_look: float, for_95: int, for_99: int) -> None:
    assert looks_needed(p_look, confidence=0.95) == for_95
    assert looks_needed(p_look, confidence=0.99) == for_99


def test_no_number_of_blind_looks_is_enough_and_one_perfect_look_is() -> None:
    assert looks_needed(0.0) is None
    assert looks_needed(1.0) == 1


@pytest.mark.parametrize(
    ("n", "exact", "quick"),
    # Hanley & Lippman-Hand 1983, JAMA 249:1743, for the rule; the exact limits recomputed
    [
        (10, 0.25887, 0.3),
        (20, 0.13911, 0.15),
        (30, 0.09503, 0.1),
        (60, 0.0487, 0.05),
        (100, 0.02951, 0.03),
        (300, 0.00994, 0.01),
    ],
)
def test_what_goes_with_none_in_n(n: int, exact: float, quick: float) -> None:
    assert upper_limit_of_none(n) == pytest.approx(exact, abs=6e-6)
    assert rule_of_three(n) == pytest.approx(quick, abs=1e-12)
    # and the Clopper-Pearson limit of scipy, which knows nothing of the closed form
    limit = stats.binomtest(0, n).proportion_ci(confidence_level=0.90, method="exact").high
    assert upper_limit_of_none(n) == pytest.approx(limit, abs=1e-6)


# --- still there, and freedom over time ---


@pytest.mark.parametrize(
    ("prior", "n_clean", "expected"),  # recomputed with p .3; the form in Wintle et al. 2012
    [
        (0.5, 0, 0.5),
        (0.5, 1, 0.4118),
        (0.5, 3, 0.2554),
        (0.5, 5, 0.1439),
        (0.5, 7, 0.0761),
        (0.5, 9, 0.0388),
        (0.5, 10, 0.0275),
        (0.5, 14, 0.0067),
        (0.9, 5, 0.602),
        (0.9, 10, 0.2027),
        (0.9, 14, 0.0575),
        (0.9, 15, 0.041),
        (0.9, 20, 0.0071),
    ],
)
def test_what_clean_looks_leave(prior: float, n_clean: int, expected: float) -> None:
    assert p_still_there(prior, 0.3, n_clean) == pytest.approx(expected, abs=5.1e-5)


@pytest.mark.parametrize(
    ("prior", "counts"),  # recomputed: clean looks to reach .05 with p .1, .2, .3, .5
    [
        (0.2, (15, 7, 5, 3)),
        (0.5, (28, 14, 9, 5)),
        (0.8, (42, 20, 13, 7)),
        (0.9, (49, 24, 15, 8)),
        (0.95, (56, 27, 17, 9)),
    ],
)
def test_how_many_clean_looks_are_needed(prior: float, counts: tuple[int, ...]) -> None:
    for p_look, expected in zip((0.1, 0.2, 0.3, 0.5), counts, strict=True):
        needed = clean_looks_needed(prior, p_look)
        assert needed == expected
        assert p_still_there(prior, p_look, needed) <= 0.05
        assert p_still_there(prior, p_look, needed - 1) > 0.05


def test_freedom_over_time_as_printed() -> None:
    # 0.8305369 (introduction .01): printed output of the R package RSurveillance; Martin et al. 2007
    assert freedom_over_time([0.8])[0].free == pytest.approx(0.8333333, abs=5e-8)
    assert freedom_over_time([0.8], p_introduced=0.01)[0].free == pytest.approx(0.8305369, abs=5e-8)
    settled = freedom_in_the_long_run(0.8, 0.01)
    assert settled.prior == pytest.approx(0.9875, abs=1e-12)  # the same output
    assert settled.free == pytest.approx(0.9974747, abs=5e-8)


def test_freedom_over_time_as_recomputed() -> None:
    with_some = [period.free for period in freedom_over_time([0.6] * 24, p_introduced=0.01)]
    expected = [0.71019, 0.85549, 0.93258, 0.96782, 0.98283, 0.98902]
    assert with_some[:6] == pytest.approx(expected, abs=5.1e-6)
    assert with_some[23] == pytest.approx(0.99327, abs=5.1e-6)
    without = [period.free for period in freedom_over_time([0.3] * 14)]
    expected = [0.5882, 0.6711, 0.7446, 0.8064, 0.8561, 0.8947, 0.9239]
    expected += [0.9455, 0.9612, 0.9725, 0.9806, 0.9863, 0.9904, 0.9933]
    assert without == pytest.approx(expected, abs=5.1e-5)


def test_freedom_over_time_against_epir() -> None:
    for row in rows_of("rsu.pfree.rs"):
        found = freedom_over_time(
            [float(row["se"])] * whole(row, "n"),
            prior=float(row["prior"]),
            p_introduced=float(row["intro"]),
        )
        assert found[-1].free == pytest.approx(float(row["value"]), rel=1e-9), row
    for row in rows_of("rsu.pfree.equ"):
        settled = freedom_in_the_long_run(float(row["se"]), float(row["intro"]))
        assert settled.prior == pytest.approx(float(row["value"]), rel=1e-9), row
        assert settled.free == pytest.approx(float(row["second"]), rel=1e-9), row


# --- how many of a batch ---


@pytest.mark.parametrize(
    ("n_animals", "n_infested", "quick", "exact"),
    # recomputed from the formula of Cannon & Roe 1982 and from the hypergeometric distribution, 95 %
    [
        (20, 1, 19, 19),
        (20, 2, 16, 16),
        (20, 4, 10, 10),
        (50, 5, 22, 22),
        (100, 1, 95, 95),
        (100, 5, 45, 45),
        (100, 10, 25, 25),
        (500, 5, 225, 225),
        (1000, 10, 258, 258),
        (200, 40, 14, 13),  # the quick formula asks for one more than needed
    ],
)
def test_cannon_and_roe_beside_the_exact_number(
    n_animals: int, n_infested: int, quick: int, exact: int
) -> None:
    assert sample_by_cannon_and_roe(n_animals, n_infested) == quick
    assert exact_sample(n_animals, n_infested) == exact
    # scipy's hypergeometric distribution agrees that one fewer would not do
    assert stats.hypergeom.pmf(0, n_animals, n_infested, exact) <= 0.05 + 1e-12
    assert stats.hypergeom.pmf(0, n_animals, n_infested, exact - 1) > 0.05


def test_the_workbook_cell_of_cannon_and_roe() -> None:
    # 1600 animals, 1 % infested, 99 % sure: 399, a workbook that quotes Cannon & Roe 1982
    assert sample_by_cannon_and_roe(1600, 16, confidence=0.99) == 399


@pytest.mark.parametrize(("share", "expected"), [(0.01, 299), (0.05, 59), (0.1, 29)])
def test_the_sample_from_very_many(share: float, expected: int) -> None:
    # recomputed: ln .05 / ln(1 - share)
    assert sample_needed(share, sensitivity=1.0) == expected


def test_samples_with_a_look_that_misses_as_printed() -> None:
    # manual of the R package epiR 2.0.94, its examples
    assert sample_needed(0.05, sensitivity=0.9, n_animals=1000) == 65
    assert sample_needed(0.2, sensitivity=1.0, n_animals=200) == 15
    assert sample_sensitivity(300, 0.01, sensitivity=0.95) == pytest.approx(0.9429, abs=5e-5)
    assert largest_share_missed(280, sensitivity=0.98) == pytest.approx(0.01086, abs=5e-6)
    found = sample_for_freedom(0.95, prior=0.75, p_introduced=0.01, share=0.01, sensitivity=0.95)
    assert found.prior == pytest.approx(0.7425, abs=1e-12)
    assert found.sensitivity == pytest.approx(0.8482, abs=5e-5)
    assert found.n == 198


def test_sample_sensitivity_against_epir() -> None:
    for row in rows_of("rsu.sep.rs"):
        found = sample_sensitivity(
            whole(row, "n"),
            float(row["pstar"]),
            sensitivity=float(row["se"]),
            n_animals=animals(row),
        )
        assert found == pytest.approx(float(row["value"]), rel=1e-9), row


def test_samples_needed_against_epir() -> None:
    for row in rows_of("rsu.sssep.rs"):
        found = sample_needed(
            float(row["pstar"]),
            sensitivity=float(row["se"]),
            confidence=float(row["wanted"]),
            n_animals=animals(row),
        )
        expected = whole(row, "value") if row["value"] else None  # not to be had
        assert found == expected, row


def test_the_largest_share_missed_against_epir() -> None:
    for row in rows_of("rsu.pstar"):
        found = largest_share_missed(
            whole(row, "n"),
            sensitivity=float(row["se"]),
            confidence=float(row["wanted"]),
            n_animals=animals(row),
        )
        assert found == pytest.approx(float(row["value"]), rel=1e-9), row


def test_samples_for_freedom_against_epir() -> None:
    for row in rows_of("rsu.sspfree.rs"):
        found = sample_for_freedom(
            float(row["wanted"]),
            prior=float(row["prior"]),
            p_introduced=float(row["intro"]),
            share=float(row["pstar"]),
            sensitivity=float(row["se"]),
            n_animals=animals(row),
        )
        assert found.n == whole(row, "value"), row
        assert found.sensitivity == pytest.approx(float(row["second"]), rel=1e-9), row


# --- a batch, and looks that also see what is not there ---


def test_the_batch_of_65() -> None:
    # printed output of the R package RSurveillance; Cameron & Baldock 1998, Prev Vet Med 34:1
    found = batch_sensitivity(10, n_animals=65, n_infested=3, sensitivity=0.95, specificity=0.99)
    assert found == pytest.approx(0.4411522, abs=5e-8)
    assert batch_specificity(10, specificity=0.99) == pytest.approx(0.9043821, abs=5e-8)


def test_the_batch_of_150() -> None:
    # .8706 and .8498 recomputed, .87 and .85 printed in the manual of epiR 2.0.94
    of_150 = {"n_animals": 150, "n_infested": 15}
    for cutoff, expected in ((2, 0.8706), (1, 0.9757)):
        found = batch_sensitivity(30, **of_150, sensitivity=0.9, specificity=0.98, cutoff=cutoff)
        assert found == pytest.approx(expected, abs=5e-5)
    found = large_batch_sensitivity(30, 0.1, sensitivity=0.9, specificity=0.98, cutoff=2)
    assert found == pytest.approx(0.8498, abs=5e-5)


@pytest.mark.parametrize(("cutoff", "printed"), [(1, 0.03), (6, 0.95)])
def test_the_specificity_of_150_with_a_fixed_number_misjudged(cutoff: int, printed: float) -> None:
    # manual of epiR 2.0.94, N 150, n 30, Sp .9
    found = batch_specificity_of_marked(30, n_animals=150, specificity=0.9, cutoff=cutoff)
    assert found == pytest.approx(printed, abs=5e-3)


def test_batch_sensitivity_against_epir() -> None:
    for row in rows_of("rsu.sep.rsfreecalc"):
        test = {
            "sensitivity": float(row["se"]),
            "specificity": float(row["sp"]),
            "cutoff": whole(row, "c"),
        }
        if row["N"]:
            found = batch_sensitivity(
                whole(row, "n"),
                n_animals=whole(row, "N"),
                n_infested=whole(row, "pstar"),
                **test,
            )
        else:
            found = large_batch_sensitivity(whole(row, "n"), float(row["pstar"]), **test)
        assert found == pytest.approx(float(row["value"]), abs=1e-9), row


def test_batch_specificity_against_epir() -> None:
    for row in rows_of("rsu.spp.rs"):
        test = {"specificity": float(row["sp"]), "cutoff": whole(row, "c")}
        if row["N"]:
            found = batch_specificity_of_marked(whole(row, "n"), n_animals=whole(row, "N"), **test)
        else:
            found = batch_specificity(whole(row, "n"), **test)
        assert found == pytest.approx(float(row["value"]), abs=1e-9), row
    for row in rows_of("epi.herdtest"):
        found = batch_specificity(
            whole(row, "n"), specificity=float(row["sp"]), cutoff=whole(row, "c")
        )
        assert found == pytest.approx(float(row["value"]), abs=1e-9), row


def test_the_samples_that_epir_finds_do_what_it_says() -> None:
    for row in rows_of("rsu.sssep.rsfreecalc"):
        test = {"specificity": float(row["sp"]), "cutoff": whole(row, "c") + 1}  # "more than c"
        found = batch_sensitivity(
            whole(row, "n"),
            n_animals=whole(row, "N"),
            n_infested=whole(row, "pstar"),
            sensitivity=float(row["se"]),
            **test,
        )
        assert found == pytest.approx(float(row["value"]), abs=1e-7), row
        clean = batch_specificity(whole(row, "n"), **test)
        assert clean == pytest.approx(float(row["second"]), abs=1e-7), row


@pytest.mark.parametrize(
    ("n_infested", "at_10", "at_20"),  # recomputed: 20 snails, sensitivity .7
    [(1, 0.35, 0.70), (2, 0.5839, 0.91), (4, 0.8377, 0.9919)],
)
def test_a_quarantine_of_20_snails(n_infested: int, at_10: float, at_20: float) -> None:
    for n_looked, expected in ((10, at_10), (20, at_20)):
        found = batch_sensitivity(n_looked, n_animals=20, n_infested=n_infested, sensitivity=0.7)
        assert found == pytest.approx(expected, abs=5e-5)


# --- what makes no sense gets one sentence ---


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: cumulative_detection(1.3, 2), "1.3 was given for the chance of one look"),
        (lambda: cumulative_detection(0.3, -1), "-1 looks"),
        (lambda: looks_needed(0.3, confidence=1.0), "1 was given for the confidence"),
        (lambda: upper_limit_of_none(0), "0 looks"),
        (lambda: p_still_there(float("nan"), 0.3, 1), "nan was given for the probability before"),
        (
            lambda: clean_looks_needed(0.5, 0.3, at_most=0.0),
            "0 was given for the probability wanted",
        ),
        (lambda: freedom_over_time([0.3], p_introduced=[0.1, 0.1]), "2 chances of introduction"),
        (lambda: freedom_in_the_long_run(0.0, 0.0), "nothing ever changes"),
        (lambda: exact_sample(20, 0), "0 infested of 20"),
        (lambda: exact_sample(20, 21), "21 infested of 20"),
        (lambda: sample_needed(0.0, sensitivity=0.9), "0 was given for the share"),
        (lambda: sample_sensitivity(21, 0.1, sensitivity=0.9, n_animals=20), "21 of 20"),
        (lambda: batch_specificity(5, specificity=0.9, cutoff=0), "0 animals as the number"),
    ],
)
def test_what_makes_no_sense_gets_one_sentence(call: object, says: str) -> None:
    assert callable(call)
    with pytest.raises(LogError, match=says) as caught:
        call()
    assert caught.value.advice


def test_the_edges_of_a_batch() -> None:
    assert exact_sample(5, 5) == 1
    assert exact_sample(3, 1) == 3
    assert batch_sensitivity(0, n_animals=5, n_infested=1, sensitivity=0.7) == 0
    assert batch_sensitivity(5, n_animals=5, n_infested=5, sensitivity=1.0) == 1
    assert sample_needed(0.05, sensitivity=0.3, n_animals=20) is None  # all 20 are too few
    assert sample_for_freedom(0.9, prior=0.99, p_introduced=0.0, share=0.1, sensitivity=0.9).n == 0
    assert freedom_in_the_long_run(0.1, 0.2).free == 0
    assert clean_looks_needed(0.5, 0.0) is None
    assert clean_looks_needed(0.04, 0.0) == 0
    assert clean_looks_needed(0.5, 1.0) == 1
