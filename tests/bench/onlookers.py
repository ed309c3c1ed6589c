"""Who waits for an alarm: somebody at the database, and an open page at a dashboard of its own."""

from __future__ import annotations

import http.client
import re
import sqlite3
import subprocess
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec

from collector.ledger import Ledger
from collector.record import shelf
from collector.record.things import Device
from collector.schema import FILE_NAME, connect
from tests.bench.measuring import ROOT

_LOOK_EVERY_S = 0.003
_PATIENCE_S = 30


class _Said(msgspec.Struct, frozen=True):
    changes: dict[str, dict[str, dict[str, object]]] = {}


class Records(threading.Thread):
    """Looks for records of alarms through a connection of its own.

    Args:
        data_dir: The collector's data folder.

    Attributes:
        raised: Of lids opened early, by basin: when the record could be read, and the alarm's id; in order.
        others: How many records of other alarms, by code.
    """

    def __init__(self, data_dir: Path) -> None:
        super().__init__(daemon=True)
        self._path, self._over = data_dir / FILE_NAME, threading.Event()
        self.raised: defaultdict[str, list[tuple[float, str]]] = defaultdict(list)
        self.others: defaultdict[str, int] = defaultdict(int)

    def run(self) -> None:
        """Look until stopped."""
        connection = sqlite3.connect(f"{self._path.as_uri()}?mode=ro", uri=True, timeout=10)
        version, newest = -1, 0
        while not self._over.wait(_LOOK_EVERY_S):
            (now,) = connection.execute("PRAGMA data_version").fetchone()
            if now == version:
                continue
            version = now
            sql = "SELECT number, body FROM ledger WHERE kind = 'alarm-raised' AND number > ? ORDER BY number"
            rows = connection.execute(sql, (newest,)).fetchall()
            at_s = time.perf_counter()
            newest = rows[-1][0] if rows else newest
            for _, body in rows:
                for alarm_id, alarm in msgspec.json.decode(body, type=_Said).changes["alarm"].items():
                    if alarm.get("code") == "opened-early":
                        self.raised[str(alarm["basin"])].append((at_s, alarm_id))
                    else:
                        self.others[str(alarm.get("code", "again"))] += 1
        connection.close()

    def stop(self) -> None:
        """End."""
        self._over.set()
        self.join()


class Clerk(threading.Thread):
    """Somebody who records something every so often, as people at the screens do, through a connection of their own.

    Args:
        data_dir: The collector's data folder.
        every_s: How often.

    Attributes:
        waits_s: How long each time took.
    """

    def __init__(self, data_dir: Path, every_s: float = 0.5) -> None:
        super().__init__(daemon=True)
        self._path, self._every_s, self._over = data_dir / FILE_NAME, every_s, threading.Event()
        self.waits_s: list[float] = []

    def run(self) -> None:
        """Record until stopped."""
        db = connect(self._path)
        ledger = Ledger(db.conn, lambda: int(time.time() * 1_000))
        while not self._over.wait(self._every_s):
            began_s, changes = time.perf_counter(), {Device.KIND: {"A1": {"serial": f"S{len(self.waits_s)}"}}}
            db.conn.execute("BEGIN IMMEDIATE")
            record = ledger.append("given-by-a-bench", {"about": "device/A1", "changes": changes}, who="bench")
            shelf.write(db.conn, record.number, changes)
            db.conn.commit()
            self.waits_s.append(time.perf_counter() - began_s)
        db.close()

    def stop(self) -> None:
        """End."""
        self._over.set()
        self.join()


class _Lane(msgspec.Struct, frozen=True):
    key: str
    lid: str


class _Frame(msgspec.Struct, frozen=True):
    lanes: list[_Lane]


class _Alarms(msgspec.Struct, frozen=True):
    sounds: list[str] = []


class _State(msgspec.Struct, frozen=True):
    frame: _Frame | None
    alarms: _Alarms | None = None


class Page(threading.Thread):
    """An open page, as far as it listens to the live stream: to alarms in its states, or in an event of their own.

    Args:
        address: The dashboard's, "host:port".

    Attributes:
        opened: By basin: when its lid was shown to be open after it was shown to be closed; in order.
        alarms: By id: when an alarm was first shown; empty while the stream does not tell of alarms.
        came: When each state came, or what had changed of it.
        longest: How many bytes the longest of these had.
    """

    def __init__(self, address: str) -> None:
        super().__init__(daemon=True)
        self._address, self._over, self._lids = address, threading.Event(), dict[str, str]()
        self.opened: defaultdict[str, list[float]] = defaultdict(list)
        self.alarms: dict[str, float] = {}
        self.came: list[float] = []
        self.longest = 0

    def run(self) -> None:
        """Listen until stopped."""
        connection = http.client.HTTPConnection(self._address, timeout=_PATIENCE_S)
        connection.request("GET", "/live")
        event = b""
        for line in connection.getresponse():
            at_s = time.perf_counter()
            if self._over.is_set():
                break
            if line.startswith(b"event: "):
                event = line[7:].strip()
            elif line.startswith(b"data: ") and event in (b"state", b"changes"):
                self.came.append(at_s)
                self.longest = max(self.longest, len(line))
                self._hear(msgspec.json.decode(line[6:], type=_State), at_s)
            elif line.startswith(b"data: ") and event == b"alarms":
                self._sound(msgspec.json.decode(line[6:], type=_Alarms | None), at_s)
        connection.close()

    def _hear(self, state: _State, at_s: float) -> None:
        for lane in state.frame.lanes if state.frame else ():
            if lane.lid == "open" and self._lids.get(lane.key) == "closed":
                self.opened[lane.key].append(at_s)
            self._lids[lane.key] = lane.lid

    def _sound(self, alarms: _Alarms | None, at_s: float) -> None:
        for each in alarms.sounds if alarms else ():
            self.alarms.setdefault(each.partition(":")[0], at_s)

    def stop(self) -> None:
        """End."""
        self._over.set()
        self.join()


class Screen(threading.Thread):
    """One more open page: takes what the live stream says and looks at none of it.

    Args:
        address: The dashboard's, "host:port".
    """

    def __init__(self, address: str) -> None:
        super().__init__(daemon=True)
        self._address, self._over = address, threading.Event()

    def run(self) -> None:
        """Take until stopped."""
        connection = http.client.HTTPConnection(self._address, timeout=_PATIENCE_S)
        connection.request("GET", "/live")
        answer = connection.getresponse()
        while not self._over.is_set() and answer.read1(1 << 20):
            pass
        connection.close()

    def stop(self) -> None:
        """End."""
        self._over.set()
        self.join()


@contextmanager
def dashboard(data_dir: Path, folder: Path, *options: str) -> Iterator[tuple[int, str]]:
    """A dashboard: its process and its address, "host:port"."""
    command = [sys.executable, "-m", "soakledger", "dashboard", "--data", str(data_dir), "--port", "0", *options]
    log = folder / "dashboard.log"
    with log.open("wb") as said, subprocess.Popen(command, cwd=ROOT, stderr=said, stdout=said) as process:
        try:
            yield process.pid, _address(process, log)
        finally:
            process.terminate()
            process.wait(20)


def _address(process: subprocess.Popen[bytes], log: Path) -> str:
    until_s = time.monotonic() + _PATIENCE_S
    while not (found := re.search(r"http://(127\.0\.0\.1:\d+)", log.read_text())):
        if time.monotonic() > until_s or process.poll() is not None:
            raise SystemExit(f"The dashboard did not start:\n{log.read_text()}")
        time.sleep(0.05)
    return found[1]
