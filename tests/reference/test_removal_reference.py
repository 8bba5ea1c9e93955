"""Textbook estimators against what publications print, and against other packages.

"As published" means printed in a publication. All printed values were read in the tests of the R package FSA
(fishR-Core-Team/FSA, commit c316cdce of 6 May 2025: testthat_removal.R and testthat_depletion.R), which hold
its results against them; where the publication itself is known to us it is named beside the value, else the
tests of FSA are. "Recomputed with numpy and scipy" means what it says: such a value is printed nowhere.

Left out on purpose: the standard error 23.62 that Cowx 1983 (Fish Manage 14:67) prints for 72, 56, 46, 30, 24,
and six answers of Carle and Strub's method that no single rule of rounding explains.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, special, stats

from pestvision.tanks import estimators
from pestvision.tanks.depletion import delury, leslie
from pestvision.tanks.estimators import (
    carle_strub,
    first_night_test,
    maximum_likelihood,
    moran,
    robson_regier,
    schnute,
    seber_le_cren,
    seber_three,
    zippin,
)

if TYPE_CHECKING:
    from pestvision.tanks.estimates import Estimate

# Omand 1951, smallmouth bass of Little Silver Lake, as in Ricker 1975; seven traps each time
BASS = (131, 69, 99, 78, 56, 76, 49, 42, 63, 47)
TRAPS = (7.0,) * 10

# Schnute 1983, one of the brook trout samples of his table
TROUT = (45, 11, 18, 8)


def rounded(value: float | None, digits: int) -> float:
    assert value is not None
    return round(value, digits)


@pytest.mark.parametrize(
    ("catches", "number", "chance", "source"),
    [
        ((38, 26, 12), 91, 0.444, "Carle and Strub 1978, Biometrics 34:621"),
        ((5, 7, 8), 44, 0.174, "in the tests of FSA"),
        ((72, 56, 46, 30, 24), 298, 0.250, "Cowx 1983, Fish Manage 14:67"),
        ((8, 23, 17, 8, 6), 95, 0.187, "in the tests of FSA"),
        ((77, 50, 37), 233, 0.331, "in the tests of FSA"),
    ],
)
def test_carle_and_strub_as_published(
    catches: tuple[int, ...], number: int, chance: float, source: str
) -> None:
    estimate = carle_strub(catches)
    assert estimate.number == number, source
    assert rounded(estimate.chance, 3) == chance, source


@pytest.mark.parametrize(
    ("catches", "number"),
    [
        # Jones and Stockwell 1995, and Simonson and Lyons 1995, as quoted in the tests of FSA
        ((65, 34, 12), 121),
        ((54, 26, 9), 95),
        ((67, 34), 130),
        ((57, 34), 130),
        ((54, 27), 103),
        ((25, 10, 8), 48),
        ((5, 6, 0), 11),
        ((68, 17, 5), 91),
        ((55, 11, 9), 77),
        ((46, 23, 24), 130),
        ((163, 14, 2), 179),
        ((250, 37, 6), 293),
        ((68, 35, 12), 125),  # the help page of FSA
    ],
)
def test_carle_and_strub_gives_the_other_printed_numbers(
    catches: tuple[int, ...], number: int
) -> None:
    assert carle_strub(catches).number == number


def test_carle_and_strub_s_standard_errors_as_published() -> None:
    assert rounded(carle_strub((38, 26, 12)).number_se, 2) == 9.69  # Carle and Strub 1978
    assert rounded(carle_strub((77, 50, 37)).number_se, 3) == 31.358  # in the tests of FSA


def test_zippin_as_published() -> None:
    # in the tests of FSA
    four = zippin((124, 61, 35, 14))
    assert four.number == 249
    assert rounded(four.number_se, 3) == 6.164
    assert rounded(four.chance, 3) == 0.501
    assert rounded(four.chance_se, 3) == 0.035
    three = zippin((77, 50, 37))
    assert three.number == 238
    assert rounded(three.chance, 4) == 0.3216
    assert rounded(three.number_se, 2) == 33.84


def test_seber_s_closed_form_as_published() -> None:
    assert rounded(seber_three((72, 56, 46)).number, 0) == 353  # in the tests of FSA


def test_moran_as_published() -> None:
    trout = moran(TROUT)  # Schnute 1983, his table
    assert rounded(trout.number, 1) == 90.6
    assert rounded(trout.chance, 2) == 0.44
    assert rounded(trout.nll, 2) == 6.95
    assert trout.low is not None
    assert trout.high is not None
    assert (round(trout.low, 1), round(trout.high, 1)) == (83.4, 109.2)
    assert rounded(moran((77, 50, 37)).number, 1) == 237.6  # in the tests of FSA


def test_a_first_night_that_differs_as_published() -> None:
    tested = first_night_test(TROUT)  # Schnute 1983, his table
    assert rounded(tested.unequal.number, 1) == 123.6
    assert rounded(tested.unequal.chance, 2) == 0.19
    assert round(TROUT[0] / (tested.unequal.number or 1), 2) == 0.36
    assert rounded(tested.chi2, 2) == 4.74
    assert rounded(tested.p_value, 4) == 0.0296


@pytest.mark.parametrize(
    ("catches", "number", "chance", "number_se", "source"),
    [
        ((72, 56), 324, 0.22, 178.19, "in the tests of FSA"),
        ((79, 28), 122.4, 0.65, 8.8, "in the tests of FSA"),
    ],
)
def test_two_nights_as_published(
    catches: tuple[int, int], number: float, chance: float, number_se: float, source: str
) -> None:
    estimate = seber_le_cren(catches)
    assert rounded(estimate.number, 1) == number, source
    assert rounded(estimate.chance, 2) == chance, source
    assert rounded(estimate.number_se, len(str(number_se).split(".")[1])) == number_se, source


def test_robson_and_regier_as_published() -> None:
    assert robson_regier((72, 56)).number == 320.5  # printed as 321; in the tests of FSA


def test_leslie_and_delury_with_ricker_s_change_as_published() -> None:
    # Ricker 1975, examples 6.1 and 6.2
    line = leslie(BASS, TRAPS)
    assert rounded(line.number, 0) == 1078
    assert round(7 * (line.chance or 0), 5) == 0.10676
    curve = delury(BASS, TRAPS)
    assert rounded(curve.number, 0) == 1150
    assert rounded(curve.chance, 5) == 0.01319


@pytest.mark.parametrize(
    ("method", "catches", "number", "number_se"),
    [
        (maximum_likelihood, (165, 101, 54), 394, None),
        (zippin, (165, 101, 54), 395, 22.74),
        (carle_strub, (165, 101, 54), 393, 22.23),
        (seber_three, (165, 101, 54), 397.27, None),
        (maximum_likelihood, (38, 26, 12), 92, None),
        (zippin, (38, 26, 12), 93, 10.71),
        (seber_three, (38, 26, 12), 94.93, None),
        (carle_strub, (5, 7, 8), 44, 48.70),
        (maximum_likelihood, (72, 56, 46, 30, 24), 301, None),
        (zippin, (72, 56, 46, 30, 24), 301, 25.86),
        (carle_strub, (72, 56, 46, 30, 24), 298, 24.85),
        (maximum_likelihood, (8, 23, 17, 8, 6), 106, None),
        (zippin, (8, 23, 17, 8, 6), 106, 35.97),
        (carle_strub, (8, 23, 17, 8, 6), 95, 25.42),
        (maximum_likelihood, (72, 56, 46), 339, None),
        (zippin, (72, 56, 46), 340, 93.71),
        (carle_strub, (72, 56, 46), 317, None),
        (maximum_likelihood, (124, 61, 35, 14), 249, None),
        (carle_strub, (124, 61, 35, 14), 249, None),
        (maximum_likelihood, (77, 50, 37), 238, None),
        (seber_three, (77, 50, 37), 243.07, None),
        (maximum_likelihood, TROUT, 91, None),
        (zippin, TROUT, 91, 5.70),
        (carle_strub, TROUT, 90, 5.34),
        (seber_le_cren, (77, 37), 148.225, 19.01),
        (seber_le_cren, (10, 4), 16.67, None),
        (maximum_likelihood, (12, 7, 3, 1, 0), 23, 0.60),
        (maximum_likelihood, (6, 3, 1, 0, 0), 10, 0.22),
        (carle_strub, (9, 5, 2), 17, None),
        (maximum_likelihood, (9, 5, 2), 17, None),
        (seber_three, (9, 5, 2), 18.16, None),
    ],
)
def test_values_recomputed_with_numpy_and_scipy(
    method: object, catches: tuple[int, ...], number: float, number_se: float | None
) -> None:
    estimate = method(catches)  # type: ignore[operator]
    assert estimate.number == pytest.approx(number, abs=0.005)
    if number_se is not None:
        assert rounded(estimate.number_se, 2) == number_se


@pytest.mark.parametrize(
    ("catches", "number", "low", "high"),
    [
        ((165, 101, 54), 394.5, 360.2, 455.5),
        ((38, 26, 12), 92.2, 79.7, 135.2),
        ((72, 56, 46, 30, 24), 301.0, 264.0, 379.1),
        ((8, 23, 17, 8, 6), 105.5, 72.0, np.inf),
        ((72, 56, 46), 339.2, 237.6, 1131.4),
        ((124, 61, 35, 14), 248.9, 239.5, 264.6),
        ((77, 50, 37), 237.6, 194.6, 370.9),
        ((12, 7, 3, 1, 0), 23.0, 23.0, 25.2),
        ((6, 3, 1, 0, 0), 10.0, 10.0, 11.0),
        ((9, 5, 2), 16.6, 16.0, 32.2),
    ],
)
def test_likelihood_intervals_recomputed_with_numpy_and_scipy(
    catches: tuple[int, ...], number: float, low: float, high: float
) -> None:
    estimate = moran(catches)
    assert estimate.low is not None
    assert estimate.high is not None
    assert rounded(estimate.number, 1) == number
    assert round(estimate.low, 1) == low
    assert round(estimate.high, 1) == high


def test_lines_without_ricker_s_change_recomputed_with_numpy_and_scipy() -> None:
    line = leslie(BASS, TRAPS, ricker=False)
    assert rounded(line.number, 3) == 1060.296
    assert rounded(line.number_se, 3) == 169.268
    assert rounded(line.chance, 7) == 0.0148440
    # the lower limit 670.0 of the table lies below the 710 that were caught
    assert line.number is not None
    assert line.number_se is not None
    assert round(line.number - stats.t.ppf(0.975, 8) * line.number_se, 1) == 670.0
    assert rounded(line.high, 1) == 1450.6
    curve = delury(BASS, TRAPS, ricker=False)
    assert rounded(curve.number, 3) == 1098.503
    assert rounded(curve.chance, 7) == 0.0131938
    assert rounded(curve.high, 1) == 1540.3
    assert rounded(leslie(BASS, TRAPS).number, 3) == 1077.571
    assert rounded(delury(BASS, TRAPS).number, 3) == 1150.420


def test_the_lines_are_those_of_statsmodels() -> None:
    caught, effort = np.asarray(BASS, float), np.asarray(TRAPS)
    before = np.cumsum(caught) - caught / 2
    fit = sm.OLS(caught / effort, sm.add_constant(before)).fit()
    line = leslie(BASS, TRAPS)
    assert line.chance == pytest.approx(-fit.params[1])
    assert line.number == pytest.approx(-fit.params[0] / fit.params[1])
    # the delta method on the fit's own covariance
    gradient = np.array([-1 / fit.params[1], fit.params[0] / fit.params[1] ** 2])
    assert line.number_se == pytest.approx(np.sqrt(gradient @ fit.cov_params() @ gradient))
    spent = np.cumsum(effort) - effort / 2
    fit = sm.OLS(np.log(caught / effort), sm.add_constant(spent)).fit()
    curve = delury(BASS, TRAPS)
    assert curve.chance == pytest.approx(-fit.params[1])
    assert curve.number == pytest.approx(np.exp(fit.params[0]) / -fit.params[1])
    gradient = np.array([1.0, -1 / fit.params[1]]) * (curve.number or 0)
    assert curve.number_se == pytest.approx(np.sqrt(gradient @ fit.cov_params() @ gradient))


@pytest.mark.parametrize("catches", [TROUT, (38, 26, 12), (72, 56, 46, 30, 24), (30, 9, 4, 2)])
def test_the_likelihoods_are_as_low_as_scipy_can_make_them(catches: tuple[int, ...]) -> None:
    total = sum(catches)

    def nll(number: float, chances: np.ndarray) -> float:
        present = number - np.concatenate([[0], np.cumsum(catches)[:-1]])
        drawn = special.gammaln(number + 1) - special.gammaln(number - total + 1)
        found = np.sum(special.xlogy(catches, chances))
        missed = np.sum(special.xlog1py(present - catches, -chances))
        return float(-(drawn + found + missed))

    def constant(values: np.ndarray) -> float:
        number = total + np.exp(values[0])
        return nll(number, np.full(len(catches), special.expit(values[1])))

    def first_apart(values: np.ndarray) -> float:
        number = total + np.exp(values[0])
        return nll(number, special.expit(np.array([values[2], *[values[1]] * (len(catches) - 1)])))

    options = {"xatol": 1e-9, "fatol": 1e-11, "maxiter": 20_000, "maxfev": 20_000}
    equal = optimize.minimize(constant, [2.0, -1.0], method="Nelder-Mead", options=options)
    apart = optimize.minimize(first_apart, [2.0, -1.0, -1.0], method="Nelder-Mead", options=options)
    tested = first_night_test(catches)
    assert tested.equal.number == pytest.approx(total + np.exp(equal.x[0]), rel=1e-4)
    assert tested.unequal.number == pytest.approx(total + np.exp(apart.x[0]), rel=1e-3)
    assert tested.chi2 == pytest.approx(2 * (equal.fun - apart.fun), abs=1e-5)
    assert tested.p_value == pytest.approx(stats.chi2.sf(tested.chi2, 1))


# --- refusals are values ------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", [maximum_likelihood, zippin, moran, seber_three])
def test_without_a_decline_there_is_no_answer_but_carle_and_strub_s(method: object) -> None:
    # the test of existence of Carle and Strub 1978, equation 6
    estimate: Estimate = method((5, 7, 8))  # type: ignore[operator]
    assert estimate.number is None
    assert estimate.reason is not None
    assert "do not fall" in estimate.reason
    assert carle_strub((5, 7, 8)).number == 44


@pytest.mark.parametrize("catches", [(28, 79), (10, 10), (0, 0)])
def test_two_nights_that_do_not_fall_have_no_answer(catches: tuple[int, int]) -> None:
    for method in (seber_le_cren, robson_regier):
        estimate = method(catches)
        assert estimate.number is None
        assert estimate.reason


@pytest.mark.parametrize(
    ("estimate", "reason"),
    [
        (moran((12, 5)), "more nights"),
        (moran((0, 0, 0)), "nothing was caught"),
        (schnute((9, 0, 0, 0)), "more nights"),
        (zippin((4,)), "more nights"),
        (carle_strub((4,)), "more nights"),
        (seber_three((4, 3)), "exactly three"),
        (seber_le_cren((4, 3, 2)), "exactly two"),
        (leslie((4, 3), (1.0, 1.0)), "more nights"),
        (leslie((1, 2, 4), (1.0, 1.0, 1.0)), "do not fall"),
        (delury((8, 4, 0), (1.0, 1.0, 1.0)), "without a catch"),
        (delury((1, 2, 4), (1.0, 1.0, 1.0)), "do not fall"),
        (leslie((50, 2, 1), (1.0, 1.0, 1.0)), "below what was taken out"),
    ],
)
def test_each_refusal_says_why(estimate: Estimate, reason: str) -> None:
    assert estimate.number is None
    assert estimate.reason is not None
    assert reason in estimate.reason


def test_uneven_effort_leaves_only_the_lines() -> None:
    said = estimators.textbook((30, 9, 12), (1.0, 0.5, 1.0))
    with_answer = {item.method for item in said if item.number is not None}
    assert with_answer <= {"Leslie", "DeLury"}
    assert len(with_answer) > 0
    even = estimators.textbook((30, 14, 7), (1.0, 1.0, 1.0))
    assert all(item.number is not None for item in even)
