"""Real routes to servers on loopback, sent by the real process: what refuses, hangs, floods or dies harms nobody else.

Outcomes tell what became of each notice, and no address is in them, in what is logged or printed.
"""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from route_kit import (
    SECRET,
    TAKES,
    Answer,
    Server,
    closes,
    drips,
    file_of,
    gushes,
    hangs,
    status,
    waits_first,
)

from collector.alarms.notices import Notice, Outcome
from collector.alarms.route_child import RouteChild
from collector.alarms.routes import Pace, Routes
from collector.errors import SettingsError
from collector.settings import NotifySettings
from soak.alarms import Priority

HIGH, MEDIUM, LOW = Priority
NOW_MS = 1_790_000_000_000
PACE = Pace(
    limit_s=1.5,
    silent_s=60.0,
    renew_s=0.1,
    high_gather_s=0.3,
    gather_s=0.3,
    retry_s=(0.2, 0.4, 60.0),
    keep_trying_s=(3_600.0, 30.0, 0.1),
)
PATIENT = Pace(limit_s=60.0, silent_s=120.0, renew_s=0.1, high_gather_s=0.2, gather_s=0.2)

pytestmark = pytest.mark.usefixtures("nothing_secret")


@pytest.fixture
def nothing_secret(caplog: pytest.LogCaptureFixture, capfd: pytest.CaptureFixture[str]) -> Iterator[None]:
    """Every test looks for the secret of its addresses where it must not be."""
    caplog.set_level(logging.DEBUG)
    yield
    printed = "".join(capfd.readouterr())
    assert printed == ""
    assert SECRET not in caplog.text


class Sent:
    """Routes at work, and everything they said."""

    def __init__(self, folder: Path, wait_until: Callable[..., None]) -> None:
        self.folder, self._wait_until = folder, wait_until
        self.people: list[NotifySettings] = []
        self.said: list[Outcome] = []
        self._servers: list[Server] = []
        self._before = set(children_of(os.getpid()))  # such as the broker that other tests of this session share
        self.routes = Routes([], lambda: NOW_MS)

    def server(self, answer: Answer) -> Server:
        self._servers.append(Server(answer))
        return self._servers[-1]

    def person(self, name: str, *urls: str) -> None:
        path = file_of(self.folder / f"{len(self.people)}.txt", *urls)
        self.people.append(NotifySettings(name, str(path)))

    def start(self, pace: Pace = PACE) -> None:
        self.routes.stop()
        self.routes = Routes(self.people, lambda: NOW_MS, pace)
        self.routes.start()

    def send(self, key: str, person: str = "Sam", priority: Priority = HIGH) -> None:
        self.routes.send(Notice(key, person, priority, f"title of {key}", "Close the lid now."))

    def of(self, key: str) -> list[Outcome]:
        """What has been said of a notice so far."""
        self.said += self.routes.outcomes()
        return [each for each in self.said if each.key == key]

    def until(self, key: str, *, over: bool = True) -> Outcome:
        """The word about a notice: the last one, or the first."""
        self._wait_until(lambda: any(each.over or not over for each in self.of(key)), 60)
        return self.of(key)[-1]

    def until_true(self, condition: Callable[[], object]) -> None:
        self._wait_until(condition, 60)

    def children(self) -> list[int]:
        """Processes that this one has begun for it and that still run."""
        return [pid for pid in children_of(os.getpid()) if pid not in self._before and running(pid)]

    def child(self) -> int:
        """The process that sends, once it has heard what it is to do."""
        self.until_true(self.children)
        (pid,) = self.children()
        return pid

    def close(self) -> None:
        self.routes.stop()
        for server in self._servers:
            server.close()


