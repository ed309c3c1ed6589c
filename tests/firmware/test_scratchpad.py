"""Kernel text to a temperature or a named fault, against the DS18B20 datasheet and the kernel's own arithmetic."""

from __future__ import annotations

from pathlib import Path

import pytest
from w1thermsensor import Sensor, W1ThermSensor
from w1thermsensor.errors import ResetValueError, SensorNotReadyError

from firmware.scratchpad import crc8, judge
from soak.reading import Fault

OTHER_BYTES = bytes.fromhex("4b467fff1010")  # TH, TL, 12 bits, reserved; byte 6 is not 0x0C


def pad(code: int, others: bytes = OTHER_BYTES) -> bytes:
    """Nine scratchpad bytes with a right check sum; `code` is the temperature register, 0 to 65535."""
    data = code.to_bytes(2, "little") + others
    return data + bytes([crc8(data)])


def w1_slave(nine: bytes, verdict: str = "YES", t: int = 0) -> bytes:
    """What the kernel prints (w1_therm documentation): bytes, `: crc=`, verdict; bytes, `t=`."""
    raw = nine.hex(" ")
    return f"{raw} : crc={nine[8]:02x} {verdict}\n{raw} t={t}\n".encode()


# DS18B20 datasheet, Table 1, Temperature/Data Relationship; millidegrees as the kernel's integer division gives them.
REGISTER_TABLE = {
    0x07D0: 125_000,
    0x0550: 85_000,
    0x0191: 25_062,
    0x00A2: 10_125,
    0x0008: 500,
    0x0000: 0,
    0xFFF8: -500,
    0xFF5E: -10_125,
    0xFE6F: -25_062,
    0xFC90: -55_000,
}


@pytest.mark.parametrize(("code", "mc"), REGISTER_TABLE.items())
def test_the_datasheets_register_table(code: int, mc: int) -> None:
    assert judge(w1_slave(pad(code))) == mc


@pytest.mark.parametrize(("code", "mc"), [(0x0191, 25_062), (0xFE6F, -25_062), (0xFFFF, -62), (0x0001, 62)])
def test_division_is_the_kernels_towards_zero(code: int, mc: int) -> None:
    """w1_DS18B20_convert_temp in the kernel's w1_therm driver: int16 * 1000 / 16 in C."""
    assert judge(w1_slave(pad(code))) == mc


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        ("021cb801000000", 0xA2),  # Maxim application note 27, ROM code
        ("50054b467fff0c10", 0x1C),  # the power-up scratchpad, in test suites of public 1-Wire code
        ("0000000000000000", 0x00),  # derived: why all zero needs a check of its own
        ("ffffffffffffffff", 0xC9),  # derived: an open bus reads FF here and fails
    ],
)
def test_check_sum_examples(data: str, crc: int) -> None:
    assert crc8(bytes.fromhex(data)) == crc
    assert crc8(bytes.fromhex(data) + bytes([crc])) == 0  # datasheet: over data and check sum together it is 0


def test_every_code_through_kernel_text_and_beside_w1thermsensor(tmp_path: Path) -> None:
    """All 65,536 register values: ours is the kernel's arithmetic within −55…125 °C, and w1thermsensor agrees."""
    (tmp_path / "28-0000072c1a5f").mkdir()
    file = tmp_path / "28-0000072c1a5f" / "w1_slave"
    file.touch()
    bus = type("Bus", (W1ThermSensor,), {"BASE_DIRECTORY": tmp_path})
    theirs = bus(sensor_type=Sensor.DS18B20, sensor_id="0000072c1a5f")
    both = 0
    for code in range(0x10000):
        sixteenths = code - 0x10000 if code & 0x8000 else code
        mc = int(sixteenths * 1000 / 16)  # exact in binary floating point; int() rounds towards zero, as C does
        text = w1_slave(pad(code), t=mc)
        ours = judge(text)
        if -55_000 <= mc <= 125_000:
            assert ours == mc, hex(code)
        else:
            assert ours == Fault("out-of-range", pad(code).hex()), hex(code)
        if not isinstance(ours, int) or ours == 85_000:  # which it refuses, see below
            continue
        file.write_bytes(text)
        assert int(theirs.get_temperature() * 1000) == ours, hex(code)
        both += 1
    assert both == 2_880


