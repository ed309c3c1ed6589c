"""The benches run from end to end; what they measure is not judged here."""

from __future__ import annotations

import select
import subprocess
import sys

import pytest

from tests.bench import alarm_latency, bench_alarms, bench_basins, bench_ingest, bench_pages
from tests.bench.hearers import Heard, Report
from tests.bench.lids import Move
from tests.bench.load import basins, batches, readings
from tests.bench.measuring import Spent, Usage, Work
from tests.bench.raw_mqtt import PUBLISH, Connection, publish_packet


def figures(output: str, title: str) -> list[float]:
    """The figures of the first line of a table that begins so."""
    line = next(line for line in output.splitlines() if line.strip().startswith(title))
    return [float(cell.replace(",", "")) for cell in line.strip().removeprefix(title).split() if cell != "-"]


def test_ingest_measures_every_way(capsys: pytest.CaptureFixture[str]) -> None:
    assert bench_ingest.main(["--quick", "--streams", "3", "--share", "0.05"]) in (0, 1)
    printed = capsys.readouterr().out
    for way in bench_ingest.WAYS:
        messages_a_second, readings_a_second, to_bare, *_ = figures(printed, way.title)
        assert messages_a_second > 0
        assert readings_a_second > 0
        assert to_bare > 0
    for size in (1, 10):
        *steps, whole = figures(printed.partition("readings a message")[2], f"{size} ")
        assert sum(steps) == pytest.approx(whole, abs=0.5)  # each is printed to a tenth
    assert printed.count("holds") + printed.count("DOES NOT HOLD") == 2


def test_basins_get_a_receipt_for_every_reading(capsys: pytest.CaptureFixture[str]) -> None:
    assert bench_basins.main(["--basins", "10", "--seconds", "2"]) in (0, 1)
    p50_ms, p99_ms, _, longest_ms = figures(capsys.readouterr().out, "publish to receipt")
    assert 0 < p50_ms <= p99_ms <= longest_ms


def test_an_opening_is_timed_from_the_switch_to_the_light(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench_alarms, "BUSY", 1)
    assert bench_alarms.main(["--part", "pin", "--openings", "3"]) in (0, 1)
    printed = capsys.readouterr().out
    edges, p50_ms, p99_ms, longest_ms = figures(printed, "red light, nothing beside")
    assert edges == 3
    assert 0 < p50_ms <= p99_ms <= longest_ms
    assert "red light, 1 busy processes beside" in printed
    assert printed.count("holds") + printed.count("DOES NOT HOLD") == 2