def running(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


@pytest.fixture
def sent(tmp_path: Path, wait_until: Callable[..., None]) -> Iterator[Sent]:
    one = Sent(tmp_path, wait_until)
    yield one
    one.close()
    assert SECRET not in repr([*one.said, *one.routes.outcomes()])


def test_it_arrives_as_it_was_written(sent: Sent) -> None:
    server = sent.server(TAKES)
    sent.person("Sam", server.url)
    sent.start()
    body = "Basin 2: the lid was opened at 11 min 40 s of 12 min. <b>Close</b> it & press the button.\nGrüße: 19.9 °C"
    for priority in Priority:
        sent.routes.send(Notice(f"W-{priority}", "Sam", priority, f"{priority}: lid", body))
        assert sent.until(f"W-{priority}") == Outcome(
            f"W-{priority}", "Sam", "json line 2", True, "taken by the route", 1, NOW_MS
        )
    assert [(each["title"], each["message"], each["type"]) for each in server.got] == [
        ("high: lid", body, "failure"),
        ("medium: lid", body, "warning"),
        ("low: lid", body, "info"),
    ]
    assert sent.routes.listed() == [("Sam", "json line 2")]


@pytest.mark.parametrize(
    ("answer", "detail"),
    [
        (status(500), "refused: the server answered 500"),
        (status(401), "refused: the server answered 401"),
        (closes, "no connection, or it broke off"),
        (hangs, "no answer within 1.5 s and broken off; it may have arrived all the same"),
        (drips, "no answer within 1.5 s and broken off; it may have arrived all the same"),
    ],
    ids=["refuses", "forbids", "closes", "hangs", "drips"],
)
def test_what_fails_is_said_and_tried_again_until_it_is_taken(sent: Sent, answer: Answer, detail: str) -> None:
    server = sent.server(answer)
    sent.person("Sam", server.url)
    sent.start()
    sent.send("W1")
    assert sent.until("W1", over=False) == Outcome("W1", "Sam", "json line 2", False, detail, 1, NOW_MS, over=False)
    server.answer = TAKES
    last = sent.until("W1")
    assert (last.ok, last.detail, last.over) == (True, "taken by the route", True)
    assert last.tries >= 2
    assert set(server.titles()) == {"title of W1"}


def test_nobody_at_the_other_end(sent: Sent) -> None:
    server = sent.server(TAKES)
    server.close()
    sent.person("Sam", server.url)
    sent.start()
    sent.send("W1", priority=LOW)
    assert sent.until("W1") == Outcome(
        "W1", "Sam", "json line 2", False, "no connection, or it broke off", 1, NOW_MS
    )  # a low one is given up soon: here after the first try


def test_no_redirect_is_followed(sent: Sent) -> None:
    """It could carry the password of the address to somebody else; an address cannot ask for it either."""
    elsewhere = sent.server(TAKES)
    server = sent.server(status(307, f"Location: http://127.0.0.1:{elsewhere.port}/\r\n"))
    sent.person("Sam", server.url, f"{server.url}&redirect=yes")
    sent.start()
    sent.send("W1", priority=LOW)
    sent.until_true(lambda: len(sent.of("W1")) == 2)
    assert {each.detail for each in sent.of("W1")} == {
        "refused: the server answered 307, a redirect, which is not followed"
    }
    assert elsewhere.got == []


def test_an_answer_without_end_takes_neither_memory_nor_time_from_others(sent: Sent) -> None:
    sent.person("Sam", sent.server(gushes).url)
    sent.person("Tom", sent.server(TAKES).url)
    sent.start(PATIENT)
    sent.send("W1", "Sam")
    sent.send("W2", "Tom")
    assert sent.until("W2").ok
    peaks_kb = [0]

    def ended() -> bool:
        peaks_kb.extend(map(peak_kb, children_of(sent.child())))
        return bool(sent.of("W1"))

    sent.until_true(ended)
    assert sent.of("W1")[0].detail == "the route did not take it"  # its memory, not its time, was over
    assert max(peaks_kb) < 500_000


def peak_kb(pid: int) -> int:
    """The most memory that a process has had; 0 once it is gone."""
    with contextlib.suppress(OSError):
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1])
    return 0


def test_text_stays_text_on_routes_that_show_html(sent: Sent) -> None:
    server = sent.server(TAKES)
    sent.person("Sam", f"{server.url}&format=html")
    sent.start()
    sent.routes.send(Notice("W1", "Sam", HIGH, "title", "<b>19.9</b> & cold"))
    assert sent.until("W1").ok
    assert [each["message"] for each in server.got] == ["&lt;b&gt;19.9&lt;/b&gt;&nbsp;&amp;&nbsp;cold"]


