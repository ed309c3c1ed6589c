"""The daily check of the ledger by the collector itself."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from record_kit import MONDAY, Recording

from collector.alarms import chain
from collector.alarms.chain import ChainCheck
from collector.alarms.held import Held
from collector.schema import FILE_NAME


@pytest.fixture(autouse=True)
def in_a_hurry(monkeypatch: pytest.MonkeyPatch) -> None:
    """Beside tests that want all processors, a check with the least claim on them would take minutes."""
    monkeypatch.setattr(chain, "NICENESS", 0)


@pytest.fixture
def data(tmp_path: Path) -> Iterator[Path]:
    recording = Recording(tmp_path / "data")
    yield recording.data
    recording.close()


def checked(check: ChainCheck) -> list[Held]:
    """What it finds, once it has looked; the limit is only there for the test to end."""
    ends_s = time.monotonic() + 200
    list(check.look(MONDAY))
    while check._process is not None:
        assert time.monotonic() < ends_s
        time.sleep(0.05)
        found = list(check.look(MONDAY))
    return found


def altered(data: Path, sql: str) -> None:
    with closing(sqlite3.connect(data / FILE_NAME)) as connection:
        guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(sql)
        for _, text in guards:
            connection.execute(text)
        connection.commit()


def test_a_ledger_that_holds_and_then_does_not(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chain, "EVERY_S", 0.0)
    check = ChainCheck(data, first_s=0.0)
    assert checked(check) == []
    altered(data, "UPDATE ledger SET at_ms = at_ms + 1 WHERE number = 2")
    [held] = checked(check)
    assert held.key == ("chain-broken", "site")
    assert held.text.startswith("Record 2 does not hold: ")
    altered(data, "UPDATE ledger SET at_ms = at_ms - 1 WHERE number = 2")
    assert checked(check) == []


def test_a_ledger_cut_short_since_the_last_check(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A chain alone cannot tell; the end that was seen the day before can."""
    monkeypatch.setattr(chain, "EVERY_S", 0.0)
    check = ChainCheck(data, first_s=0.0)
    assert checked(check) == []
    altered(data, "DELETE FROM ledger WHERE number = (SELECT max(number) FROM ledger)")
    [held] = checked(check)
    assert held.text.endswith("it was cut short.")


def test_data_that_cannot_be_read_are_no_broken_chain(tmp_path: Path) -> None:
    check = ChainCheck(tmp_path, first_s=0.0)
    assert checked(check) == []


def test_it_is_not_looked_at_before_it_is_due(data: Path) -> None:
    check = ChainCheck(data)
    assert list(check.look(MONDAY)) == []
    assert check._process is None
    check.close()
