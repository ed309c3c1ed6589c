"""The demonstration's parts: brokers that answer, settings that are right, processes that end when they should."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from collector import settings as collector_settings
from firmware import settings as node_settings
from firmware.simulator import broker as brokers
from firmware.simulator.clinic import CLINIC, node_names, write_settings
from firmware.simulator.parts import Ears, Part, stop_in_order
from firmware.simulator.rehearsed import tree_root
from firmware.simulator.scenario import ScenarioError, load_scenario

Wait = Callable[..., None]


def python(*words: str) -> list[str]:
    return [sys.executable, "-c", *words]


@pytest.fixture
def parts() -> Iterator[list[Part]]:
    """Whatever a test starts is ended."""
    parts: list[Part] = []
    yield parts
    stop_in_order([parts])


def test_the_settings_it_writes_are_right(tmp_path: Path) -> None:
    """Both sides' own strict readers take them, and they agree about basins and sensors."""
    write_settings(tmp_path, 12_345, first_ms=1_790_000_000_000)
    site = collector_settings.load(tmp_path / "collector.toml")
    assert len(site.basin) == len(CLINIC) == 5
    assert {basin.node for basin in site.basin} == {*node_names()}
    assert len(node_names()) == 3
    told = {(basin.node, basin.name): {*basin.sensors} for basin in site.basin}
    for name in node_names():
        node = node_settings.load(tmp_path / name / "node.toml")
        scenario = load_scenario(tmp_path / name / "scenario.toml")
        assert node.broker.port == site.broker.port == 12_345
        assert tree_root(node).parent == tmp_path / name
        for basin in node.basins:
            assert {*basin.sensors} == told.pop((name, basin.name))
            assert len(scenario.basin(basin.name).offsets_mc) == len(basin.sensors)
    assert not told
    for basin, described in zip(CLINIC, site.basin, strict=True):
        required = described.required()
        assert required is not None
        assert required.contact_ms == basin.played().habits.contact_ms


@pytest.mark.parametrize(("speed", "gap_ms"), [(1, 5_000), (10, 5_000), (20, 10_000), (60, 30_000)])
def test_a_fast_rehearsal_forgives_a_busy_machine(tmp_path: Path, speed: int, gap_ms: int) -> None:
    """Half a second of real time counts as watched, on both sides of the wire; at real speed the usual five seconds."""
    write_settings(tmp_path, 12_345, first_ms=1_790_000_000_000, speed=speed)
    for basin in collector_settings.load(tmp_path / "collector.toml").basin:
        required = basin.required()
        assert required is not None
        assert required.max_gap_ms == gap_ms
    for name in node_names():
        assert {basin.max_gap_ms for basin in node_settings.load(tmp_path / name / "node.toml").basins} == {gap_ms}


def test_what_the_labels_ask_for_is_published() -> None:
    """CDC/HICPAC 2008, Table 4: 12, 30 and 15 min at 20 °C; Rutala and Weber 2016, Table 1: 20 min at 25 °C."""
    asked = [(basin.min_temp_c, basin.max_temp_c, basin.contact) for basin in CLINIC]
    assert asked == [
        ("20", None, "12m"),
        ("20", None, "30m"),
        ("20", None, "12m"),
        ("25", None, "20m"),
        ("20", None, "15m"),
    ]


def test_a_rehearsal_refuses_settings_of_real_sensors(tmp_path: Path) -> None:
    file = tmp_path / "node.toml"
    file.write_text(
        'node = "n"\ndata_dir = "d"\n[broker]\nhost = "h"\n'
        '[[basin]]\nname = "b1"\nsensors = ["28-000000000001"]\nlid_pin = 5\n'
    )
    with pytest.raises(ScenarioError, match=r"reads? sensors from /sys/bus/w1/devices.*must not be mixed up"):
        tree_root(node_settings.load(file))