def test_a_route_that_the_library_cannot_use_after_all(sent: Sent) -> None:
    sent.person("Sam", f"tgram://{SECRET}/{SECRET}")
    sent.start()
    sent.send("W1")
    assert sent.until("W1", over=False).detail == "no route that the library can use"


def test_a_slow_answer_is_waited_for_and_nothing_is_sent_twice(sent: Sent) -> None:
    server = sent.server(waits_first(TAKES, 0.8))
    sent.person("Sam", f"{server.url}&rto=0.1&cto=0.1")  # whatever the address says of patience
    sent.start(PATIENT)
    sent.send("W1")
    assert sent.until("W1") == Outcome("W1", "Sam", "json line 2", True, "taken by the route", 1, NOW_MS)
    assert server.titles() == ["title of W1"]


def test_a_hanging_route_delays_neither_another_route_nor_another_person(sent: Sent) -> None:
    """Nothing here ends the hanging ones: what is awaited comes although they hang."""
    hanging, fine, toms = sent.server(hangs), sent.server(TAKES), sent.server(TAKES)
    sent.person("Sam", hanging.url, fine.url)
    sent.person("Tom", toms.url)
    sent.start(PATIENT)
    sent.send("W1")
    sent.until_true(lambda: hanging.got)
    for number in range(2, 6):
        sent.send(f"W{number}", "Sam")
        sent.send(f"W{number}", "Tom")
        sent.until_true(lambda number=number: len(taken_of(sent, f"W{number}")) == 2)
    assert hanging.titles() == ["title of W1"]
    assert [each for each in sent.said if not each.ok] == []


def taken_of(sent: Sent, key: str) -> set[tuple[str, str]]:
    return {(each.person, each.route) for each in sent.of(key) if each.ok}


def test_a_high_one_passes_a_low_one_that_hangs_on_the_same_route(sent: Sent) -> None:
    server = sent.server(hangs)
    sent.person("Sam", server.url)
    sent.start(PATIENT)
    sent.send("W1", priority=LOW)
    sent.until_true(lambda: server.got)
    server.answer = TAKES
    sent.send("W2", priority=LOW)
    sent.send("W3", priority=HIGH)
    assert sent.until("W3").ok
    assert server.titles() == ["title of W1", "title of W3"]


def test_a_flood_is_a_few_messages_and_nothing_is_lost(sent: Sent) -> None:
    server = sent.server(TAKES)
    sent.person("Sam", server.url)
    sent.start()
    for number in range(150):
        sent.send(f"W{number}", priority=list(Priority)[number % 3])
    sent.until_true(lambda: [sent.of(f"W{number}") for number in range(150)].count([]) == 0)
    assert all(each.ok for each in sent.said)
    assert len(server.got) < 12
    assert any(title.startswith("50 alarms: ") or " alarms: " in title for title in server.titles())


def test_more_than_can_wait_is_given_up_in_the_open(sent: Sent) -> None:
    """Nobody sends here: the routes have not been started. Whoever hands in notices notices nothing."""
    sent.person("Sam", sent.server(TAKES).url)
    sent.routes = Routes(sent.people, lambda: NOW_MS, PACE)
    for number in range(1_000):
        sent.send(f"W{number}", priority=HIGH if number % 10 == 0 else LOW)
    given_up = [each for each in sent.routes.outcomes() if "given up" in each.detail]
    assert len(given_up) == 800
    sent.routes.stop()
    left = sent.routes.outcomes()
    assert len(left) == 200
    assert {f"W{number}" for number in range(0, 1_000, 10)} <= {each.key for each in left}
    assert {each.detail for each in left} == {"not sent: the collector was stopped"}


def test_somebody_who_is_not_on_the_list(sent: Sent) -> None:
    sent.start()
    sent.send("W1", "Nobody")
    assert sent.until("W1") == Outcome(
        "W1", "Nobody", "", False, "nobody of this name is on the list in the settings", 0, NOW_MS
    )
    assert sent.children() == []  # with an empty list there is no process


