"""Budget, line and risk against the worked examples that are printed, and against GTC, a library for the GUM.

Each example names where it is printed; what was seen only as a reprint says so. Tests recompute nothing that they then
compare with itself: expected figures are those on paper.
"""

from __future__ import annotations

import importlib
import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from soak.budget import (
    Contribution,
    Shape,
    combined_uc,
    effective_dof,
    expanded_mc,
    limits,
    normal,
    repeats,
    share_permille,
)
from soak.conformance import conformance, guarded_risk
from soak.straight_line import fitted
from soak.uncertainty import unchecked, unchecked_u_mc


@pytest.fixture(scope="module")
def GTC() -> Any:  # noqa: N802 - as it is imported
    """GTC, taken in when it is asked: scipy comes with it, half a second of every process that collects this file."""
    return importlib.import_module("GTC")


H3_T = (21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511)
H3_B = (-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160)


def test_gum_h3_a_thermometer_s_corrections() -> None:
    """JCGM 100:2008, H.3, Table H.6 and H.3.3: y1, u(y1), y2, u(y2), r, s; H.3.4: b(30 °C) and its uncertainty."""
    line = fitted(H3_T, H3_B, 20.0)
    assert (f"{line.y1:.4f}", f"{line.u_y1:.4f}") == ("-0.1712", "0.0029")
    assert (f"{line.y2:.5f}", f"{line.u_y2:.5f}") == ("0.00218", "0.00067")
    assert f"{line.r:.3f}" == "-0.930"
    assert (f"{line.s:.4f}", line.dof) == ("0.0035", 9)
    b_30, u_30 = line.at(30.0)
    assert (f"{b_30:.4f}", f"{u_30:.4f}") == ("-0.1494", "0.0041")


def test_gum_h3_to_the_digits_that_were_computed_beside_it() -> None:
    """The same, from GTC's documentation of GUM H.3 (to eight figures)."""
    line = fitted(H3_T, H3_B, 20.0)
    assert line.y1 == pytest.approx(-0.17120379, abs=5e-9)
    assert line.y2 == pytest.approx(0.0021827, abs=5e-8)
    assert line.s == pytest.approx(0.00349756, abs=5e-9)
    assert line.u_y1 == pytest.approx(0.0028776, abs=5e-8)
    assert line.u_y2 == pytest.approx(0.00066794, abs=5e-9)
    assert line.r == pytest.approx(-0.9304296, abs=5e-8)
    assert line.at(30.0) == (pytest.approx(-0.14937681, abs=5e-9), pytest.approx(0.0041386, abs=5e-8))


def test_gum_h3_does_not_depend_on_where_it_is_told_from() -> None:
    """H.3.5: told from the mean of the temperatures, y1 and y2 do not go together; the prediction stays."""
    line = fitted(H3_T, H3_B, sum(H3_T) / len(H3_T))
    assert abs(line.r) < 1e-9
    b_30, u_30 = line.at(30.0)
    assert (f"{b_30:.4f}", f"{u_30:.4f}") == ("-0.1494", "0.0041")


def test_a_line_takes_three_at_more_than_one_temperature() -> None:
    with pytest.raises(ValueError, match=r"^2 temperatures and 2 corrections: a line takes three of each or more\.$"):
        fitted((1.0, 2.0), (0.0, 0.0), 0.0)
    with pytest.raises(ValueError, match=r"^All corrections were found at one temperature: that makes no line\.$"):
        fitted((1.0, 1.0, 1.0), (0.0, 0.1, 0.2), 0.0)


@given(
    st.lists(st.tuples(st.floats(-20, 80), st.floats(-2, 2)), min_size=3, max_size=12).filter(
        lambda points: max(t for t, _ in points) - min(t for t, _ in points) > 1
    ),
    st.floats(-20, 80),
)
def test_lines_agree_with_gtc(GTC: Any, points: list[tuple[float, float]], t: float) -> None:  # noqa: N803
    temperatures, found = [point[0] for point in points], [point[1] for point in points]
    fit = GTC.type_a.line_fit([each - 20.0 for each in temperatures], found)
    b = fit.a_b[0] + fit.a_b[1] * (t - 20.0)
    here, u_here = fitted(temperatures, found, 20.0).at(t)
    assert here == pytest.approx(GTC.value(b), abs=1e-7)
    assert u_here == pytest.approx(GTC.uncertainty(b), abs=1e-7)


H1_NM = (25, 5.8, 3.9, 6.7, 1.7, 5.8, 10.2, 2.9, 16.6)
"""NIST TN 1297, Table D.1, after GUM H.1: standard uncertainties in nanometres, here as millidegrees."""


def test_gum_h1_the_root_of_the_sum_of_squares() -> None:
    """NIST TN 1297, Table D.1: 34 nm of nine contributions."""
    budget = [repeats(str(place), round(1_000 * u), 9) for place, u in enumerate(H1_NM)]
    assert round(combined_uc(budget) / 1_000) == 34
    assert combined_uc(budget) / 1_000 == pytest.approx(33.8124, abs=5e-5)


def test_gum_h1_effective_degrees_of_freedom() -> None:
    """GUM H.1.6 (inputs also in GTC's examples/GUM_H1.py): u 25, 9.7, 2.9, 16.6 nm with ν 18, 25.6, 50, 2 and
    u_c 32 nm give ν_eff 16.7, which is cut to 16. 9.7 nm are 5.8, 3.9 and 6.7 with ν 24, 5, 8."""
    parts = [(25, 18), (5.8, 24), (3.9, 5), (6.7, 8), (2.9, 50), (16.6, 2)]
    budget = [repeats(str(u), round(1_000 * u), dof) for u, dof in parts]
    assert effective_dof(budget) == 16
    assert round(combined_uc(budget) / 1_000) == 32
    nine_seven = budget[1:4]
    assert (round(combined_uc(nine_seven) / 1_000, 1), effective_dof(nine_seven)) == (9.7, 25)


