"""How figures of sensors read: to the thousandth of a degree, and where they come from. Pure."""

from __future__ import annotations

from urllib.parse import urlencode

from collector.record.basins.grounds import Ground, Origin
from dashboard.texts import _
from soak.budget import Contribution, Shape
from soak.quantity import exact_celsius


def thousandths(mc: int, *, signed: bool = False) -> str:
    """A correction, an error or U to the millidegree: "0.25 °C", "+0.107 °C", "−0.107 °C"."""
    text = exact_celsius(abs(mc))
    sign = "−" if mc < 0 else "+" if signed and mc > 0 else ""
    return f"{sign}{text}"


def look_back(cause: str, **asked: str | int) -> str:
    """The address at which a look-back is opened, with what is known filled in, and looked at once.

    Args:
        cause: "sensor-off" or "reference-off".
        asked: Fields of a look-back; millidegrees become degrees, as people type them.
    """
    typed = {
        f"asked.{name}": exact_celsius(said).removesuffix(" °C") if isinstance(said, int) else said
        for name, said in asked.items()
    }
    return f"/look-backs/new?{urlencode({'cause': cause, **typed, 'look': 'yes'})}"


def microdegrees(uc: int) -> str:
    """A part of a budget to a ten-thousandth of a degree, rounded up: "0.0181 °C"."""
    return f"{-(-uc // 100) / 10_000:.4f} °C"


def size_words(part: Contribution) -> str:
    """A contribution's size and shape: "U 0.03 °C, k = 2", "±0.2 °C, rectangular"."""
    size = f"{part.size_uc / 1_000_000:.4f}".rstrip("0").rstrip(".") + " °C"
    k = f"{(part.k_hundredths or 0) / 100:g}"
    words = {
        Shape.NORMAL: _("U {size}, normal, k = {k}"),
        Shape.RECTANGULAR: _("±{size}, rectangular, divided by √3"),
        Shape.TRIANGULAR: _("±{size}, triangular, divided by √6"),
        Shape.STEP: _("step {size}, rectangular, divided by √12"),
        Shape.REPEATS: _("s of the mean {size}, {dof} degrees of freedom"),
    }
    return words[part.shape].format(size=size, k=k, dof=part.dof)


def origin_words(ground: Ground) -> str:
    """Where a sensor's U comes from."""
    if ground.check is not None:
        return _("check {check}").format(check=ground.check.id)
    return (
        _("the datasheet: no check on record")
        if ground.origin is Origin.DATASHEET
        else _("the collector’s settings: no check on record")
    )
