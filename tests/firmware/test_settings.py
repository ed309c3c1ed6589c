"""Settings are checked at start; every message says what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from firmware.errors import SettingsError
from firmware.settings import Settings, help_lines, load

GOOD = """
node = "room-3"
data_dir = "data"
buzzer_pin = 18

[broker]
host = "127.0.0.1"

[[basin]]
name = "b1"
sensors = ["28-0000072c1a5f", "28-0000072c1a60"]
lid_pin = 17
button_pin = 27
light = { red = 5, green = 6, blue = 13 }

[[basin]]
name = "b2"
sensors = ["28-0000072c1a61"]
lid_pin = 22
max_gap_ms = 8000
"""


def written(folder: Path, text: str) -> Path:
    file = folder / "node.toml"
    file.write_text(text)
    return file


def test_good_settings_are_taken_as_written_and_paths_become_absolute(tmp_path: Path) -> None:
    settings = load(written(tmp_path, GOOD))
    assert (settings.node, settings.broker.host, settings.broker.port) == ("room-3", "127.0.0.1", 1883)
    assert settings.data_dir == str(tmp_path / "data")
    assert settings.w1_devices == "/sys/bus/w1/devices"
    first, second = settings.basins
    assert first.sensors == ("28-0000072c1a5f", "28-0000072c1a60")
    assert (first.lid_pin, first.button_pin, first.light.blue) == (17, 27, 13)
    assert (second.button_pin, second.light, second.max_gap_ms) == (None, None, 8000)


def test_files_beside_the_settings_are_found_from_any_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    login = 'host = "127.0.0.1"\nusername = "room-3"\npassword_file = "secret"\nca_file = "/etc/ca.pem"'
    written(tmp_path, GOOD.replace('host = "127.0.0.1"', login))
    monkeypatch.chdir(tmp_path)
    broker = load(Path("node.toml")).broker
    assert (broker.password_file, broker.ca_file) == (str(tmp_path / "secret"), "/etc/ca.pem")


LID = "BCM number of the lid switch; closed to ground = lid closed."
OTHERS = "Take another: `soakledger node --pins --basins 4` lists usual ones."
WRONG = [
    (
        "lid_pin = 17",
        'lid_pin = "17"',
        "Expected `int`, got `str` - at `$.basin[0].lid_pin`. " + LID,
    ),
    (
        "button_pin = 27",
        "buton_pin = 27",
        "Object contains unknown field `buton_pin` - at `$.basin[0]`. Did you mean `button_pin`?",
    ),
    (
        "blue = 13",
        "blew = 13",
        "Object contains unknown field `blew` - at `$.basin[0].light`. Did you mean `blue`?",
    ),
    (
        'host = "127.0.0.1"',
        'host = "127.0.0.1"\nqos = 1',
        "Object contains unknown field `qos` - at `$.broker`. "
        "Known there: host, port, username, password_file, ca_file.",
    ),
    ('node = "room-3"', 'noode = "room-3"', "Object contains unknown field `noode`. Did you mean `node`?"),
    (
        'node = "room-3"',
        'node = "Room 3"',
        "Not written in the form expected - at `$.node`. This node's name, such as room-3; also its login.",
    ),
    (
        "lid_pin = 22",
        "",
        "Object missing required field `lid_pin` - at `$.basin[1]`. " + LID,
    ),
    (
        "lid_pin = 22",
        "lid_pin = 28",
        "Pin 28 cannot be lid_pin of basin b2: there is no GPIO 28; pins are BCM numbers from 0 to 27, and position 28 "
        "of the header is GPIO 1. " + OTHERS,
    ),
    (
        "lid_pin = 22",
        "lid_pin = -1",
        "Pin -1 cannot be lid_pin of basin b2: there is no GPIO -1; pins are BCM numbers from 0 to 27. " + OTHERS,
    ),
    (
        "green = 6",
        "green = 31",
        "Pin 31 cannot be light.green of basin b1: there is no GPIO 31; pins are BCM numbers from 0 to 27, and "
        "position 31 of the header is GPIO 6. " + OTHERS,
    ),
    (
        "button_pin = 27",
        "button_pin = 39",
        "Pin 39 cannot be button_pin of basin b1: there is no GPIO 39; pins are BCM numbers from 0 to 27, and position "
        "39 of the header is ground. " + OTHERS,
    ),
    (
        "lid_pin = 22",
        "lid_pin = true",
        "Expected `int`, got `bool` - at `$.basin[1].lid_pin`. " + LID,
    ),
    (
        "28-0000072c1a61",
        "10-0000072c1a61",
        "Not written in the form expected - at `$.basin[1].sensors[0]`. "
        "Its DS18B20 sensors as the kernel names them, 28-…",
    ),
    (
        "lid_pin = 22",
        "lid_pin = 17",
        "Pin 17 is given twice: for lid_pin of basin b1 and for lid_pin of basin b2. Change one of the two.",
    ),
    (
        "blue = 13",
        "blue = 18",
        "Pin 18 is given twice: for light.blue of basin b1 and for buzzer_pin. Change one of the two.",
    ),
    (
        "lid_pin = 22",
        "lid_pin = 1",
        "Pin 1 cannot be lid_pin of basin b2: the Pi looks there for an add-on board's memory when it starts (ID_SC). "
        + OTHERS,
    ),
    (
        "buzzer_pin = 18",
        "buzzer_pin = 0",
        "Pin 0 cannot be buzzer_pin: the Pi looks there for an add-on board's memory when it starts (ID_SD). " + OTHERS,
    ),
    (
        "button_pin = 27",
        "button_pin = 4",
        "Pin 4 cannot be button_pin of basin b1: the 1-Wire bus of the sensors is there (w1_pin). " + OTHERS,
    ),
    (
        "buzzer_pin = 18",
        "w1_pin = 22",
        "Pin 22 cannot be lid_pin of basin b2: the 1-Wire bus of the sensors is there (w1_pin). " + OTHERS,
    ),
    (
        "buzzer_pin = 18",
        "w1_pin = 0",
        "Pin 0 cannot be w1_pin: the Pi looks there for an add-on board's memory when it starts (ID_SD). " + OTHERS,
    ),
    (
        "buzzer_pin = 18",
        "w1_pin = 40",
        "Pin 40 cannot be w1_pin: there is no GPIO 40; pins are BCM numbers from 0 to 27, and position 40 of the "
        "header is GPIO 21. " + OTHERS,
    ),
    (
        "red = 5",
        "red = 2",
        "Pin 2 cannot be light.red of basin b1: a resistor on the board holds it high, so that it would be on until "
        "the node starts. " + OTHERS,
    ),
    (
        "buzzer_pin = 18",
        "buzzer_pin = 3",
        "Pin 3 cannot be buzzer_pin: a resistor on the board holds it high, so that it would be on until the node "
        "starts. " + OTHERS,
    ),
    (
        "28-0000072c1a61",
        "28-0000072c1a60",
        "Sensor 28-0000072c1a60 is given twice: for basin b1 and for basin b2. Change one of the two.",
    ),
    (
        'name = "b2"',
        'name = "b1"',
        "The name b1 is given twice: for basin 1 and for basin 2. Change one of the two.",
    ),
    (
        'host = "127.0.0.1"',
        'host = "127.0.0.1"\nusername = "room-3"',
        "`username` is set without `password_file`. A login needs both: add `password_file`. - at `$.broker`.",
    ),
    (
        'host = "127.0.0.1"',
        'host = "broker..example"',
        "`host` 'broker..example' is no name or address. Write it as in broker.example. - at `$.broker`.",
    ),
    (
        "node = ",
        "node : ",
        "it is not TOML: Expected '=' after a key in a key/value pair (at line 2, column 6). Mend that line.",
    ),
]


@pytest.mark.parametrize(("old", "new", "problem"), WRONG)
def test_whatever_is_wrong_the_message_says_where_and_what_would_be_right(
    tmp_path: Path, old: str, new: str, problem: str
) -> None:
    file = written(tmp_path, GOOD.replace(old, new))
    with pytest.raises(SettingsError) as caught:
        load(file)
    assert str(caught.value) == f"{file}: {problem}"
    assert caught.value.exit_code == 3


def test_pins_that_only_contacts_may_have_are_taken_for_contacts(tmp_path: Path) -> None:
    settings = load(written(tmp_path, GOOD.replace("lid_pin = 22", "lid_pin = 2").replace("= 27", "= 3")))
    assert (settings.basins[1].lid_pin, settings.basins[0].button_pin) == (2, 3)


def test_where_the_bus_is_elsewhere_its_usual_pin_is_free(tmp_path: Path) -> None:
    settings = load(
        written(tmp_path, GOOD.replace("lid_pin = 22", "lid_pin = 4").replace("buzzer_pin = 18", "w1_pin = 2"))
    )
    assert (settings.basins[1].lid_pin, settings.w1_pin) == (4, 2)


def test_a_node_without_a_basin_is_refused(tmp_path: Path) -> None:
    head = GOOD[: GOOD.index("[[basin]]")]
    for tail, problem in [
        ("", "Object missing required field `basin`."),
        ("[basin]", "Expected `array`, got `object`"),
    ]:
        with pytest.raises(SettingsError, match="basin") as caught:
            load(written(tmp_path, head + tail))
        assert problem in str(caught.value)
    with pytest.raises(SettingsError) as caught:
        load(written(tmp_path, "basin = []\n" + head))
    assert "Expected `array` of length >= 1 - at `$.basin`" in str(caught.value)


def test_a_file_that_is_not_there_or_not_text_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as caught:
        load(tmp_path / "none.toml")
    assert str(caught.value) == (
        f"{tmp_path / 'none.toml'}: it cannot be read (No such file or directory). "
        "Write one, or name another with --settings."
    )
    (tmp_path / "latin.toml").write_bytes(b'node = "r\xe9"')
    with pytest.raises(SettingsError) as caught:
        load(tmp_path / "latin.toml")
    assert str(caught.value) == f"{tmp_path / 'latin.toml'}: byte 9 is not UTF-8. Save it as UTF-8 text."


def test_every_key_is_documented_once() -> None:
    lines = help_lines()
    keys = [key for key, _ in lines]
    assert len(keys) == len(set(keys)) == 20
    assert {"node", "broker.ca_file", "basin.lid_pin", "basin.light.green", "buzzer_pin"} <= set(keys)
    assert all(len(text) > 15 for _, text in lines), lines
    assert dict(lines)["broker.port"] == "TCP port; 8883 is usual with ca_file. Default: 1883."


def test_settings_made_in_code_are_checked_as_well(tmp_path: Path) -> None:
    good = load(written(tmp_path, GOOD))
    basin = good.basins[0]
    with pytest.raises(ValueError, match="The name b1 is given twice"):
        Settings(node="n", broker=good.broker, basins=(basin, basin))
