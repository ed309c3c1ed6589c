"""/metrics: every figure declared and documented, Prometheus' own parser reads it, and only who may ask is answered."""

from __future__ import annotations

import asyncio
import re
import time
from pathlib import Path

import httpx
import pagekit
import pytest
from doorkit import ADA, HOST, House, refused, scan
from litestar import Litestar
from litestar.testing import TestClient
from prometheus_client.parser import text_string_to_metric_families

from collector import status
from collector.conditions import WORDS, Condition
from collector.schema import FILE_NAME, connect
from collector.sign_ins import Outcome, note
from collector.status import Certificate, Own, Status
from dashboard.app import build_app
from dashboard.metrics.declared import METRICS, PREFIX, Kind, table
from dashboard.metrics.gather import Sample
from dashboard.metrics.pages import text
from host.clock import boot_id, boottime_ms
from soak.rehearsal import Rehearsal
from soak.wire import DiskUse

Families = dict[str, dict[tuple[str, ...], float]]


def asked(app: Litestar, address: str = "127.0.0.1", **headers: str) -> httpx.Response:
    """One question, from an address."""

    async def ask() -> httpx.Response:
        transport = httpx.ASGITransport(app, client=(address, 50_000))
        async with httpx.AsyncClient(transport=transport, base_url=f"http://{HOST}") as client:
            return await client.get("/metrics", headers=headers)

    return asyncio.run(ask())


def figures(answer: httpx.Response) -> Families:
    """By metric without the prefix and values of its labels in the declared order; each must be declared."""
    assert answer.status_code == 200, answer.text
    found: Families = {}
    for family in text_string_to_metric_families(answer.text):
        for sample in family.samples:
            metric = METRICS[sample.name.removeprefix(PREFIX)]
            assert (metric.name, metric.kind, metric.help) == (sample.name, family.type, family.documentation)
            assert sample.labels.keys() == set(metric.labels)
            labels = tuple(sample.labels[label] for label in metric.labels)
            found.setdefault(sample.name.removeprefix(PREFIX), {})[labels] = sample.value
    return found


def a_collector(data: Path, *conditions: Condition, own: Own | None = None, running: bool = True) -> None:
    now_ms = pagekit.NOW_MS
    ends_ms = time.time_ns() // 1_000_000 + 86_400_000
    ends = [Certificate("/etc/soakledger/tls/pages.pem", ends_ms), Certificate("127.0.0.1:8883", 1)]
    own = own or Own(synced=True, disk=DiskUse(10**12, 31_557_600_000, 1, 2, 20))
    said = Status(
        "e",
        "r",
        running,
        boot_id(),
        boottime_ms() - 1_500,
        now_ms,
        now_ms - 2_000,
        list(conditions),
        0,
        None,
        ends,
        own,
    )
    assert status.write(data, said)


@pytest.fixture
def app(clinic: tuple[Path, dict[str, pagekit.Track]], tmp_path: Path) -> Litestar:
    data = pagekit.copied(clinic[0], tmp_path / "data")
    a_collector(data, Condition("backup-failed", "", "no room", 1), Condition("lost", "n1", "12", 1))
    connection = connect(data / FILE_NAME).conn
    connection.execute("INSERT INTO parked_count VALUES ('not-json', 3) ON CONFLICT DO UPDATE SET times = 3")
    for how in (Outcome.WRONG, Outcome.WRONG, Outcome.UNKNOWN, Outcome.SIGNED_IN):
        note(connection, how, 1_000)
    connection.commit()
    connection.close()
    return build_app(
        data,
        rehearsal=pagekit.rehearsal(),
        when=pagekit.WHEN,
        metrics_from=("127.0.0.0/8", "10.0.7.0/24"),
    )


def test_what_is_told(app: Litestar) -> None:
    found = figures(asked(app))
    assert found["collector_up"] == found["collector_storing"] == {(): 1.0}
    assert 1.5 <= found["collector_heartbeat_age_seconds"][()] < 60
    assert found["condition"] == {(code,): float(code in {"backup-failed", "lost"}) for code in WORDS}
    assert found["backup_failed"] == {(): 1.0}
    assert found["parked_messages_total"][("not-json",)] == 3
    assert found["sign_in_failures_total"] == {(): 3.0}
    assert found["disk_written_bytes_total"] == {(): 1e12}
    assert found["disk_life_left_seconds"] == {(): 19 * 31_557_600.0}
    assert sum(found["closures"].values()) > 0
    assert found["closures"].keys() == {("met",), ("not met",), ("unproven",)}
    assert found["alarms_standing"].keys() == {("high",), ("medium",), ("low",)}
    assert found["ledger_records_total"][()] > 10
    assert found["database_size_bytes"][()] > 10_000
    assert 0 < found["disk_free_bytes"][()] <= found["disk_size_bytes"][()]
    assert found["certificate_left_seconds"].keys() == {("pages.pem",), ("127.0.0.1:8883",)}
    assert abs(found["certificate_left_seconds"][("pages.pem",)] - 86_400) < 120
    up = {node for (node,), figure in found["node_up"].items() if figure == 1}
    assert up
    assert {node for (node,) in found["node_clock_synchronised"]} == up
    assert {node for (node,) in found["node_disk_free_bytes"]} == up
    assert found["node_up"].keys() == found["node_heard_age_seconds"].keys()
    warm = [figure for figure in found["sensor_temperature_celsius"].values() if 15 < figure < 30]
    assert warm
    assert {labels[:2] for labels in found["sensor_temperature_celsius"]} <= found["basin_lid_closed"].keys()


