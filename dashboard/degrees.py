"""Temperatures as the site reads them: degrees Celsius, with degrees Fahrenheit beside them where the site wants it.

Labels and records are in degrees Celsius, so that stands first and decides; 0 °C is 32 °F and 5 °C are 9 °F exactly.
"""

from __future__ import annotations

from soak.quantity import celsius, tenths


class _Site:
    fahrenheit = False


_site = _Site()


def show_fahrenheit(*, beside: bool) -> None:
    """Whether degrees Fahrenheit stand beside degrees Celsius on this server's pages."""
    _site.fahrenheit = beside


def fahrenheit_shown() -> bool:
    """Whether they do."""
    return _site.fahrenheit


def shown(mc: int, *, up: bool = False) -> str:
    """A temperature to the hundredth: "20.25 °C", or "20.25 °C (68.45 °F)".

    Args:
        mc: Millidegrees Celsius.
        up: Round up instead of down; down is the safe way against a minimum.
    """
    if not _site.fahrenheit:
        return celsius(mc, up=up)
    beside = celsius(_millifahrenheit(mc, up=up), up=up).removesuffix(" °C")
    return f"{celsius(mc, up=up)} ({beside} °F)"


def shown_tenths(mc: int, *, up: bool = False) -> str:
    """A temperature as a display shows it: "21.3 °C", or "21.3 °C (70.3 °F)"; rounded as in `shown`."""
    text = f"{tenths(mc, up=up)} °C"
    return f"{text} ({tenths(_millifahrenheit(mc, up=up), up=up)} °F)" if _site.fahrenheit else text


def difference(mc: int, *, up: bool = False) -> str:
    """A difference of temperatures, such as a margin or U: "0.5 °C", or "0.5 °C (0.9 °F)"."""
    if not _site.fahrenheit:
        return celsius(mc, up=up)
    return f"{celsius(mc, up=up)} ({celsius(_ninths(mc, up=up), up=up).removesuffix(' °C')} °F)"


def _millifahrenheit(mc: int, *, up: bool) -> int:
    return _ninths(mc, up=up) + 32_000


def _ninths(mc: int, *, up: bool) -> int:
    return -(-mc * 9 // 5) if up else mc * 9 // 5
