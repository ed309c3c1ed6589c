"""What is assumed of a sensor that nobody has checked."""

from __future__ import annotations

from soak.budget import UC_PER_MC, Contribution, Shape, expanded_mc, limits

DATASHEET_LIMIT_MC = 500
"""DS18B20 datasheet, DC characteristics: thermometer error ±0.5 °C from −10 °C to +85 °C."""

RESOLUTION_MC = 62.5
"""DS18B20 datasheet, Table 2: one step at 12 bits is 0.0625 °C."""


def unchecked() -> tuple[Contribution, ...]:
    """The budget of a sensor that nobody has checked.

    The datasheet's limit can be read as a rectangular distribution or, as its note says, as three standard deviations.
    This takes the safer: limit / √3, with half a step's rounding / √3 (GUM 4.3.7, F.2.2.1).
    """
    return (
        limits("sensor, by its datasheet", DATASHEET_LIMIT_MC * UC_PER_MC, "±0.5 °C, read the safer way"),
        limits("sensor, resolution", int(RESOLUTION_MC * UC_PER_MC), "one step at 12 bits", Shape.STEP),
    )


def unchecked_u_mc() -> int:
    """Expanded uncertainty (k = 2) of a sensor without a check, in millidegrees, rounded up."""
    return expanded_mc(unchecked())