def test_every_metric_that_is_declared_is_told_somewhere(app: Litestar) -> None:
    """But for what this store has none of: a backup, a log of a collector at work."""
    assert METRICS.keys() - figures(asked(app)).keys() <= {
        *("backup_age_seconds", "database_log_size_bytes"),
    }


def test_a_collector_that_stopped_is_told_and_nothing_is_made_up_of_it(tmp_path: Path) -> None:
    a_collector(tmp_path, running=False)
    found = figures(asked(build_app(tmp_path, metrics_from=("127.0.0.1",))))
    assert found["collector_up"] == found["collector_storing"] == {(): 0.0}
    assert not found.keys() & {"condition", "backup_failed", "collector_clock_synchronised", "node_up", "closures"}


def test_what_is_old_is_not_told_as_if_it_were_so_now(clinic: tuple[Path, dict[str, pagekit.Track]]) -> None:
    later = Rehearsal(boottime_ms(), pagekit.NOW_MS + 3_600_000, 1)
    found = figures(asked(build_app(clinic[0], rehearsal=later, metrics_from=("127.0.0.1",))))
    assert set(found["node_up"].values()) == {0.0}
    assert all(age_s >= 3_600 for age_s in found["node_heard_age_seconds"].values())
    assert all(age_s >= 3_600 for age_s in found["basin_reading_age_seconds"].values())
    assert not found.keys() & {
        *("basin_lid_closed", "sensor_temperature_celsius", "node_outbox_readings", "node_clock_synchronised"),
        "node_disk_free_bytes",
    }


def test_what_stops_storing_is_told(tmp_path: Path) -> None:
    a_collector(tmp_path, Condition("disk-full", "", "x", 1))
    found = figures(asked(build_app(tmp_path, metrics_from=("127.0.0.1",))))
    assert (found["collector_up"], found["collector_storing"]) == ({(): 1.0}, {(): 0.0})


@pytest.mark.parametrize(
    ("address", "headers", "answered"),
    [
        ("127.0.0.1", {}, True),
        ("10.0.7.9", {}, True),
        ("10.0.8.9", {}, False),
        ("::1", {}, False),
        ("testclient", {}, False),
        ("127.0.0.1", {"X-Forwarded-For": "203.0.113.9"}, False),
        ("127.0.0.1", {"Forwarded": "for=203.0.113.9"}, False),
        ("10.0.7.9", {"X-Forwarded-For": "203.0.113.9"}, True),
    ],
)
def test_only_named_addresses_are_answered(
    app: Litestar, address: str, headers: dict[str, str], answered: bool
) -> None:
    answer = asked(app, address, **headers)
    if answered:
        assert figures(answer)
    else:
        assert (answer.status_code, refused(answer, 401)[0]) == (401, "not-signed-in")


def test_whoever_is_signed_in_may_ask_from_anywhere(house: House) -> None:
    a_collector(house.data)
    with TestClient(house.app(require_sign_in=True), base_url=f"http://{HOST}") as browser:
        assert browser.get("/metrics").status_code == 401
        scan(browser, house, ADA)
        assert browser.get("/metrics").status_code == 200


def test_nobody_is_named_and_the_format_is_the_oldest_everybody_reads(app: Litestar) -> None:
    answer = asked(app)
    assert answer.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    assert answer.headers["cache-control"] == "no-store"
    assert not re.search(r"\b(tina|sam|ada)\b|Harbour|/tmp/|/etc/", answer.text)


def test_names_follow_prometheus_practice() -> None:
    """Base units at the end; counters end in _total and nothing else does."""
    for name, metric in METRICS.items():
        assert re.fullmatch(r"soakledger_[a-z0-9_]+", metric.name)
        assert name.endswith("_total") == (metric.kind is Kind.COUNTER)
        assert not re.search(r"_(ms|minutes|days|mb|kb|percent)(_|$)", name)
        assert metric.help.endswith(".")
        assert set(metric.labels) <= {
            *("node", "basin", "sensor", "verdict", "priority", "code", "reason", "certificate", "version"),
        }


def test_the_table_for_people_has_every_metric_once() -> None:
    lines = table().splitlines()[2:]
    assert [line.split("`")[1] for line in lines] == [metric.name for metric in METRICS.values()]


def test_what_is_not_declared_cannot_be_told() -> None:
    with pytest.raises(KeyError):
        text([Sample("made_up", 1)])