@pytest.mark.parametrize("which", ["mosquitto", "embedded"])
def test_each_broker_answers_and_keeps_messages_for_who_is_away(
    tmp_path: Path, parts: list[Part], wait_until: Wait, which: str
) -> None:
    """A subscriber with a session finds what was published while it was away, in order."""
    port = brokers.free_port()
    mosquitto = brokers.find_mosquitto() if which == "mosquitto" else None
    if which == "mosquitto" and mosquitto is None:
        pytest.skip("Mosquitto is not installed: apt-get install mosquitto")
    chosen = brokers.choose_broker(tmp_path, port, mosquitto=mosquitto)
    assert ("embedded" in chosen.said) == (which == "embedded")
    part = Part("The broker", chosen.command, tmp_path / "broker.log")
    parts.append(part)
    part.start()
    wait_until(lambda: brokers.accepts(port))
    got: list[bytes] = []
    ready: list[object] = []

    def client(name: str, *, clean: bool) -> mqtt.Client:
        made = mqtt.Client(
            mqtt.CallbackAPIVersion.VERSION2, client_id=name, clean_session=clean, protocol=mqtt.MQTTv311
        )
        made.on_message = lambda _client, _data, message: got.append(message.payload)
        made.on_subscribe = lambda *_: ready.append(1)
        made.on_publish = lambda *_: ready.append(1)
        return made

    before = client("sub", clean=False)
    before.on_connect = lambda *_: before.subscribe("soakledger/1/+/readings", 1)
    before.connect("127.0.0.1", port)
    before.loop_start()
    wait_until(lambda: ready)
    before.disconnect()
    before.loop_stop()
    ready.clear()
    publisher, after = client("pub", clean=True), client("sub", clean=False)
    publisher.connect("127.0.0.1", port)
    publisher.loop_start()
    for number in range(200):
        publisher.publish("soakledger/1/n/readings", f"{number}", qos=1)
    wait_until(lambda: len(ready) == 200)
    after.connect("127.0.0.1", port)
    after.loop_start()
    wait_until(lambda: len(set(got)) == 200)
    # Kept, each of them; QoS 1 promises neither order nor once (MQTT 3.1.1, 4.6), and nothing here builds on either.
    assert {int(each) for each in got} == {*range(200)}
    for each in (publisher, after):
        each.disconnect()
        each.loop_stop()
    part.ask_to_stop()
    part.end()
    assert not brokers.accepts(port)


def test_no_broker_at_all_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: None)
    with pytest.raises(brokers.NoBrokerError, match="apt-get install mosquitto"):
        brokers.choose_broker(tmp_path, 1, mosquitto=None)


def test_mosquitto_listens_on_loopback_only(tmp_path: Path) -> None:
    lines = brokers.mosquitto_configuration(tmp_path, 4_711).splitlines()
    assert [line for line in lines if line.startswith("listener")] == ["listener 4711 127.0.0.1"]
    assert ("user root" in lines) == (os.geteuid() == 0)


def test_what_a_part_says_is_heard_line_by_line(tmp_path: Path, parts: list[Part], wait_until: Wait) -> None:
    script = (
        "import sys,time;print('one');sys.stdout.write('tw');sys.stdout.flush();time.sleep(.2);print('o');print('é')"
    )
    part, ears, heard = Part("P", python(script), tmp_path / "log", heard=True), Ears(), []
    parts.append(part)
    part.start()
    ears.listen(part)
    wait_until(lambda: heard.extend(line for _, line in ears.hear(0.1)) or len(heard) == 3)
    assert heard == ["one", "two", "é"]
    wait_until(lambda: part.status is not None)
    ears.forget(part)
    part.end()
    part.start()  # a part can be started again and is heard again
    ears.listen(part)
    wait_until(lambda: heard.extend(line for _, line in ears.hear(0.1)) or len(heard) == 6)
    ears.close()


def test_parts_end_in_order_and_a_stubborn_one_is_killed(tmp_path: Path, wait_until: Wait) -> None:
    order = tmp_path / "order"
    polite = (
        "import signal,sys,time;from pathlib import Path;"
        "signal.signal(15,lambda *_:(Path({0!r}).open('a').write({1!r}),sys.exit()));print('up');time.sleep(60)"
    )
    stubborn = "import signal,time;signal.signal(15,signal.SIG_IGN);print('up');time.sleep(60)"
    commands = [polite.format(str(order), name) for name in "abc"] + [stubborn]
    started = [
        Part(name, [sys.executable, "-u", "-c", code], tmp_path / name)
        for name, code in zip("abcd", commands, strict=True)
    ]
    for part in started:
        part.start()
    wait_until(lambda: all(part.last_lines() == ["up"] for part in started))
    a, b, c, d = started
    stop_in_order([[b], [a, c]])
    assert order.read_text()[0] == "b"
    assert sorted(order.read_text()) == ["a", "b", "c"]
    d.ask_to_stop()
    before = time.monotonic()
    d.end(patience_s=0.3)
    assert time.monotonic() - before < 20
    assert not any(part.running for part in started)


def test_parts_do_not_outlive_who_started_them(tmp_path: Path, wait_until: Wait) -> None:
    """Killed with SIGKILL, a demonstration can end nothing itself: its parts are tied to it."""
    if sys.platform != "linux":
        pytest.skip("the tether is Linux's own")
    script = (
        "import sys,time;from pathlib import Path;from firmware.simulator.parts import Part;"
        "child='import os,time;print(os.getpid(),flush=True);time.sleep(60)';"
        f"Part('x',[sys.executable,'-c',child],Path({str(tmp_path / 'log')!r})).start();time.sleep(60)"
    )
    with subprocess.Popen(python(script)) as parent:
        log = tmp_path / "log"
        wait_until(lambda: log.exists() and log.read_text().strip())
        child = int(log.read_text())
        parent.send_signal(signal.SIGKILL)
        parent.wait(10)

    def gone() -> bool:
        try:
            os.kill(child, 0)
        except ProcessLookupError:
            return True
        return Path(f"/proc/{child}/stat").read_text().split()[2] == "Z"

    wait_until(gone)