def test_where_w1thermsensor_and_we_differ(tmp_path: Path) -> None:
    """It refuses a genuine 85.0 °C, and passes 127.94 °C and an impossible cold; we decide by the raw bytes."""
    (tmp_path / "28-0000072c1a5f").mkdir()
    file = tmp_path / "28-0000072c1a5f" / "w1_slave"
    file.write_bytes(w1_slave(pad(0x0550)))
    bus = type("Bus", (W1ThermSensor,), {"BASE_DIRECTORY": tmp_path})
    theirs = bus(sensor_type=Sensor.DS18B20, sensor_id="0000072c1a5f")
    with pytest.raises(ResetValueError):
        theirs.get_temperature()
    assert judge(file.read_bytes()) == 85_000
    file.write_bytes(w1_slave(pad(0x07FF)))
    assert theirs.get_temperature() == 127.9375
    assert judge(file.read_bytes()) == Fault("out-of-range", pad(0x07FF).hex())
    file.write_bytes(w1_slave(bytes(9)))
    with pytest.raises(SensorNotReadyError):
        theirs.get_temperature()
    assert judge(file.read_bytes()) == Fault("shorted", "00" * 9)


NOT_CONVERTED = bytes.fromhex("4b467fff0c10")  # byte 6 = 0x0C (kernel's w1_therm documentation, `features`)
WARM = pad(0x0155)


def spoilt(nine: bytes, byte: int, to: int, *, right_crc: bool = True) -> bytes:
    data = bytearray(nine)
    data[byte] = to
    return bytes(data[:8]) + bytes([crc8(data[:8]) if right_crc else nine[8]])


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (b"", Fault("no-answer")),
        (b"\n", Fault("no-answer")),
        (w1_slave(WARM, "NO", t=21_312), Fault("crc", WARM.hex())),
        (w1_slave(spoilt(WARM, 0, 0x56, right_crc=False)), Fault("crc", spoilt(WARM, 0, 0x56, right_crc=False).hex())),
        (w1_slave(bytes(9)), Fault("shorted", "00" * 9)),
        (w1_slave(bytes(9), "NO"), Fault("shorted", "00" * 9)),
        (w1_slave(b"\xff" * 9, "NO"), Fault("absent", "ff" * 9)),
        (w1_slave(b"\xff" * 9), Fault("absent", "ff" * 9)),
        (w1_slave(pad(0x0550, NOT_CONVERTED)), Fault("power-on", "50054b467fff0c101c")),
        (w1_slave(pad(0x07FF, NOT_CONVERTED)), Fault("too-little-power", pad(0x07FF, NOT_CONVERTED).hex())),
        (w1_slave(pad(0x07D1)), Fault("out-of-range", pad(0x07D1).hex())),
        (w1_slave(pad(0xFC8F)), Fault("out-of-range", pad(0xFC8F).hex())),
        (w1_slave(pad(0x8000)), Fault("out-of-range", pad(0x8000).hex())),
        (w1_slave(spoilt(WARM, 4, 0x5F)), Fault("resolution", spoilt(WARM, 4, 0x5F).hex())),
        (w1_slave(spoilt(WARM, 4, 0x1F)), Fault("resolution", spoilt(WARM, 4, 0x1F).hex())),
        (w1_slave(spoilt(WARM, 4, 0xFF)), Fault("garbled", spoilt(WARM, 4, 0xFF).hex())),
        (w1_slave(spoilt(WARM, 7, 0x00)), Fault("garbled", spoilt(WARM, 7, 0x00).hex())),
        (w1_slave(WARM).split(b"\n")[0] + b"\n", Fault("garbled", WARM.hex())),
        (w1_slave(WARM).split(b"\n")[0], Fault("garbled")),
        (w1_slave(WARM)[10:], Fault("garbled")),
        (w1_slave(WARM) * 2, Fault("garbled", WARM.hex())),
        (b"21312\n", Fault("garbled")),
        (b"\xff\x00 binary", Fault("garbled")),
        (w1_slave(WARM).replace(b"YES", b"yes"), Fault("garbled")),
    ],
)
def test_each_failure_is_a_named_fault_with_the_raw_bytes(text: bytes, fault: Fault) -> None:
    assert judge(text) == fault


@pytest.mark.parametrize("code", [0x0550, 0x07D0, 0x0000, 0xFFFF])
def test_t_is_never_used(code: int) -> None:
    assert judge(w1_slave(pad(code), t=99_000)) == judge(w1_slave(pad(code), t=0))


def test_neighbours_of_the_power_on_value_are_temperatures() -> None:
    assert judge(w1_slave(pad(0x054F, NOT_CONVERTED))) == 84_937
    assert judge(w1_slave(pad(0x0551, NOT_CONVERTED))) == 85_062
    assert judge(w1_slave(pad(0x0550))) == 85_000


@pytest.mark.parametrize("bit", range(72))
def test_any_single_flipped_bit_is_noticed(bit: int) -> None:
    """A CRC-8 finds every single-bit error; none of them may turn into a temperature."""
    flipped = bytearray(WARM)
    flipped[bit // 8] ^= 1 << bit % 8
    assert isinstance(judge(w1_slave(bytes(flipped))), Fault)
