"""From the kernel's `w1_slave` text to a temperature or a named fault, judged from the nine raw bytes alone.

The number after `t=` is never used: with a failed check sum the driver works it out from the bad bytes (w1_slave_show
in the kernel's w1_therm driver). False high values are the danger, for they would turn a cold soak into a good one.
Facts about the sensor are from the DS18B20 datasheet, those about the text from the kernel's w1_therm documentation.
"""

from __future__ import annotations

import enum
import re

from soak.reading import HIGHEST_MC, LOWEST_MC, Fault

_LINE = re.compile(rb"((?:[0-9a-f]{2} ){9}): crc=[0-9a-f]{2} (YES|NO)\n")
_SECOND_LINE = re.compile(rb"(?:[0-9a-f]{2} ){9}t=-?[0-9]{1,7}\n?")
_RESERVED = 0x10  # byte 7 (datasheet, Figure 9); byte 5 differs between parts sold under this name (from memory)
_FIXED, _FIXED_MASK = 0x1F, 0x9F  # byte 4: 0 R1 R0 1 1 1 1 1 (datasheet, Figure 10)
_TWELVE_BITS = 0x7F
_NOT_CONVERTED = 0x0C  # byte 6 while no conversion has succeeded (kernel's w1_therm documentation, `features`)
_POWER_ON = 0x0550  # +85 °C (datasheet, Table 1, footnote)
_TOO_LITTLE_POWER = 0x07FF  # +127.94 °C (kernel's w1_therm documentation, `features`)


class ScratchpadFault(enum.StrEnum):
    """Why a `w1_slave` text gives no temperature."""

    NO_ANSWER = "no-answer"  # empty: the kernel gave up after its retries
    CRC = "crc"  # the check sum does not fit the bytes, by the kernel's judgement or ours
    SHORTED = "shorted"  # all zero, which passes the check sum: data line held low
    ABSENT = "absent"  # all ones: nobody answers
    POWER_ON = "power-on"  # the value after power-up; nothing was converted
    TOO_LITTLE_POWER = "too-little-power"  # the conversion failed for want of current
    RESOLUTION = "resolution"  # not set to 12 bits, for which the uncertainty is assumed
    OUT_OF_RANGE = "out-of-range"  # beyond what the sensor can measure
    GARBLED = "garbled"  # anything else


def judge(text: bytes) -> int | Fault:
    """Read one `w1_slave` text.

    Args:
        text: What one read of the file gave.

    Returns:
        Millidegrees Celsius, rounded towards zero as the kernel does; or a fault, with the raw bytes if there are any.
    """
    if not text.strip():
        return Fault(ScratchpadFault.NO_ANSWER.value)
    first = _LINE.match(text)
    if not first:
        return Fault(ScratchpadFault.GARBLED.value)
    pad = bytes.fromhex(first[1].decode())
    fault = _fault(pad, crc_ok=first[2] == b"YES")
    if fault is None and not _SECOND_LINE.fullmatch(text, first.end()):
        fault = ScratchpadFault.GARBLED
    if fault is None:
        mc = _millidegrees(pad)
        if LOWEST_MC <= mc <= HIGHEST_MC:
            return mc
        fault = ScratchpadFault.OUT_OF_RANGE
    return Fault(fault.value, pad.hex())


def crc8(data: bytes) -> int:
    """The 1-Wire check sum: x⁸ + x⁵ + x⁴ + 1, least significant bit first, from 0 (datasheet, CRC Generation)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (0x8C if crc & 1 else 0)
    return crc


def _fault(pad: bytes, *, crc_ok: bool) -> ScratchpadFault | None:
    code = int.from_bytes(pad[:2], "little")
    unconverted = pad[6] == _NOT_CONVERTED
    first_that_applies = {
        ScratchpadFault.SHORTED: not any(pad),
        ScratchpadFault.ABSENT: all(byte == 0xFF for byte in pad),
        ScratchpadFault.CRC: not crc_ok or crc8(pad[:8]) != pad[8],
        ScratchpadFault.GARBLED: pad[7] != _RESERVED or pad[4] & _FIXED_MASK != _FIXED,
        # Low bits are undefined (Figure 4), and steps of up to 0.5 °C (Table 2) exceed the uncertainty assumed.
        ScratchpadFault.RESOLUTION: pad[4] != _TWELVE_BITS,
        ScratchpadFault.POWER_ON: unconverted and code == _POWER_ON,
        ScratchpadFault.TOO_LITTLE_POWER: unconverted and code == _TOO_LITTLE_POWER,
    }
    return next((fault for fault, applies in first_that_applies.items() if applies), None)


def _millidegrees(pad: bytes) -> int:
    """Sixteenths of a degree, two's complement (datasheet, Figure 4), divided as C does: towards zero."""
    sixteenths = int.from_bytes(pad[:2], "little", signed=True)
    size = abs(sixteenths) * 1000 // 16
    return size if sixteenths >= 0 else -size
