"""collector.toml: what is right is kept exactly, what is wrong stops the start and says what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.errors import SettingsError
from collector.settings import load
from soak.requirement import Requirement, SensorTerms

RIGHT = """site = "Clinic at the Mill"

[[basin]]
node = "n1"
name = "b1"
label = "Basin 1"
[basin.sensors."28-00000000000a"]
u_c = 0.5
[basin.requirement]
min_temp_c = 20
contact = "12m"
"""
SECOND = """
[[basin]]
node = "n1"
name = "b2"
label = "Basin 2"
[basin.sensors."28-00000000000b"]
"""
KEYS = (
    "also, at, backup, basin, broker, ca_file, card_rated_tb, certificates, closed_days, contact, correction_c, "
    "drill_at, folder, "
    "host, label, least, max_gap, max_temp_c, min_temp_c, name, node, notify, password_file, person, place, port, "
    "quiet, requirement, sensors, silent_after, since, site, too_old, u_c, urls_file, username"
)
NO_NUMBER = "is not a plain decimal number of degrees Celsius, such as 20.5."
NAMES = "Names are a-z and 0-9, with single hyphens between"


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "collector.toml"


def test_what_is_written_is_what_is_required(file: Path) -> None:
    file.write_text(RIGHT + SECOND)
    settings = load(file)
    one, two = settings.basin
    assert one.required() == Requirement(20_000, 720_000, None, 5_000)
    assert one.terms() == {"28-00000000000a": SensorTerms(500, 0)}
    assert two.required() is None
    assert (settings.broker.host, settings.broker.port) == ("127.0.0.1", 1883)


def test_a_sensor_that_nobody_checked_has_the_datasheets_limit(file: Path) -> None:
    """DS18B20 datasheet: ±0.5 °C from -10 °C to +85 °C, one step at 12 bits 0.0625 °C. As rectangular limits (GUM,
    4.3.7) that is 2 · √((0.5/√3)² + (0.0625/√12)²) = 0.5784 °C, and rounding up is the safe way."""
    file.write_text(RIGHT + SECOND)
    assert load(file).basin[1].terms() == {"28-00000000000b": SensorTerms(579, 0)}


@pytest.mark.parametrize(
    ("written", "mc"),
    [
        ("20", 20_000),
        ("20.0", 20_000),
        ("20.5", 20_500),
        ("20.062", 20_062),
        ("20.0010000", 20_001),
        ("19.999", 19_999),
        ("-0.062", -62),
        ('"20.062"', 20_062),
        ("8.301", 8_301),  # 8.301 * 1000 is 8300.999… in binary floating point
        ("2.007", 2_007),
        ("-55", -55_000),
        ("125", 125_000),
    ],
)
def test_degrees_are_exact(file: Path, written: str, mc: int) -> None:
    file.write_text(RIGHT.replace("min_temp_c = 20", f"min_temp_c = {written}"))
    required = load(file).basin[0].required()
    assert required
    assert required.min_mc == mc


@pytest.mark.parametrize(
    ("written", "contact_ms"), [('"12m"', 720_000), ('"90s"', 90_000), ('"0.5h"', 1_800_000), ('"168h"', 604_800_000)]
)
def test_durations_are_exact(file: Path, written: str, contact_ms: int) -> None:
    file.write_text(RIGHT.replace('"12m"', written))
    required = load(file).basin[0].required()
    assert required
    assert required.contact_ms == contact_ms


REQUIREMENT = "min_temp_c = 20"
CONTACT = 'contact = "12m"'
U = "u_c = 0.5"
SITE = 'site = "Clinic at the Mill"'
WRONG = {
    "unknown key": (
        "label =",
        "lable =",
        "Object contains unknown field `lable` - at `$.basin[0]`. Did you mean `label`?",
    ),
    "unknown key at the top": ("site =", "sight =", "Object contains unknown field `sight`. Did you mean `site`?"),
    "unknown key deep down": (
        "contact =",
        "contact_time =",
        "Object contains unknown field `contact_time` - at `$.basin[0].requirement`. Did you mean `contact`?",
    ),
    "nothing near": (
        "u_c =",
        "uncertainty =",
        f"Object contains unknown field `uncertainty` - at `$.basin[0].sensors[...]`. Known keys: {KEYS}.",
    ),
    "no site": (SITE, "", "Object missing required field `site`"),
    "label a number": ('"Basin 1"', "1", "Expected `str`, got `int` - at `$.basin[0].label`"),
    "label empty": ('"Basin 1"', '""', "Expected `str` of length >= 1 - at `$.basin[0].label`"),
    "port text": (SITE, f'{SITE}\n[broker]\nport = "1883"', "Expected `int`, got `str` - at `$.broker.port`"),
    "port too large": (SITE, f"{SITE}\n[broker]\nport = 65536", "Expected `int` <= 65535 - at `$.broker.port`"),
    "password for nobody": (
        SITE,
        f'{SITE}\n[broker]\npassword_file = "x"',
        "The broker has a password_file but no username: it would not be used. Name both or neither.",
    ),
    "node in capitals": ('"n1"', '"N1"', f"{NAMES} - at `$.basin[0].node`"),
    "name with a slash": ('"b1"', '"b/1"', f"{NAMES} - at `$.basin[0].name`"),
    "sensor in capitals": (
        "00000a",
        "00000A",
        "A sensor is named as its folder under /sys/bus/w1/devices: 28-, then twelve digits of 0-9 and a-f - at "
        "`$.basin[0].sensors`",
    ),
    "too fine": (
        REQUIREMENT,
        "min_temp_c = 20.0625",
        "Basin 'Basin 1': '20.0625' is finer than a thousandth of a degree. Write it with at most three decimals.",
    ),
    "decimal comma": (REQUIREMENT, 'min_temp_c = "20,5"', f"Basin 'Basin 1': '20,5' {NO_NUMBER}"),
    "not a number": (REQUIREMENT, "min_temp_c = nan", f"Basin 'Basin 1': 'nan' {NO_NUMBER}"),
    "infinite": (REQUIREMENT, "min_temp_c = inf", f"Basin 'Basin 1': 'inf' {NO_NUMBER}"),
    "true": (REQUIREMENT, "min_temp_c = true", f"Basin 'Basin 1': 'True' {NO_NUMBER}"),
    "hotter than can be measured": (
        REQUIREMENT,
        "min_temp_c = 125.001",
        "Basin 'Basin 1': min_temp_c must be from -55 to 125 °C, what the sensors measure.",
    ),
    "maximum below minimum": (
        REQUIREMENT,
        "min_temp_c = 20\nmax_temp_c = 19.5",
        "Basin 'Basin 1': The maximum temperature (19.5 °C) is below the minimum (20 °C): no soak could meet it. "
        "Copy both again from the label.",
    ),
    "duration without unit": (
        CONTACT,
        "contact = 12",
        "Basin 'Basin 1': '12' is not a duration. Write a number and s, m or h, such as 12m, 90s or 0.5h.",
    ),
    "duration in words": (
        CONTACT,
        'contact = "12 minutes"',
        "Basin 'Basin 1': '12 minutes' is not a duration. Write a number and s, m or h, such as 12m, 90s or 0.5h.",
    ),
    "no time at all": (CONTACT, 'contact = "0m"', "Basin 'Basin 1': contact must be more than 0 and at most 168h."),
    "more than a week": (CONTACT, 'contact = "169h"', "Basin 'Basin 1': contact must be more than 0 and at most 168h."),
    "gap too long": (
        CONTACT,
        f'{CONTACT}\nmax_gap = "11m"',
        "Basin 'Basin 1': max_gap must be more than 0 and at most 10m.",
    ),
    "since without offset": (
        CONTACT,
        f"{CONTACT}\nsince = 2026-01-01T00:00:00",
        "Expected `datetime` with a timezone component - at `$.basin[0].requirement.since`",
    ),
    "U below zero": (U, "u_c = -0.5", "Basin 'Basin 1': u_c must be from 0 to 20 °C."),
    "U beyond reason": (U, "u_c = 20.001", "Basin 'Basin 1': u_c must be from 0 to 20 °C."),
    "correction beyond reason": (
        U,
        "correction_c = -20.001",
        "Basin 'Basin 1': correction_c must be from -20 to 20 °C.",
    ),
    "no sensor": (
        '[basin.sensors."28-00000000000a"]\nu_c = 0.5',
        "[basin.sensors]",
        "Basin 'Basin 1' has no sensor. Name at least one under its sensors.",
    ),
    "not TOML": ("site =", "site:", "is not TOML: Expected '=' after a key in a key/value pair (at line 1, column 5)."),
}


@pytest.mark.parametrize(("part", "instead", "message"), WRONG.values(), ids=WRONG.keys())
def test_what_is_wrong_stops_the_start(file: Path, part: str, instead: str, message: str) -> None:
    assert part in RIGHT
    file.write_text(RIGHT.replace(part, instead))
    with pytest.raises(SettingsError) as caught:
        load(file)
    assert str(caught.value) == f"{file}: {message}"
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("part", "instead", "message"),
    [
        ('name = "b2"', 'name = "b1"', "Basin 'b1' of node 'n1' is described 2 times. Keep one of them."),
        (
            'label = "Basin 2"',
            'label = "Basin 1"',
            "Two basins are called 'Basin 1': people could not tell them apart. Rename one.",
        ),
        (
            "28-00000000000b",
            "28-00000000000a",
            "Sensor 28-00000000000a is in 2 basins; it can be in one only. Check its number on the bus.",
        ),
    ],
    ids=["basin", "label", "sensor"],
)
def test_nothing_may_be_there_twice(file: Path, part: str, instead: str, message: str) -> None:
    file.write_text(RIGHT + SECOND.replace(part, instead))
    with pytest.raises(SettingsError) as caught:
        load(file)
    assert str(caught.value) == f"{file}: {message}"


def test_the_same_basin_name_on_two_nodes_is_two_basins(file: Path) -> None:
    file.write_text(RIGHT + SECOND.replace('"n1"', '"n2"').replace('"b2"', '"b1"'))
    assert [(basin.node, basin.name) for basin in load(file).basin] == [("n1", "b1"), ("n2", "b1")]


def test_a_file_that_cannot_be_read_is_named(file: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        load(file)
    assert str(caught.value) == (f"{file}: cannot be read (No such file or directory). Name the file with --settings.")
    file.write_bytes(b'site = "M\xfchle"')  # Latin-1
    with pytest.raises(SettingsError) as caught:
        load(file)
    assert str(caught.value) == (
        f"{file}: is not TOML: 'utf-8' codec can't decode byte 0xfc in position 9: invalid start byte."
    )


def test_the_password_comes_from_a_file_of_its_own(file: Path, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    file.write_text(f'{SITE}\n[broker]\nusername = "collector"\npassword_file = "{secret}"\n')
    broker = load(file).broker
    with pytest.raises(SettingsError) as caught:
        broker.password()
    assert str(caught.value) == (
        f"password_file {secret} cannot be read ([Errno 2] No such file or directory: '{secret}'). "
        "Name a text file that the collector's user may read."
    )
    secret.write_text(" with spaces and ß \n", encoding="utf-8")
    assert broker.password() == " with spaces and ß "
