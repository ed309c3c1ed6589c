"""Degrees Fahrenheit beside degrees Celsius, at the fixed points of the definition: t(°F) = 9/5 t(°C) + 32 exactly
(NIST SP 811, appendix B.8)."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dashboard.degrees import difference, show_fahrenheit, shown, shown_tenths


@pytest.fixture(autouse=True)
def celsius_again() -> Iterator[None]:
    yield
    show_fahrenheit(beside=False)


def test_celsius_alone_unless_the_site_wants_both() -> None:
    assert (shown(20_250), shown_tenths(21_312), difference(500)) == ("20.25 °C", "21.3 °C", "0.5 °C")


@pytest.mark.parametrize(
    ("mc", "text"), [(0, "0.0 °C (32.0 °F)"), (100_000, "100.0 °C (212.0 °F)"), (-40_000, "-40.0 °C (-40.0 °F)")]
)
def test_fixed_points(mc: int, text: str) -> None:
    show_fahrenheit(beside=True)
    assert shown_tenths(mc) == text


def test_rounding_goes_the_same_safe_way_in_both() -> None:
    show_fahrenheit(beside=True)
    assert shown_tenths(20_580) == "20.5 °C (69.0 °F)"  # 69.044
    assert shown_tenths(20_580, up=True) == "20.6 °C (69.1 °F)"
    assert shown(19_999) == "19.99 °C (67.99 °F)"  # 67.9982
    assert difference(500) == "0.5 °C (0.9 °F)"
