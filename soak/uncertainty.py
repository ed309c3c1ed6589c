"""What is assumed of a sensor that nobody has checked."""

from __future__ import annotations

import math

DATASHEET_LIMIT_MC = 500
"""DS18B20 datasheet, DC characteristics: thermometer error ±0.5 °C from −10 °C to +85 °C."""

RESOLUTION_MC = 62.5
"""DS18B20 datasheet, Table 2: one step at 12 bits is 0.0625 °C."""


def unchecked_u_mc() -> int:
    """Expanded uncertainty (k = 2) of a sensor without a check, in millidegrees, rounded up.

    The datasheet's limit can be read as a rectangular distribution or, as its note says, as three standard deviations.
    This takes the safer: limit / √3, with half a step's rounding / √3 (GUM 4.3.7, F.2.2.1), as root sum of squares.
    """
    return math.ceil(2 * math.hypot(DATASHEET_LIMIT_MC / math.sqrt(3), RESOLUTION_MC / math.sqrt(12)))
