"""A reading as the outbox keeps it: some fifteen bytes of MessagePack, without names. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from soak.reading import Fault, Lid, Reading, SensorId, Why

_WHY = {Why.TICK: 0, Why.LID: 1, Why.BUTTON: 2, Why.CLOCK: 3, Why.START: 4}
"""Never renumber: files written before would change their meaning."""
_WHY_BACK = {number: why for why, number in _WHY.items()}


class _Packed(msgspec.Struct, frozen=True, array_like=True):
    ms: int
    why: int
    closed: bool
    results: list[int | tuple[str, str]]  # per sensor of the stream: millidegrees, or code and raw of a fault


_DECODER = msgspec.msgpack.Decoder(_Packed)
_ENCODER = msgspec.msgpack.Encoder()


def pack(reading: Reading, sensors: Sequence[SensorId]) -> bytes:
    """A reading in few bytes; `sensors` is the order in which its temperatures are kept.

    Raises:
        ValueError: The reading has other sensors than these, or neither temperature nor fault for one.
    """
    if reading.mc.keys() != set(sensors):
        raise ValueError(f"A reading with sensors {sorted(reading.mc)} in a stream with {sorted(sensors)}.")
    results: list[int | tuple[str, str]] = []
    for sensor in sensors:
        mc = reading.mc[sensor]
        if mc is None and sensor not in reading.fault:
            raise ValueError(f"A reading with neither temperature nor fault for sensor {sensor}.")
        fault = reading.fault.get(sensor)
        results.append(mc if mc is not None else (fault.code, fault.raw) if fault else ("", ""))
    return _ENCODER.encode(_Packed(reading.ms, _WHY[reading.why], reading.lid is Lid.CLOSED, results))


def unpack(data: bytes, sensors: Sequence[SensorId]) -> Reading:
    """The reading that `pack` packed."""
    packed = _DECODER.decode(data)
    pairs = list(zip(sensors, packed.results, strict=True))
    return Reading(
        ms=packed.ms,
        why=_WHY_BACK[packed.why],
        lid=Lid.CLOSED if packed.closed else Lid.OPEN,
        mc={sensor: result if isinstance(result, int) else None for sensor, result in pairs},
        fault={sensor: Fault(*result) for sensor, result in pairs if not isinstance(result, int)},
    )