def test_type_b_sizes_become_standard_uncertainties() -> None:
    """NIST TN 1297, 4.2 (U/k); GUM 4.3.7 (a/√3), 4.3.9 (a/√6), F.2.2.1 (d/√12); rounded up to the microdegree."""
    assert normal("certificate", 30_000, 200).u_uc == 15_000
    assert normal("certificate", 30_000, 205).u_uc == 14_635  # 14,634.15
    assert limits("limits", 100_000).u_uc == 57_736  # 57,735.03
    assert limits("limits", 100_000, shape=Shape.TRIANGULAR).u_uc == 40_825  # 40,824.83
    assert limits("step", 62_500, shape=Shape.STEP).u_uc == 18_043  # 18,042.20
    assert limits("none", 0).u_uc == 0
    with pytest.raises(ValueError, match=r"^A coverage factor of 0 divides nothing\. Copy k from the certificate\.$"):
        normal("certificate", 30_000, 0)


def test_the_published_limits_of_the_sensor_with_its_resolution() -> None:
    """Derived from the DS18B20 datasheet's ±0.5 °C and its step of 0.0625 °C: u 0.2892 °C, U 0.5785 °C."""
    assert f"{combined_uc(unchecked()) / 1e6:.4f}" == "0.2892"
    assert f"{2 * combined_uc(unchecked()) / 1e6:.4f}" == "0.5785"
    assert unchecked_u_mc() == 579
    assert [share_permille(each, unchecked()) for each in unchecked()] == [996, 4]


_SIZES = st.integers(0, 1_000_000)
_CONTRIBUTIONS = st.one_of(
    st.builds(normal, st.just("normal"), _SIZES, st.integers(100, 300)),
    st.builds(limits, st.just("limits"), _SIZES, st.just(""), st.sampled_from((Shape.RECTANGULAR, Shape.TRIANGULAR))),
    st.builds(repeats, st.just("repeats"), _SIZES, st.integers(1, 40)),
)


def in_gtc(GTC: Any, part: Contribution) -> Any:  # noqa: N803 - as it is imported
    """The contribution as GTC makes it from its size, not from our u."""
    size = part.size_uc / 1e6
    if part.shape is Shape.NORMAL:
        assert part.k_hundredths
        return GTC.ureal(0, 100 * size / part.k_hundredths)
    if part.shape is Shape.REPEATS:
        return GTC.ureal(0, size, part.dof)
    return GTC.ureal(0, (GTC.type_b.uniform if part.shape is Shape.RECTANGULAR else GTC.type_b.triangular)(size))


@given(st.lists(_CONTRIBUTIONS, min_size=1, max_size=8))
def test_budgets_agree_with_gtc(GTC: Any, budget: list[Contribution]) -> None:  # noqa: N803
    """Ours is never less, and more by the rounding up at most: a microdegree each, then one millidegree of U."""
    total = sum((in_gtc(GTC, each) for each in budget), GTC.ureal(0, 0))
    u_mc = 2_000 * GTC.uncertainty(total)
    assert u_mc - 1e-6 <= expanded_mc(budget) < u_mc + 1.02
    assert combined_uc(budget) / 1e6 == pytest.approx(GTC.uncertainty(total), abs=1e-5)
    ours, theirs = effective_dof(budget), GTC.dof(total)
    if ours is None:
        assert math.isinf(theirs)
    elif combined_uc(budget) > 10_000:  # where rounding up to the microdegree does not show
        assert ours == pytest.approx(theirs, rel=0.02, abs=1.01)


def test_u_is_rounded_up_and_never_down() -> None:
    assert expanded_mc([repeats("s", 50_000, 9)]) == 100
    assert expanded_mc([repeats("s", 50_001, 9)]) == 101
    assert expanded_mc([]) == 0


def test_jcgm_106_two_limits() -> None:
    """JCGM 106:2012, 7.4, example: y 13.6, u 1.8, limits 12.5 and 16.3: 0.66."""
    assert f"{conformance(13.6, 1.8, 12.5, 16.3):.2f}" == "0.66"
    assert conformance(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.66263, abs=5e-6)


def test_jcgm_106_one_limit() -> None:
    """JCGM 106:2012, 7.3, examples (from memory): bursting strength 509.7 of at least 490, u 8.6: 0.99; breakdown
    voltage −5.47 of at most −5.40, u 0.05: 0.92."""
    assert f"{conformance(509.7, 8.6, lower=490):.2f}" == "0.99"
    assert f"{conformance(-5.47, 0.05, upper=-5.40):.2f}" == "0.92"


def test_jcgm_106_guarded_rejection() -> None:
    """JCGM 106:2012, 8.3.3, example (from memory): a speed limit of 100 with 2 % and 99.9 %: sure from 107 km/h on."""
    assert 1 - conformance(107, 0.02 * 107, upper=100) > 0.999
    assert 1 - conformance(106, 0.02 * 106, upper=100) < 0.999


def test_ilac_g8_a_guard_band_of_u() -> None:
    """ILAC-G8:09/2019, 4.2.1 and 4.2.2: without a guard band up to 50 %, with one of U below 2.5 %."""
    assert guarded_risk(0) == 0.5
    assert f"{100 * guarded_risk():.2f}" == "2.28"
    assert 1 - conformance(20.578, 0.289, lower=20.0) == pytest.approx(guarded_risk(), abs=1e-9)


def test_a_conformance_needs_an_uncertainty() -> None:
    with pytest.raises(ValueError, match=r"^A standard uncertainty of 0 leaves no probability to speak of\.$"):
        conformance(20, 0, lower=19)
