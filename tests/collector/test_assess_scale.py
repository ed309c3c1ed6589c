"""`soakledger assess` on long files: flat memory, results as they come, a bar for a person, a light start."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import select
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest

from collector.assess_command import LONG_BYTES, command

OPTIONS = ["--min-temp", "20", "--contact", "30s", "--uncertainty", "0.58"]
ASSESS = [sys.executable, "-m", "soakledger", "assess"]


def lines_of(rows: int, column: str) -> str:
    """A closure a minute, temperatures that repeat, times that never do."""
    stamp: Callable[[int], str] = "{}.250".format if column == "time_s" else moment
    text = f"{column},lid,temp_c\n"
    return text + "".join(
        f"{stamp(n)},{'open' if n % 60 == 0 else 'closed'},{20.5 + n % 97 / 80:.4f}\n" for n in range(rows)
    )


def moment(second: int) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%S.250Z", time.gmtime(1_772_000_000 + second))


def peak_bytes(arguments: list[str]) -> int:
    """Most memory that Python objects took while the command ran."""
    with (
        Path(os.devnull).open("w") as nowhere,
        contextlib.redirect_stdout(nowhere),
        contextlib.redirect_stderr(nowhere),
    ):
        tracemalloc.start()
        try:
            assert command.main(arguments, standalone_mode=False) == 1
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()


@pytest.mark.parametrize(("column", "flags"), [("time", ["--json"]), ("time_s", [])], ids=["json", "table"])
def test_memory_does_not_grow_with_the_file(column: str, flags: list[str], tmp_path: Path) -> None:
    """Four times the rows and closures, the same memory."""
    peaks = []
    for rows in (10_000, 40_000):
        path = tmp_path / f"{rows}.csv"
        path.write_text(lines_of(rows, column))
        peaks.append(peak_bytes([str(path), *OPTIONS, *flags]))
    assert peaks[1] < peaks[0] * 1.1


def test_a_closure_is_printed_when_it_ends() -> None:
    """From a pipe that is still open, as a logger would feed it."""
    with subprocess.Popen(
        [*ASSESS, "-", *OPTIONS, "--json"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        assert process.stdin
        assert process.stdout
        process.stdin.write(lines_of(61, "time_s").encode())
        process.stdin.flush()
        printed = b""
        while b"}" not in printed.partition(b'"closures": [')[2]:
            assert select.select([process.stdout], [], [], 60)[0], f"nothing came after {printed!r}"
            printed += os.read(process.stdout.fileno(), 65536)
        process.stdin.write(b"61.250,closed,22\n")
        rest, talk = process.communicate(timeout=60)
    closures = json.loads(printed + rest)["closures"]
    assert [(each["closed_at"], each["verdict"]) for each in closures] == [(1.25, "met"), (61.25, "running")]
    assert (process.returncode, talk) == (1, b"")


def on_a_terminal(arguments: list[str]) -> tuple[int, str, bytes]:
    """Run with standard error on a terminal; return status, what the terminal got, and standard output."""
    outer, inner = pty.openpty()
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, stderr=inner) as process:
        os.close(inner)
        seen = b""
        with contextlib.suppress(OSError):  # the end of a terminal is an error on Linux
            while some := os.read(outer, 65536):
                seen += some
        assert process.stdout
        printed = process.stdout.read()
        process.wait(60)
    os.close(outer)
    return process.returncode, seen.decode(), printed


def padded(path: Path, size: int) -> Path:
    """A file of at least this many bytes with few readings, one soak among them."""
    rows = size // 1000 + 1
    with path.open("w") as file:
        file.write("time_s,lid,temp_c,note\n")
        file.writelines(f"{n},{'closed' if 50 <= n < 90 else 'open'},22,{'-' * 990}\n" for n in range(rows))
    return path


def test_a_bar_on_a_long_file_when_a_person_watches(tmp_path: Path) -> None:
    """On the terminal, up to the end; standard output holds data alone."""
    path = padded(tmp_path / "long.csv", LONG_BYTES)
    status, seen, printed = on_a_terminal([*ASSESS, str(path), *OPTIONS, "--json"])
    assert status == 0
    assert "[####" in seen
    assert "100%" in seen
    assert json.loads(printed)["closures"][0]["verdict"] == "met"


def test_no_bar_on_a_short_file(tmp_path: Path) -> None:
    """It would only flicker."""
    path = padded(tmp_path / "short.csv", LONG_BYTES // 10)
    assert on_a_terminal([*ASSESS, str(path), *OPTIONS, "--json"])[:2] == (0, "")


def test_no_bar_when_nobody_watches(tmp_path: Path) -> None:
    """A log file is no person."""
    path = padded(tmp_path / "long.csv", LONG_BYTES)
    done = subprocess.run([*ASSESS, str(path), *OPTIONS, "--json"], capture_output=True, check=False)
    assert (done.returncode, done.stderr) == (0, b"")


def test_a_reader_that_leaves_is_no_error_of_the_file(tmp_path: Path) -> None:
    """`soakledger assess … | head -1` ends quietly and does not say that the file is unusable."""
    path = tmp_path / "many.csv"
    path.write_text(lines_of(60_000, "time_s"))
    with subprocess.Popen([*ASSESS, str(path), *OPTIONS], stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout
        assert process.stderr
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(60) == 1


def test_the_command_starts_light() -> None:
    """Help needs none of the server's libraries, nor the rest of the collector."""
    code = "import sys, soakledger\ntry: soakledger.main(['assess', '--help'])\nfinally: print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "Usage:" in done.stdout
    loaded = set(done.stdout.splitlines()[-1].split())
    assert "collector.assess_command" in loaded
    assert not loaded & {
        "litestar",
        "paho",
        "sqlite_utils",
        "sqlite3",
        "plotly",
        "jinja2",
        "uvicorn",
        "numpy",
        "pandas",
    }
    assert not [name for name in loaded if name.startswith(("firmware", "dashboard", "collector.store"))]
