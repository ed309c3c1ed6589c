"""The real collector against a real Mosquitto: receipts, restarts, bad messages, stopping, a broker that comes late."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from kit import BOOT_2, NEED, SECOND, SENSOR, TERMS, batch, looking, reading, soak, state, stream_id
from running import CollectorProcess, NodeSide

from collector.read import Reader
from soak.wire import PREFIX, State

pytestmark = pytest.mark.broker
A, B = stream_id(1), stream_id(2)
SOAK = soak(720_000)


class Bench:
    """One collector and the nodes that talk to it; everything is ended after the test."""

    def __init__(self, folder: Path, broker: Any) -> None:
        self._folder, self.broker = folder, broker
        self.collector = CollectorProcess(folder / "collector", broker.port)
        self._nodes: list[NodeSide] = []

    def node(self, name: str = "n1", *, will: State | None = None) -> NodeSide:
        self._nodes.append(NodeSide(self.broker.port, name, will=will))
        return self._nodes[-1]

    def start(self) -> None:
        """Start the collector; orders come behind its subscription, so from then on it hears everything."""
        self.collector.start()
        self.node().wait_orders()

    def reader(self) -> Reader:
        return Reader(self.collector.data_dir)

    def verdicts(self) -> list[tuple[int, int, str]]:
        with self.reader() as reader:
            closures = [stored.closure for stored in reader.closures()]
        return sorted((each.first, each.last, each.verdict.value) for each in closures)

    def parked(self) -> dict[str, int]:
        with self.reader() as reader:
            return reader.parked_counts()

    def close(self) -> None:
        self.collector.close()
        for node in self._nodes:
            node.close()


@pytest.fixture
def bench(tmp_path: Path, broker: Callable[[], Any]) -> Iterator[Bench]:
    one = Bench(tmp_path, broker())
    yield one
    one.close()


def _in_tens(readings: list[Any], start: int = 0, stop: int | None = None) -> list[Any]:
    stop = len(readings) if stop is None else stop
    return [batch(readings[first : min(stop, first + 10)], first + 1) for first in range(start, stop, 10)]


def test_readings_come_in_and_receipts_go_out(bench: Bench) -> None:
    bench.start()
    node = bench.node()
    node.send(state((A, 1, 0), ms=500))
    node.send(*_in_tens(SOAK))
    node.wait_covered(A, len(SOAK))
    assert bench.verdicts() == [(2, 722, "met")]
    orders = node.wait_orders()
    assert (orders.basins["b1"].requirement, orders.basins["b1"].sensors) == (NEED, TERMS)
    late = bench.node()  # receipts and orders are retained: who comes later learns them too
    late.wait_covered(A, len(SOAK))
    assert late.wait_orders() == orders


@pytest.mark.parametrize("signal_number", [signal.SIGKILL, signal.SIGTERM])
def test_a_restart_in_the_middle_of_a_soak_changes_no_verdict(bench: Bench, signal_number: int) -> None:
    """Killed at any moment: what was receipted is there, what was not is sent again, and the soak is one soak."""
    bench.start()
    node = bench.node()
    for cut, stop in ((0, 300), (300, 500), (500, len(SOAK))):
        node.send(*_in_tens(SOAK, cut, stop))
        if stop < len(SOAK):
            node.wait_covered(A, cut + 40)
            bench.collector.end(signal_number)
            with looking(bench.collector.data_dir) as other:
                stored = other.execute("SELECT sum(stored) FROM stream").fetchone()[0]
            assert stored >= node.covered[A].count()
            assert bench.verdicts() == []
            bench.collector.start()
    for first, last in node.covered[A].missing(1, len(SOAK)):
        node.send(*_in_tens(SOAK, first - 1, last))  # as its timer does
    node.wait_covered(A, len(SOAK))
    assert bench.verdicts() == [(2, 722, "met")]
    with bench.reader() as reader:
        (stored_closure,) = reader.closures(superseded=True)
        assert [each for _, each in reader.readings(1, 0, 1 << 50)] == SOAK
    assert stored_closure.closure.credited_ms == 720_000


def test_a_power_cut_at_the_node_ends_the_closure(bench: Bench) -> None:
    bench.start()
    node = bench.node()
    node.send(*_in_tens(SOAK, 0, 500), state((A, 1, 500), ms=499_500))
    node.wait_covered(A, 500)
    node.send(state((B, 1, 0), ms=1_000, boot=BOOT_2), batch([reading(1_000, "open")], stream=B, boot=BOOT_2))
    node.wait_covered(B, 1)
    assert bench.verdicts() == [(2, 500, "unproven")]


def test_bad_messages_between_good_ones_cost_nothing(bench: Bench, wait_until: Callable[..., None]) -> None:
    bench.start()
    node = bench.node()
    bad = [b"", b"{", b"\xff\xfe", b"[]", b"1" * 300_000, b'{"stream": 5}', b"\x00" * 50, b"[" * 5_000]
    for index, message in enumerate(_in_tens(SOAK)):
        node.send(message)
        node.publish(f"{PREFIX}n1/readings", bad[index % len(bad)])
        node.publish(f"{PREFIX}n1/state", bad[index % len(bad)])
        node.publish(f"{PREFIX}Loud Node/readings", b"{}")
    node.send(batch(SOAK[:3], 1, boot=BOOT_2), batch([reading(1_000, "closed")]))
    node.wait_covered(A, len(SOAK))
    other = bench.node("n2")
    other.send(batch([reading(1_000, "open")], stream=B))
    other.wait_covered(B, 1)
    assert bench.verdicts() == [(2, 722, "met")]
    many = len(_in_tens(SOAK))
    wait_until(lambda: sum(bench.parked().values()) >= 3 * many + 2)
    counts = bench.parked()
    assert (counts["topic"], counts["wrong-stream"], counts["contradicts"]) == (many, 1, 1)
    assert sum(counts.values()) == 3 * many + 2
    with bench.reader() as reader:
        assert [each for _, each in reader.readings(1, 0, 1 << 50)] == SOAK


def test_a_last_will_that_the_broker_kept_is_taken_as_it_is(bench: Bench, wait_until: Callable[..., None]) -> None:
    """The node was cut off before the collector came: it is gone, and nothing is said of what it holds."""
    will = State(up=False)
    bench.node(will=will).close(cut_off=True)
    bench.start()
    other = bench.node("n2")
    other.send(batch([reading(1_000, "open")], stream=B))
    other.wait_covered(B, 1)

    def nodes() -> list[tuple[str, bool]]:
        with bench.reader() as reader:
            return [(each.node, each.up) for each in reader.nodes()]

    wait_until(lambda: nodes() == [("n1", False)])
    assert bench.parked() == {}


def test_a_node_that_is_cut_off_is_gone(bench: Bench, wait_until: Callable[..., None]) -> None:
    bench.start()
    node = bench.node(will=State(up=False))
    node.send(state((A, 1, 10), ms=9_500, outbox=10), *_in_tens(SOAK, 0, 10))
    node.wait_covered(A, 10)
    node.close(cut_off=True)

    def known() -> tuple[bool, int]:
        with bench.reader() as reader:
            (one,) = reader.nodes()
        return one.up, one.state.outbox

    wait_until(lambda: known() == (False, 10))
    assert bench.verdicts() == []


def test_a_broker_that_is_not_there_yet_is_waited_for(bench: Bench, wait_until: Callable[..., None]) -> None:
    bench.broker.stop()
    bench.collector.start()
    wait_until(lambda: "collector site=" in bench.collector.log())
    assert bench.broker.start()
    node = bench.node()
    node.wait_orders()
    node.send(*_in_tens(SOAK, 0, 30))
    node.wait_covered(A, 30)


def test_a_broker_that_comes_back_is_found_again(bench: Bench, wait_until: Callable[..., None]) -> None:
    """It has forgotten everything; the collector subscribes anew, and receipts and orders are said again."""
    bench.start()
    node = bench.node()
    node.send(*_in_tens(SOAK, 0, 30))
    node.wait_covered(A, 30)
    bench.broker.restart()
    wait_until(lambda: bench.collector.log().count("broker connected") == 2)
    again = bench.node()
    again.wait_orders()
    again.send(*_in_tens(SOAK, 0, 60))
    again.wait_covered(A, 60)


@pytest.mark.parametrize("signal_number", [signal.SIGTERM, signal.SIGINT])
def test_it_stops_when_told_to(bench: Bench, wait_until: Callable[..., None], signal_number: int) -> None:
    bench.collector.start()
    wait_until(lambda: "broker connected" in bench.collector.log())
    assert bench.collector.end(signal_number) == 0
    assert "Traceback" not in bench.collector.log()


def test_it_stops_while_there_is_no_broker(bench: Bench, wait_until: Callable[..., None]) -> None:
    bench.broker.stop()
    bench.collector.start()
    wait_until(lambda: "collector site=" in bench.collector.log())
    assert bench.collector.end() == 0
    assert "Traceback" not in bench.collector.log()


def test_it_stops_in_the_middle_of_a_flood(bench: Bench) -> None:
    """More than it takes in before it is told to stop: what has no receipt is at the node."""
    many = 300
    readings = [reading(1_000 * number, "open") for number in range(1, 500 * many + 1)]
    bench.start()
    node = bench.node()
    node.send(*(batch(readings[first : first + 500], first + 1) for first in range(0, len(readings), 500)))
    node.wait_covered(A, 500)
    assert bench.collector.end() == 0
    with looking(bench.collector.data_dir) as other:
        ((stored,),) = other.execute("SELECT stored FROM stream").fetchall()
    assert node.covered[A].count() <= stored


def test_a_second_one_on_the_same_data_is_refused(bench: Bench) -> None:
    bench.start()
    options = [
        "--settings",
        str(bench.collector.data_dir.parent / "collector.toml"),
        "--data",
        str(bench.collector.data_dir),
    ]
    done = _collector(*options)
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr == (
        f"soakledger collector: Another collector is using {bench.collector.data_dir}. Two would write over each "
        "other; stop one of them first.\n"
    )
    node = bench.node()
    node.send(*_in_tens(SOAK, 0, 10))
    node.wait_covered(A, 10)


def _collector(*options: str) -> subprocess.CompletedProcess[str]:
    program = [sys.executable, "-m", "soakledger", "collector", *options]
    return subprocess.run(program, capture_output=True, text=True, check=False, timeout=60)


@pytest.mark.parametrize(
    ("settings", "says"),
    [
        ('site = "Mill"\nbasins = 3\n', "Object contains unknown field `basins`. Did you mean `basin`?"),
        ("site =", "is not TOML: Invalid value (at end of document)."),
    ],
)
def test_wrong_settings_are_one_line(tmp_path: Path, settings: str, says: str) -> None:
    file = tmp_path / "collector.toml"
    file.write_text(settings)
    done = _collector("--settings", str(file), "--data", str(tmp_path / "data"))
    assert (done.returncode, done.stdout, done.stderr) == (2, "", f"soakledger collector: {file}: {says}\n")
    assert not (tmp_path / "data").exists()


@pytest.mark.parametrize("key", ["ca_file", "password_file"])
def test_a_file_that_the_settings_name_and_is_not_there_is_one_line(tmp_path: Path, key: str) -> None:
    file = tmp_path / "collector.toml"
    file.write_text(f'site = "Mill"\n[broker]\nusername = "collector"\n{key} = "{tmp_path}/none"\n')
    done = _collector("--settings", str(file), "--data", str(tmp_path / "data"))
    assert done.returncode == 2
    lines = [line for line in done.stderr.splitlines() if " INFO " not in line]
    assert len(lines) == 1
    assert lines[0].startswith(f"soakledger collector: {key} {tmp_path}/none cannot be ")


def test_check_says_what_the_settings_mean(tmp_path: Path) -> None:
    file = tmp_path / "collector.toml"
    file.write_text(
        f'''site = "Mill"
[[basin]]
node = "n1"
name = "b1"
label = "Basin 1"
[basin.sensors."{SENSOR}"]
[basin.requirement]
min_temp_c = 20
max_temp_c = 25.5
contact = "90s"
[[basin]]
node = "n1"
name = "b2"
label = "Basin 2"
[basin.sensors."{SECOND}"]
'''
    )
    done = _collector("--settings", str(file), "--data", str(tmp_path / "data"), "--check")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines() == [
        f"{file} is right: Mill, 2 basins.",
        "  Basin 1 (n1/b1): 20 °C to 25.5 °C for 1 min 30 s",
        "  Basin 2 (n1/b2): nothing required: its soaks stay unproven",
    ]
    assert not (tmp_path / "data").exists()