def test_alarms_come_for_every_lid_on_record_and_on_the_page(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--basins", "10", "--loaded", "40", "--seconds", "8", "--openings", "9"]
    assert alarm_latency.main(arguments) in (0, 1)
    printed = capsys.readouterr().out
    lids, p50_ms, p99_ms, longest_ms = figures(printed, "edge in the reading to record")
    assert lids == 4  # of each basin one in a minute
    assert 0 < p50_ms <= p99_ms <= longest_ms
    assert figures(printed, "edge in the reading to page")[0] == 4
    assert "holds          4 alarms for 4 lids (each once)" in printed


def test_an_alarm_that_never_came_does_not_hold(capsys: pytest.CaptureFixture[str]) -> None:
    waits = [alarm_latency.Wait(0.0, 0.1, 0.6), alarm_latency.Wait(0.0, None, None)]
    spent = Spent(1.0, 0.1, 0.1, 0.1)
    found = alarm_latency.Figures(waits, 1, True, spent, 0.1, 2, 1_000, [0.1], [0.1], "", {}, [], [], {}, 0.1)
    alarm_latency.report(found)
    assert "edge in the reading to page " in capsys.readouterr().out
    assert [limit.holds for limit in alarm_latency.limits(found)] == [False, True, False]


def test_a_limit_that_does_not_hold_is_said_and_is_the_exit_status(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    slow = bench_basins.Figures([300.0] * 100, [0.0], 0.4, 0.0, {"at start": 80.0}, 1.0)
    monkeypatch.setattr(bench_basins, "measure", lambda *_: slow)
    assert bench_basins.main([]) == 1
    printed = capsys.readouterr().out
    assert "DOES NOT HOLD  99 of 100 receipts within 300 ms (less than 250)" in printed
    assert "holds          40 % of one processor (less than 50)" in printed


def test_a_loaded_basin_times_each_reading_once() -> None:
    (station,) = bench_basins.stations(basins(1), seconds=3)
    for sent_s in (1.0, 2.0, 3.0):
        station.message(sent_s, sent_s)
    assert list(station.cover(2, 5.0)) == [4.0, 3.0]
    assert list(station.cover(2, 6.0)) == []
    assert list(station.cover(3, 6.0)) == [3.0]
    assert station.waiting == 0


def test_messages_are_what_one_node_sends() -> None:
    basin = basins(5, of_a_node=4)[4]
    assert (basin.node, basin.name) == ("n2", "b1")
    found = list(batches(basin, readings(25, basin.sensor), 10))
    assert [(batch.first, batch.last) for batch in found] == [(1, 10), (11, 20), (21, 25)]
    times_ms = [reading.ms for batch in found for reading in batch.readings]
    assert times_ms == sorted(set(times_ms))


@pytest.mark.parametrize("length", [0, 1, 127, 128, 16_383, 16_384, 100_000])
def test_packets_of_any_length_arrive_as_they_were_sent(broker_port: int, length: int) -> None:
    """Lengths of one to three bytes (MQTT 3.1.1, section 2.2.3)."""
    listening = Connection(broker_port, "listening", ("raw/+",))
    sending = Connection(broker_port, "sending")
    try:
        topic, payload = "raw/topic", bytes(index % 251 for index in range(length))
        sending.socket.setblocking(True)
        sending.socket.sendall(publish_packet(topic, payload, 7) + publish_packet(topic, b"next", 8))
        heard: list[tuple[str, bytes]] = []
        while len(heard) < 2:
            assert select.select([listening], [], [], 10)[0], heard
            heard += [(packet.topic, packet.payload) for packet in listening.packets() if packet.kind == PUBLISH]
        assert heard == [(topic, payload), (topic, b"next")]
        acknowledged = 0
        while acknowledged < 2:
            assert select.select([sending], [], [], 10)[0]
            acknowledged += sending.acknowledged()
        assert acknowledged == 2
    finally:
        listening.close()
        sending.close()


def test_usage_counts_the_children_of_a_process() -> None:
    child = "x = bytearray(30_000_000); print(flush=True); input()"
    parent = f"import subprocess, sys; subprocess.run([sys.executable, '-c', {child!r}])"
    with subprocess.Popen([sys.executable, "-c", parent], stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout
        process.stdout.readline()
        assert Usage.of(process.pid).rss_mb > 30
        assert Work(process.pid, process.pid).spent().seconds >= 0
        process.communicate(b"\n")


@pytest.mark.browser
def test_the_page_of_today_is_painted_and_weighed_and_its_lids_move(capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ["--basins", "3", "--loads", "1", "--seconds", "6", "--apart", "3", "--clients", "4"]
    assert bench_pages.main(["--part", "today", "lid", "clients", *arguments]) in (0, 1)
    printed = capsys.readouterr().out
    median_ms, longest_ms = figures(printed, "largest contentful paint")
    assert 0 < median_ms <= longest_ms
    moves, p50_ms, p99_ms, longest_ms = figures(printed, "reading published to drawn in the page")
    assert moves > 2
    assert 0 < p50_ms <= p99_ms <= longest_ms
    assert figures(printed, "reading published to heard, every client")[0] == 4 * moves
    assert "holds          0 moves of a lid never shown (none)" in printed
    assert "holds          0 of 4 clients missed a move of a lid, 0 in all (none)" in printed
    assert "holds          4 of 4 connections stayed (all)" in printed


def test_a_move_that_a_client_never_heard_does_not_hold(capsys: pytest.CaptureFixture[str]) -> None:
    moves = [Move(1.0, "n1/b1", "closed"), Move(4.0, "n1/b1", "open"), Move(2.0, "n1/b2", "closed")]
    whole = [Heard(1.2, "n1/b1", "closed"), Heard(4.1, "n1/b1", "open"), Heard(2.3, "n1/b2", "closed")]
    report = Report([whole, whole[:2]], [9, 9], [900, 900], 300, 1)
    limits = bench_pages.judged(bench_pages.Chosen(clients=2), bench_pages.Watching(moves, 0.1), report)
    assert [limit.holds for limit in limits] == [False, False]
    assert "1 of 2 clients missed a move of a lid, 1 in all" in limits[1].text
    assert figures(capsys.readouterr().out, "reading published to heard, every client")[0] == 5
