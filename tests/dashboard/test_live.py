"""The live stream, over a real server: everything first, then every change, until the server ends."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import alarmkit
import httpx
import pagekit
import pytest
from click.testing import CliRunner
from pagekit import NOW_MS, Going, Track

from collector.read import Reader
from collector.settings import Settings
from dashboard.command import command
from dashboard.lanes import frame
from dashboard.look import Looker
from dashboard.say import Kind

Clinic = tuple[Path, dict[str, Track]]
ROOT = Path(__file__).parents[2]
WAIT = httpx.Timeout(20)


@contextmanager
def lines(address: str) -> Iterator[Iterator[str]]:
    """The lines of a live stream as they come; 20 s without one fail."""
    with httpx.Client(timeout=WAIT) as client, client.stream("GET", f"{address}/live") as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        yield answer.iter_lines()


def states(stream: Iterator[str], seconds: float = 20, event: str = "state") -> Iterator[Any]:
    """Every state as it comes, with the lanes that were told before it; what has not come in time fails."""
    deadline, now, lanes = time.monotonic() + seconds, "", dict[str, Any]()
    for line in stream:
        if time.monotonic() > deadline:
            pytest.fail(f"what was waited for did not come within {seconds} s")
        if line.startswith("event: "):
            now = line.removeprefix("event: ").strip()
        elif line.startswith("data: ") and event == "state" and now in ("state", "changes"):
            state = json.loads(line.removeprefix("data: "))
            lanes = lanes if now == "changes" else {}
            if state["frame"]:
                lanes |= {each["key"]: each for each in state["frame"]["lanes"]}
                state["frame"]["lanes"] = list(lanes.values())
            yield state
        elif line.startswith("data: ") and now == event:
            yield json.loads(line.removeprefix("data: "))


def lane(state: Any, key: str) -> Any:
    return next(each for each in state["frame"]["lanes"] if each["key"] == key)


def test_the_whole_state_first_then_every_change(clinic: Clinic, tmp_path: Path) -> None:
    """Two pages hear of the same opening; the level, full of proof before, is gone."""
    data_dir = pagekit.copied(clinic[0], tmp_path / "data")
    played = pagekit.rehearsal()
    with (
        Going(data_dir, clinic[1], played) as going,
        pagekit.serving(data_dir, played) as address,
        lines(address) as one,
        lines(address) as other,
    ):
        first = next(states(one))
        assert [each["label"] for each in first["frame"]["lanes"]] == [f"Basin {number}" for number in range(1, 6)]
        assert first["frame"]["site"] == pagekit.CLINIC
        assert lane(first, "n2/b1")["headline"] == "Soak met. Rinse next."
        assert lane(first, "n2/b1")["depth"] > 90
        going.lids["n2/b1"] = "open"
        for stream in (one, other):
            lanes = (each for state in states(stream) for each in state["frame"]["lanes"] if each["key"] == "n2/b1")
            opened = next(each for each in lanes if each["lid"] == "open")
            assert opened["depth"] == 0
            assert opened["latest"]["verdict"] == "met"
            assert opened["detail"].startswith("Opened 13:1")


def test_alarms_come_in_an_event_of_their_own(clinic: Clinic, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """They do not wait for the state of the basins, however long that takes; what cannot be known is null."""
    data_dir = pagekit.copied(clinic[0], tmp_path / "data")
    looking = threading.Event()

    def never(*_: Any) -> Any:
        looking.wait(20)
        raise RuntimeError("a look without end")

    monkeypatch.setattr("dashboard.live.Looker.look", never)
    with pagekit.serving(data_dir, pagekit.rehearsal()) as address, lines(address) as stream:
        told = states(stream, event="alarms")
        assert next(each for each in told if each is not None)["lines"] == []
        alarmkit.Engine(data_dir).raised(1, "opened-early", 60_000, "Opened.")
        raised = next(each for each in told if each and each["lines"])
        assert raised["sounds"] == ["W1:high"]
        (data_dir / "soakledger.sqlite").rename(tmp_path / "gone")
        assert any(each is None for each in told)
        looking.set()


def test_a_page_opened_before_the_collector_goes_live_with_it(tmp_path: Path) -> None:
    with pagekit.serving(tmp_path, pagekit.rehearsal()) as address, lines(address) as stream:
        first = next(states(stream))
        assert (first["problem"], first["frame"]) == (f"There are no data in {tmp_path} yet.", None)
        assert first["collector"].startswith("The collector does not run, or cannot write its data folder: ")
        pagekit.Player(tmp_path, Settings("Clinic at the Mill")).close()
        # A look between the making of the tables and the naming of the site finds it without a name.
        assert any(each["frame"] and each["frame"]["site"] == "Clinic at the Mill" for each in states(stream))


def test_a_restored_backup_is_noticed(tmp_path: Path) -> None:
    """Another file in the place of the database: the stream goes on with it."""
    pagekit.Player(tmp_path / "new", Settings("After")).close()
    pagekit.Player(tmp_path / "data", Settings("Before")).close()
    with pagekit.serving(tmp_path / "data", pagekit.rehearsal()) as address, lines(address) as stream:
        assert next(states(stream))["frame"]["site"] == "Before"
        shutil.move(tmp_path / "new" / "soakledger.sqlite", tmp_path / "data" / "soakledger.sqlite")
        assert any(each["frame"] and each["frame"]["site"] == "After" for each in states(stream))


def test_a_quiet_stream_is_kept_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A comment goes out although nothing has changed: proxies and browsers keep the connection."""
    monkeypatch.setattr("dashboard.live.KEEP_ALIVE_S", 0.01)
    pagekit.Player(tmp_path, Settings("Clinic at the Mill")).close()
    with pagekit.serving(tmp_path, pagekit.rehearsal()) as address, lines(address) as stream:
        assert ": still here" in stream