def test_killed_while_it_sends(sent: Sent) -> None:
    """What was on its way is sent again by the next process; whoever is told twice is told."""
    server = sent.server(hangs)
    sent.person("Sam", server.url)
    sent.start(Pace(limit_s=60.0, silent_s=60.0, renew_s=0.1, high_gather_s=0.2, retry_s=(0.2,)))
    sent.send("W1")
    sent.until_true(lambda: server.got)
    first = sent.child()
    (sending,) = children_of(first)
    server.answer = TAKES
    os.kill(first, signal.SIGKILL)
    sent.until_true(lambda: not running(sending))
    assert sent.until("W1", over=False).detail == (
        "the process that sends had died or hung; what it was sending may have arrived all the same"
    )
    assert sent.until("W1").ok
    assert sent.child() != first
    assert sent.routes.mend()
    assert not sent.routes.mend()
    sent.send("W2")
    assert sent.until("W2").ok


def test_stopped_so_that_it_says_nothing_more(sent: Sent) -> None:
    server = sent.server(TAKES)
    sent.person("Sam", server.url)
    sent.start(Pace(limit_s=600.0, silent_s=6.0, renew_s=0.1, high_gather_s=0.2, retry_s=(0.2,)))
    sent.send("W1")
    assert sent.until("W1").ok
    first = sent.child()
    os.kill(first, signal.SIGSTOP)
    sent.send("W2")
    assert sent.until("W2").ok
    assert not running(first)
    assert sent.routes.mend()


