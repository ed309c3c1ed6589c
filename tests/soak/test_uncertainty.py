"""What is assumed of a sensor that nobody has checked, against the published figures."""

from __future__ import annotations

import math

from soak.requirement import Judge, Requirement, SensorTerms
from soak.uncertainty import DATASHEET_LIMIT_MC, RESOLUTION_MC, unchecked_u_mc


def test_the_datasheet_s_figures() -> None:
    """DS18B20 datasheet, DC characteristics (±0.5 °C from −10 °C to +85 °C) and Table 2 (12 bits: 0.0625 °C)."""
    assert DATASHEET_LIMIT_MC == 500
    assert RESOLUTION_MC == 62.5 == 1000 / 2**4


def test_u_of_an_unchecked_sensor_is_the_budget_rounded_up() -> None:
    """0.5785 °C: the datasheet's ±0.5 °C as rectangular limits (u = a/√3, JCGM 100:2008 (GUM) 4.3.7) with the step of
    0.0625 °C (u = d/√12, GUM F.2.2.1), as root sum of squares (GUM 5.1.2), times k = 2 (GUM 6.2.1).

    The GUM paragraphs are named from memory; the value is derived from the datasheet's limits.
    """
    u_degrees = math.sqrt((0.5 / math.sqrt(3)) ** 2 + (0.0625 / math.sqrt(12)) ** 2)
    assert round(u_degrees, 4) == 0.2892
    assert round(2 * u_degrees, 4) == 0.5785
    assert unchecked_u_mc() == 579


def test_it_is_the_safer_of_the_two_readings_of_the_datasheet() -> None:
    """As three standard deviations, which is what the datasheet's note says, U would be 0.3353 °C."""
    three_sigma = 2 * math.hypot(0.5 / 3, 0.0625 / math.sqrt(12))
    assert round(three_sigma, 4) == 0.3353
    assert unchecked_u_mc() > 1000 * three_sigma


def test_a_label_of_20_degrees_is_accepted_from_20_58_on() -> None:
    """ILAC-G8:09/2019, 4.1 and 4.2.2 (guard band w = U), mirrored for a lower limit: 20 + 0.5785, to 20.58 °C."""
    judge = Judge(Requirement(20_000, 720_000), {"28-00000000000a": SensorTerms(unchecked_u_mc())})
    margins = {mc: judge.of({"28-00000000000a": mc}) for mc in (20_578, 20_579, 20_580)}
    assert [judged.margin_mc for judged in margins.values() if judged] == [-1, 0, 1]


def test_guarded_acceptance_leaves_at_most_two_and_a_half_percent_false_accepts() -> None:
    """ILAC-G8:09/2019, 4.2.2: below 2.5 %. A value at the acceptance limit lies k = 2 standard uncertainties inside, so
    the chance that the true one is beyond the tolerance limit is the normal tail at 2: 2.275 % (JCGM 106:2012, 7)."""
    tail = 0.5 * math.erfc(2 / math.sqrt(2))
    assert round(tail, 5) == 0.02275
    assert tail < 0.025
