"""The simulated 1-Wire tree, read by the library and by our own judgement, exactly as the kernel's would be."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from w1thermsensor import Sensor, W1ThermSensor
from w1thermsensor.errors import NoSensorFoundError, ResetValueError, SensorNotReadyError

from firmware.scratchpad import judge
from firmware.simulator.script import Trouble
from firmware.simulator.wire1 import Tree, rom_crc, scratchpad, troubled_text, w1_slave_text
from soak.reading import Fault

ID = "28-0000072c1a5f"

# DS18B20 datasheet, Table 1 (temperature to register), less the power-on row; m°C as the kernel divides (w1_therm.c).
TABLE = [
    (0x07D0, 125_000),
    (0x0191, 25_062),
    (0x00A2, 10_125),
    (0x0008, 500),
    (0x0000, 0),
    (0xFFF8, -500),
    (0xFF5E, -10_125),
    (0xFE6F, -25_062),
    (0xFC90, -55_000),
]


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path, [ID])


@pytest.fixture
def driver(tree: Tree) -> Any:
    """w1thermsensor's class, looking into the tree."""
    return type("Bus", (W1ThermSensor,), {"BASE_DIRECTORY": tree.devices})


def read(tree: Tree) -> int | Fault:
    return judge((tree.devices / ID / "w1_slave").read_bytes())


def signed(register: int) -> int:
    return register - 0x10000 if register & 0x8000 else register


@pytest.mark.parametrize(("register", "mc"), TABLE)
def test_the_datasheets_table_through_the_tree(tree: Tree, driver: Any, register: int, mc: int) -> None:
    tree.indicate(ID, signed(register))
    assert read(tree) == mc
    assert driver(Sensor.DS18B20, ID[3:]).get_temperature() == pytest.approx(mc / 1000, abs=0.001)
    assert (tree.devices / ID / "w1_slave").read_text().endswith(f" t={mc}\n")


def test_the_power_up_scratchpad_is_the_published_one() -> None:
    """Power-up bytes and their check sum as printed in public 1-Wire test suites: 50 05 4b 46 7f ff 0c 10, 1c."""
    raw = scratchpad(0x0550, converted=False)
    assert raw.hex() == "50054b467fff0c101c"
    line = "50 05 4b 46 7f ff 0c 10 1c"
    assert w1_slave_text(raw) == f"{line} : crc=1c YES\n{line} t=85000\n"  # form: w1_slave_show's format strings


def test_a_genuine_85_degrees_is_told_from_the_power_on_value() -> None:
    assert judge(w1_slave_text(scratchpad(0x0550)).encode()) == 85_000


def test_every_possible_temperature_survives_the_text() -> None:
    for register in range(-55 * 16, 125 * 16 + 1):
        expected = int(register * 1000 / 16)  # towards zero, as C divides
        assert judge(w1_slave_text(scratchpad(register)).encode()) == expected


@pytest.mark.parametrize(
    ("trouble", "code", "library"),
    [
        (Trouble.UNPLUGGED, "no-answer", SensorNotReadyError),
        (Trouble.EMPTY, "no-answer", SensorNotReadyError),
        (Trouble.BAD_CRC, "crc", SensorNotReadyError),
        (Trouble.ONE_LINE, "garbled", IndexError),
        (Trouble.ZEROS, "shorted", SensorNotReadyError),
        (Trouble.POWER_ON, "power-on", ResetValueError),
    ],
)
def test_every_trouble_is_a_named_fault(
    tree: Tree, driver: Any, trouble: Trouble, code: str, library: type[Exception]
) -> None:
    """What the library raises on each answer is in the stack's notes; we name the fault and never take a number."""
    tree.indicate(ID, 340)
    tree.fail(ID, trouble, 340)
    found = read(tree)
    assert isinstance(found, Fault)
    assert found.code == code
    with pytest.raises(library):
        driver(Sensor.DS18B20, ID[3:]).get_temperature()
    tree.indicate(ID, 340)
    assert read(tree) == 21_250


def test_127_94_degrees_passes_the_library_and_not_us(tree: Tree, driver: Any) -> None:
    """0x07FF with byte 6 = 0x0C: too little power (kernel documentation, `features`)."""
    tree.fail(ID, Trouble.LOW_POWER, 340)
    assert driver(Sensor.DS18B20, ID[3:]).get_temperature() == pytest.approx(127.9375, abs=0.001)
    found = read(tree)
    assert isinstance(found, Fault)
    assert found.code == "too-little-power"


def test_a_bad_check_sum_shows_the_last_good_bytes_and_a_number_from_the_bad_ones() -> None:
    """Kernel documentation and w1_slave_show: the second line has retained bytes, t= comes from those just read."""
    first, second = troubled_text(Trouble.BAD_CRC, 340).splitlines()
    assert first.endswith("NO")
    assert second.startswith(scratchpad(340).hex(" "))
    assert not second.endswith("t=21250")


def test_an_unplugged_sensor_goes_and_comes_back(tree: Tree, driver: Any) -> None:
    tree.indicate(ID, 340)
    sensor = driver(Sensor.DS18B20, ID[3:])
    tree.remove(ID)
    assert not (tree.devices / ID).exists()
    assert driver.get_available_sensors() == []
    with pytest.raises(NoSensorFoundError):
        sensor.get_temperature()
    tree.indicate(ID, 340)  # nobody there to answer
    assert not (tree.devices / ID).exists()
    tree.plug_in(ID)
    found = read(tree)
    assert isinstance(found, Fault)
    assert found.code == "power-on"
    tree.indicate(ID, 341)
    assert sensor.get_temperature() == pytest.approx(21.3125)


def test_the_folder_looks_like_the_kernels(tree: Tree, driver: Any) -> None:
    assert [sensor.id for sensor in driver.get_available_sensors()] == [ID[3:]]
    assert (tree.devices / ID).is_symlink()
    assert (tree.devices / ID / "name").read_text() == f"{ID}\n"
    assert (tree.devices / "w1_bus_master1" / "w1_master_slaves").read_text() == f"{ID}\n"
    assert (tree.devices / "w1_bus_master1" / "w1_master_slave_count").read_text() == "1\n"
    assert len((tree.devices / ID / "id").read_bytes()) == 8


def test_the_address_check_sum_of_the_application_note() -> None:
    """Maxim application note 27, worked example: ROM 02 1C B8 01 00 00 00 has the check sum A2."""
    assert rom_crc("02-00000001b81c") == 0xA2


def test_a_reader_never_sees_half_a_text(tree: Tree) -> None:
    """The text is replaced in one go: whoever has the old one open keeps reading the old one."""
    tree.indicate(ID, 340)
    with (tree.devices / ID / "w1_slave").open() as before:
        tree.indicate(ID, -340)
        assert before.read() == w1_slave_text(scratchpad(340))
    assert read(tree) == -21_250
    assert sorted(path.name for path in (tree.devices / ID).iterdir()) == [
        "ext_power",
        "id",
        "name",
        "resolution",
        "w1_slave",
    ]


def test_a_tree_replaces_the_one_before_it(tmp_path: Path) -> None:
    Tree(tmp_path, [ID, "28-000000000001"])
    again = Tree(tmp_path, [ID])
    assert sorted(path.name for path in again.devices.iterdir()) == [ID, "w1_bus_master1"]