def test_slow_to_begin(sent: Sent, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On a busy machine the process takes longer to load than it may be silent later; replaced each time, it would
    never send."""
    slow = tmp_path / "slow"
    slow.write_text(f'#!/bin/sh\nsleep 3\nexec "{sys.executable}" "$@"\n')
    slow.chmod(0o700)
    monkeypatch.setattr(sys, "executable", str(slow))
    sent.person("Sam", sent.server(TAKES).url)
    sent.start(Pace(limit_s=600.0, silent_s=2.5, renew_s=0.1, high_gather_s=0.2, retry_s=(0.2,)))
    sent.send("W1")
    assert sent.until("W1").ok


def test_a_sending_that_is_stopped_is_ended(sent: Sent) -> None:
    """The process of one sending stands still: its time runs out all the same."""
    server = sent.server(hangs)
    sent.person("Sam", server.url)
    sent.start()
    sent.send("W1")
    sent.until_true(lambda: server.got)
    child = sent.child()
    (sending,) = children_of(child)
    os.kill(sending, signal.SIGSTOP)
    assert "no answer within" in sent.until("W1", over=False).detail
    sent.until_true(lambda: not running(sending))
    assert sent.child() == child


def test_a_sending_that_is_killed(sent: Sent) -> None:
    server = sent.server(hangs)
    sent.person("Sam", server.url)
    sent.start(PATIENT)
    sent.send("W1")
    sent.until_true(lambda: server.got)
    child = sent.child()
    (sending,) = children_of(child)
    os.kill(sending, signal.SIGKILL)
    assert sent.until("W1", over=False).detail == "the process that sent it ended without an answer"


def test_stopping_is_quick_and_gives_back_what_is_not_sent(sent: Sent) -> None:
    server = sent.server(hangs)
    sent.person("Sam", server.url)
    sent.start(PATIENT)
    sent.send("W1")
    sent.until_true(lambda: server.got)
    child = sent.child()
    (sending,) = children_of(child)
    sent.send("W2", priority=LOW)
    sent.routes.stop()
    assert not running(child)
    sent.until_true(lambda: not running(sending))
    sent.send("W3")
    left = sorted(sent.routes.outcomes())
    assert [(each.key, each.ok, each.over, each.detail) for each in left] == [
        (key, False, True, "not sent: the collector was stopped") for key in ("W1", "W2", "W3")
    ]


def test_it_holds_no_file_of_the_collector(sent: Sent, tmp_path: Path) -> None:
    database = sqlite3.connect(tmp_path / "ledger.sqlite")
    try:
        database.execute("CREATE TABLE t (x)")
        sent.person("Sam", sent.server(TAKES).url)
        sent.start()
        sent.send("W1")
        assert sent.until("W1").ok
        held = [os.readlink(fd) for fd in Path(f"/proc/{sent.child()}/fd").iterdir() if fd.is_symlink()]
        assert [path for path in held if path.startswith(str(tmp_path))] == []
        command = (
            Path(f"/proc/{sent.child()}/cmdline").read_bytes() + Path(f"/proc/{sent.child()}/environ").read_bytes()
        )
        assert SECRET.encode() not in command
    finally:
        database.close()


COLLECTOR = """
import sys, time
from collector.alarms.routes import Notice, Routes
from collector.settings import NotifySettings
from soak.alarms import Priority
routes = Routes([NotifySettings("Sam", sys.argv[1])], lambda: 0)
routes.start()
routes.send(Notice("W1", "Sam", Priority.HIGH, "title", "body"))
time.sleep(600)
"""


def test_it_ends_when_its_collector_is_killed(sent: Sent, tmp_path: Path) -> None:
    server = sent.server(hangs)
    path = file_of(tmp_path / "sam.txt", server.url)
    with subprocess.Popen([sys.executable, "-c", COLLECTOR, str(path)]) as collector:
        sent.until_true(lambda: server.got)
        (child,) = children_of(collector.pid)
        (sending,) = children_of(child)
        collector.kill()
        sent.until_true(lambda: not running(child) and not running(sending))


def children_of(pid: int) -> list[int]:
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        found += map(int, (task / "children").read_text().split())
    return found


def test_sending_never_waits(sent: Sent, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not even while the thread stands still because the process takes nothing."""
    standing, go_on = threading.Event(), threading.Event()

    def stands(*_: object) -> None:
        standing.set()
        go_on.wait()

    monkeypatch.setattr(RouteChild, "send", stands)
    sent.person("Sam", sent.server(TAKES).url)
    sent.start()
    sent.send("W1")
    assert standing.wait(60)

    def send_many() -> None:
        for number in range(2_000):
            sent.send(f"W{number}")
        sent.said += sent.routes.outcomes()
        sent.routes.mend()

    sender = threading.Thread(target=send_many, daemon=True)
    sender.start()
    sender.join(60)
    try:
        assert not sender.is_alive()
        assert len(sent.said) == 1_800
    finally:
        go_on.set()


def test_a_thread_that_dies_is_begun_anew(sent: Sent, monkeypatch: pytest.MonkeyPatch) -> None:
    server = sent.server(TAKES)
    sent.person("Sam", server.url)
    monkeypatch.setattr("threading.excepthook", lambda _: None)
    with monkeypatch.context() as broken:
        broken.setattr(Routes, "_begin", lambda _: 1 / 0)
        sent.start()
        sent.until_true(lambda: not sent.routes.alive())
        sent.send("W1")
    assert sent.routes.mend()
    assert sent.until("W1").ok
    assert not sent.routes.mend()


def test_a_file_that_went_wrong_since_it_was_checked(sent: Sent) -> None:
    sent.person("Sam", "json://127.0.0.1/")
    path = Path(sent.people[0].urls_file)
    path.chmod(0o604)
    with pytest.raises(SettingsError) as caught:
        Routes(sent.people, lambda: NOW_MS)
    assert str(caught.value) == (
        f"Notifications for 'Sam': {path} holds addresses with passwords, and everybody on this machine may use it. "
        f"Close it to others: chmod o= {path}"
    )


def test_it_is_logged_once_when_a_route_fails_and_once_when_it_works(
    sent: Sent, caplog: pytest.LogCaptureFixture
) -> None:
    server = sent.server(status(500))
    sent.person("Sam", server.url)
    sent.start()
    sent.send("W1")
    sent.until_true(lambda: len(server.got) >= 3)
    server.answer = TAKES
    sent.send("W2")
    assert sent.until("W2").ok
    assert [each.getMessage() for each in caplog.records if each.name == "collector.alarms.routes"] == [
        "notifications: json line 2 of Sam: refused: the server answered 500",
        "notifications: json line 2 of Sam works again",
    ]