def test_a_fault_in_one_look_does_not_end_the_stream(
    clinic: Clinic, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Whether reading or wording fails: it is logged, pages say that they are not live, and the next look is taken."""
    failed = threading.Event()

    def failing_once(*given: Any) -> Any:
        if not failed.is_set():
            failed.set()
            raise RuntimeError("one bad look")
        return frame(*given)

    monkeypatch.setattr("dashboard.live.frame", failing_once)
    with pagekit.serving(clinic[0], pagekit.rehearsal()) as address, lines(address) as stream:
        assert any(each["frame"] and each["frame"]["site"] == pagekit.CLINIC for each in states(stream))
    assert failed.is_set()
    assert "one bad look" in caplog.text


def test_the_command_serves_and_ends_at_once_with_streams_open(clinic: Clinic) -> None:
    """SIGTERM ends the streams themselves: uvicorn never has to cut one off after its two seconds of grace."""
    arguments = [sys.executable, "-m", "soakledger", "dashboard", "--data", str(clinic[0]), "--port", "0"]
    process = subprocess.Popen(
        [*arguments, "--rehearsal", pagekit.rehearsal().text()], cwd=ROOT, stderr=subprocess.PIPE, text=True
    )
    assert process.stderr is not None
    try:
        found = re.search(r"http://127\.0\.0\.1:\d+", process.stderr.readline())
        assert found
        with lines(found[0]) as stream, lines(found[0]) as other:
            assert next(states(stream))["frame"]["site"] == pagekit.CLINIC
            next(states(other))
            process.send_signal(signal.SIGTERM)
            assert [*stream, *other][-1] == ""
        _, talk = process.communicate(timeout=20)
    finally:
        process.kill()
        process.wait(10)
    assert process.returncode in (0, -signal.SIGTERM)
    assert talk == ""


def test_the_command_without_data_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It waits politely, says what is missing, and serves the page that says so too."""
    program = "import dashboard.command as c; c._PATIENCE_S = 0.1; c.command()"
    process = subprocess.Popen(
        [sys.executable, "-c", program, "--data", str(tmp_path), "--port", "0"],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert process.stderr is not None
    try:
        assert process.stderr.readline() == (
            f"There are no data in {tmp_path} yet (no soakledger.sqlite). The pages say so until there are: start "
            "`soakledger collector` on the same folder, or stop this and name the right folder with --data.\n"
        )
        found = re.search(r"http://127\.0\.0\.1:\d+", process.stderr.readline())
        assert found
        assert httpx.get(f"{found[0]}/", timeout=WAIT).status_code == 503
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=20)
    finally:
        process.kill()
        process.wait(10)


@pytest.mark.parametrize(
    ("options", "status", "text"),
    [
        (["--rehearsal", "soon"], 2, "'soon' is not a rehearsal clock"),
        (["--port", "70000"], 2, "70000"),
        (
            ["--host", "192.0.2.1", "--plain"],
            4,
            "The pages cannot be served at 192.0.2.1:8080 (Cannot assign requested address).",
        ),
        ([], 2, "Missing option '--data'"),
    ],
)
def test_bad_options_are_one_clear_line(clinic: Clinic, options: list[str], status: int, text: str) -> None:
    """192.0.2.1 is nobody's address (RFC 5737): this machine cannot listen there."""
    data = ["--data", str(clinic[0])] if options else []
    done = CliRunner().invoke(command, [*data, *options])
    assert done.exit_code == status
    assert text in done.output


def test_a_port_in_use_is_one_clear_line(clinic: Clinic) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        done = CliRunner().invoke(command, ["--data", str(clinic[0]), "--port", port])
    assert done.exit_code == 4
    assert done.output == (
        f"The pages cannot be served at 127.0.0.1:{port} (Address already in use). "
        "Stop whatever uses that port, or choose another with --port.\n"
    )


class Clocks:
    """A wall clock and a steady clock that a test moves."""

    def __init__(self) -> None:
        self.utc_ms, self.steady_ms = NOW_MS, 0

    def forward(self, ms: int) -> None:
        self.utc_ms += ms
        self.steady_ms += ms


@pytest.fixture
def looking(tmp_path: Path) -> Iterator[tuple[pagekit.Player, Clocks, Callable[[], tuple[Kind, str]]]]:
    """A player, clocks, and a look at its one basin: what is going on, and the sentence."""
    settings = Settings("Mill", basin=[pagekit.basin_settings("n1/b1", "B", [pagekit.sensor(1)], **pagekit.NEED)])
    player, clocks = pagekit.Player(tmp_path, settings), Clocks()
    looker = Looker(pagekit.WHEN, lambda: clocks.utc_ms, lambda: clocks.steady_ms)
    with Reader(tmp_path) as reader:

        def look() -> tuple[Kind, str]:
            said = looker.look(reader).basins[0].said
            return said.kind, said.headline

        yield player, clocks, look
    player.close()


def test_five_seconds_without_news_are_said(looking: Any) -> None:
    player, clocks, look = looking
    player.play("n1/b1", [pagekit.Span(10, "open")], [pagekit.sensor(1)])
    clocks.forward(5_000)
    assert look() == (Kind.OPEN, "Lid open")
    clocks.forward(1)
    assert look() == (Kind.SILENT, "Not heard for 5 s")


def test_an_unsynchronised_node_is_judged_by_its_news_alone(looking: Any) -> None:
    """Its readings say last week; but they come."""
    player, clocks, look = looking
    week_ms = 7 * 86_400_000
    player.play("n1/b1", [pagekit.Span(10, "open")], [pagekit.sensor(1)], end_ms=NOW_MS - week_ms, synced=False)
    assert look() == (Kind.OPEN, "Lid open")
    clocks.forward(5_001)
    assert look() == (Kind.SILENT, "Not heard for 5 s")


def test_old_readings_that_arrive_are_not_taken_for_the_present(looking: Any) -> None:
    player, clocks, look = looking
    player.play("n1/b1", [pagekit.Span(10, "open")], [pagekit.sensor(1)], end_ms=NOW_MS - 3_600_000)
    assert look() == (Kind.SILENT, "Not heard for 1 h")
    clocks.forward(200)
    player.tracks["n1/b1"] = player.carry_on("n1/b1", player.tracks["n1/b1"], to_ms=NOW_MS - 3_500_000)
    assert look() == (Kind.BEHIND, "Catching up")
    player.carry_on("n1/b1", player.tracks["n1/b1"], to_ms=NOW_MS)
    assert look() == (Kind.OPEN, "Lid open")


def test_a_node_that_is_gone_is_named_as_the_reason(looking: Any) -> None:
    player, clocks, look = looking
    player.play("n1/b1", [pagekit.Span(10, "open")], [pagekit.sensor(1)])
    player.say("n1")
    look()
    player.say("n1", up=False)
    clocks.forward(6_000)
    assert look() == (Kind.SILENT, "Not heard for 6 s")


def test_the_level_starts_again_after_a_break(looking: Any) -> None:
    """Five minutes proven, half a minute cold, one minute proven: eleven more are needed, not seven."""
    player, _, look = looking
    warm, cold = pagekit.Span(300, "closed"), pagekit.Span(30, "closed", 19.0)
    player.play("n1/b1", [pagekit.Span(10, "open"), warm, cold, pagekit.Span(61, "closed")], [pagekit.sensor(1)])
    assert look() == (Kind.SOAKING, "Keep closed. Ready 13:29.")


def test_a_lid_put_down_in_passing_does_not_hide_the_soak_before_it(looking: Any) -> None:
    """Opened early, and then the lid lay on for ten seconds: the device still has to be reprocessed."""
    player, _, look = looking
    early, passing, open_ = (pagekit.Span(551, "closed"), pagekit.Span(10, "closed"), pagekit.Span(20, "open"))
    player.play("n1/b1", [open_, early, open_, passing, open_], [pagekit.sensor(1)])
    assert look() == (Kind.REPROCESS, "Reprocess: opened at 9 min 10 s of 12 min")


def test_only_passing_closures_are_shown_as_they_are(looking: Any) -> None:
    player, _, look = looking
    open_ = pagekit.Span(20, "open")
    player.play("n1/b1", [open_, pagekit.Span(10, "closed"), open_], [pagekit.sensor(1)])
    assert look() == (Kind.OPEN, "Lid open")
