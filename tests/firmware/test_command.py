"""`soakledger node` as a person runs it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from node_kit import Receiver, Tree

import soakledger
from firmware.settings import help_lines
from soak import wire

A = "28-00000000000a"


def settings_file(folder: Path, node: str, port: int = 1, more: str = "") -> Path:
    file = folder / "node.toml"
    file.write_text(f"""
node = "{node}"
data_dir = "data"
w1_devices = "w1"
{more}
[broker]
host = "127.0.0.1"
port = {port}
[[basin]]
name = "b1"
sensors = ["{A}"]
lid_pin = 17
""")
    return file


def test_check_says_what_the_settings_mean(tmp_path: Path) -> None:
    file = settings_file(tmp_path, "room-3", 1883)
    result = CliRunner().invoke(soakledger.main, ["node", "--settings", str(file), "--check"])
    assert result.exit_code == 0, result.output
    assert result.output == (
        "node room-3: settings in order\n"
        "broker 127.0.0.1:1883\n"
        f"readings wait in {tmp_path}/data, up to 25% of its disk\n"
        f"basin b1: sensors {A}\n"
        "pin 4: w1_pin\n"
        "pin 17: lid_pin of basin b1\n"
    )
    assert not (tmp_path / "data").exists()


def test_check_says_what_must_be_off_for_a_pin(tmp_path: Path) -> None:
    file = settings_file(tmp_path, "room-3", more="buzzer_pin = 9")
    file.write_text(file.read_text().replace("lid_pin = 17", "lid_pin = 14"))
    result = CliRunner().invoke(soakledger.main, ["node", "--settings", str(file), "--check"])
    assert result.output.endswith(
        "pin 4: w1_pin\npin 9: buzzer_pin\npin 14: lid_pin of basin b1\n"
        "pin 9: SPI must be off: no `dtparam=spi=on`\n"
        "pin 14: the serial console must be off: raspi-config, Interface Options\n"
    )


def test_pins_lists_what_the_settings_use_by_the_header(tmp_path: Path) -> None:
    file = settings_file(tmp_path, "room-3")
    file.write_text(file.read_text().replace("lid_pin = 17", "lid_pin = 3"))
    result = CliRunner().invoke(soakledger.main, ["node", "--settings", str(file), "--pins"])
    assert result.exit_code == 0, result.output
    assert result.output == (
        f"Pins of node room-3, from {file}\n"
        "\n"
        "position  GPIO  in node.toml         wire to\n"
        "5         3     lid_pin of basin b1  reed switch through its resistor, other side to ground; "
        "closed = lid closed\n"
        "7         4     w1_pin               data wire of every sensor (yellow), and one 4.7 kΩ to 3.3 V\n"
        "\n"
        "ground, positions 6, 9, 14, 20, 25, 30, 34, 39: black wire of every sensor, other side of every contact, "
        "common of every light, buzzer's transistor.\n"
        "3.3 V, positions 1, 17: red wire of every sensor, pull-up of the 1-Wire bus.\n"
        "5 V, positions 2, 4: buzzer.\n"
        "GPIO 3: I2C must be off: no `dtparam=i2c_arm=on`; closing it also wakes a Pi that was shut down.\n"
    )


def test_pins_lists_the_usual_assignment_without_settings() -> None:
    result = CliRunner().invoke(soakledger.main, ["node", "--settings", "none.toml", "--pins", "--basins", "6"])
    assert result.exit_code == 0, result.output
    assert result.output.startswith("Usual assignment of 6 basins\n\nposition  GPIO  in node.toml")
    assert "\n33        13    light.blue of basin b1" in result.output
    assert result.output.endswith("\nWithout a light, for pins do not reach: b4, b5, b6.\n")
    four = CliRunner().invoke(soakledger.main, ["node", "--pins", "--basins", "4"])
    assert "Without a light" not in four.output
    assert CliRunner().invoke(soakledger.main, ["node", "--pins", "--basins", "9"]).exit_code == 2


def test_basins_alone_would_start_the_node_so_it_is_refused() -> None:
    result = CliRunner().invoke(soakledger.main, ["node", "--basins", "3"])
    assert result.exit_code == 2
    assert "Error: --basins says for how many basins --pins lists the pins. Add --pins.\n" in result.stderr


def test_wrong_settings_are_one_line_and_exit_status_3(tmp_path: Path) -> None:
    file = settings_file(tmp_path, "room-3", more="buzer_pin = 18")
    result = CliRunner().invoke(soakledger.main, ["node", "--settings", str(file)])
    assert result.exit_code == 3
    assert result.stderr == (f"Error: {file}: Object contains unknown field `buzer_pin`. Did you mean `buzzer_pin`?\n")
    assert result.stdout == ""


def test_keys_lists_every_key_of_the_file() -> None:
    result = CliRunner().invoke(soakledger.main, ["node", "--keys"])
    assert result.exit_code == 0
    shown = {line.split()[0] for line in result.output.splitlines() if not line.startswith(" ")}
    assert shown == {key for key, _ in help_lines()}


def test_every_option_has_help() -> None:
    result = CliRunner().invoke(soakledger.main, ["node", "--help"])
    assert result.exit_code == 0
    for said in ("--settings FILE", "--check", "--keys", "--verbose", "Exit status: 0 stopped as asked"):
        assert said in result.output


def started(file: Path) -> subprocess.Popen[str]:
    program = [sys.executable, "-m", "soakledger", "node", "--settings", str(file)]
    return subprocess.Popen(program, stderr=subprocess.PIPE, text=True, env=dict(os.environ))


@pytest.mark.broker
@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGINT])
def test_it_runs_until_a_signal_and_says_goodbye(
    tmp_path: Path,
    tree: Tree,
    broker_port: int,
    receiver: Callable[..., Receiver],
    wait_until: Callable[..., None],
    how: signal.Signals,
) -> None:
    tree.set(A, 320)
    node = f"cmd-{how.name.lower()}"
    ear = receiver(broker_port, node)
    with started(settings_file(tmp_path, node, broker_port)) as process:
        wait_until(lambda: ear.count() >= 2)
        process.send_signal(how)
        _, said = process.communicate(timeout=20)
    assert process.returncode == 0, said
    wait_until(lambda: ear.states[-1] == wire.State(up=False))
    assert f"node started node={node}" in said
    assert f"node stopped node={node}" in said
    assert "Traceback" not in said


@pytest.mark.broker
def test_a_killed_node_is_gone_by_its_will_and_its_readings_arrive_after_the_next_start(
    tmp_path: Path,
    tree: Tree,
    broker_port: int,
    receiver: Callable[..., Receiver],
    wait_until: Callable[..., None],
) -> None:
    tree.set(A, 320)
    ear = receiver(broker_port, "cmd-kill", answers=False)
    file = settings_file(tmp_path, "cmd-kill", broker_port)
    with started(file) as process:
        wait_until(lambda: ear.count() >= 2)
        process.kill()
        process.communicate()
    wait_until(lambda: ear.states[-1] == wire.State(up=False))
    first, before = next(iter(ear.readings)), dict(ear.readings)
    ear.readings.clear()  # as if the collector had lost all it heard: no receipt was ever given
    ear.answers = True
    with started(file) as process:
        wait_until(lambda: len(ear.readings) == 2)
        process.terminate()
        process.communicate(timeout=20)
    assert ear.readings[first].items() >= before[first].items()
    assert ear.dense()


def test_a_second_node_on_the_same_data_is_refused(
    tmp_path: Path, tree: Tree, broker_port: int, wait_until: Callable[..., None]
) -> None:
    tree.set(A, 320)
    file = settings_file(tmp_path, "cmd-two", broker_port)
    with started(file) as process:
        wait_until((tmp_path / "data" / "outbox.db").exists)
        result = subprocess.run(
            [sys.executable, "-m", "soakledger", "node", "--settings", str(file)],
            capture_output=True,
            text=True,
            check=False,
            timeout=30,
        )
        process.terminate()
        process.communicate(timeout=20)
    assert result.returncode == 4
    assert result.stderr.endswith(
        "outbox.db: another node already uses it. Stop the other one, or give this one a data_dir of its own.\n"
    )
