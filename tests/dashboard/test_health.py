"""/health: 200 while readings are stored and can be read, 503 with the reason while not; open to everybody."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pagekit
import pytest
from litestar import Litestar
from litestar.testing import TestClient

from collector import status
from collector.conditions import Condition
from collector.status import Seen, Status
from dashboard.app import build_app
from dashboard.health_api import health
from host.clock import boot_id, boottime_ms

NOW_MS = pagekit.NOW_MS


def said(*conditions: Condition, age_ms: int = 0, running: bool = True) -> Status:
    return Status("e", "r", running, boot_id(), boottime_ms() - age_ms, NOW_MS, NOW_MS - 2_000, list(conditions))


def asked(data: Path, **options: Any) -> tuple[int, dict[str, Any]]:
    app = build_app(data, rehearsal=pagekit.rehearsal(), when=pagekit.WHEN, **options)
    with TestClient(app, base_url="http://127.0.0.1") as client:
        answer = client.get("/health")
        assert answer.headers["cache-control"] == "no-store"
        return answer.status_code, answer.json()


def test_a_collector_that_stores(clinic: tuple[Path, dict[str, pagekit.Track]], tmp_path: Path) -> None:
    data = pagekit.copied(clinic[0], tmp_path / "data")
    assert status.write(data, said(Condition("node-silent", "n1", "for more than 30 s", 1)))
    code, body = asked(data, require_sign_in=True)
    ages = {name: body.pop(name) for name in ("heartbeat_age_ms", "stored_age_ms", "newest_reading_age_ms")}
    assert (code, body) == (
        200,
        {
            "status": "ok",
            "collector": "running",
            "store": "ready",
            "storing": True,
            "conditions": ["node-silent"],
        },
    )
    assert all(0 <= age_ms < 120_000 for age_ms in ages.values())


def test_without_a_collector_or_data_it_fails_and_says_which(tmp_path: Path) -> None:
    code, body = asked(tmp_path)
    assert (code, body) == (
        503,
        {
            "status": "failing",
            "collector": "not running",
            "store": "no data yet",
            "storing": False,
            "heartbeat_age_ms": None,
            "stored_age_ms": None,
            "newest_reading_age_ms": None,
            "conditions": [],
        },
    )
    (tmp_path / "soakledger.sqlite").write_bytes(b"this is no database at all, and longer than a header" * 20)
    assert status.write(tmp_path, said())
    code, body = asked(tmp_path)
    assert (code, body["collector"], body["store"]) == (503, "running", "unreadable")


@pytest.mark.parametrize(
    ("status_now", "store", "word", "storing"),
    [
        (said(), "ready", "ok", True),
        (said(Condition("broker-away", "", "x", 1)), "ready", "ok", True),
        (said(Condition("disk-full", "", "x", 1)), "ready", "failing", False),
        (said(), "unreadable", "failing", True),
    ],
)
def test_what_fails(status_now: Status, store: str, word: str, storing: bool) -> None:
    body = health(Seen(status_now, ""), store, None, NOW_MS)
    assert (body.status, body.storing, body.collector) == (word, storing, "running")


def test_a_status_that_no_longer_holds_is_not_believed() -> None:
    old = said(Condition("disk-full", "", "x", 1), age_ms=20_000)
    body = health(Seen(old, "It has said nothing for more than 10 s."), "ready", NOW_MS - 5, NOW_MS)
    assert (body.status, body.collector, body.storing, body.conditions) == ("failing", "not running", False, [])
    assert (body.heartbeat_age_ms or 0) >= 20_000
    assert body.newest_reading_age_ms == 5


def test_it_is_described_with_both_answers(client: TestClient[Litestar]) -> None:
    described = client.get("/schema/openapi.json").json()["paths"]["/health"]["get"]
    for code in ("200", "503"):
        schema = described["responses"][code]["content"]["application/json"]["schema"]
        assert "#/components/schemas/HealthBody" in str(schema), code
