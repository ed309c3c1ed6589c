"""Runs in the fresh machine, by its own Python: does what the README says and looks at what came of it."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

CHECKOUT = Path("/soakledger")
_FOR_S = 900


def say(line: str) -> None:
    print(line, flush=True)


def demo(options: list[str]) -> int:
    """Until its page answers 200; then it is ended as somebody ends it, by Ctrl-C."""
    began = time.monotonic()
    running = subprocess.Popen(
        ["./run", "demo", *options], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    )
    assert running.stdout
    status = None
    for line in running.stdout:
        say(f"  | {line.rstrip()}")
        if status is None and (found := re.search(r"http://127\.0\.0\.1:\d+/", line)):
            with urllib.request.urlopen(found[0], timeout=_FOR_S) as answer:  # noqa: S310 - http, as matched
                status, page = answer.status, answer.read()
            say(f"The page answers {status} with {len(page)} bytes, {time.monotonic() - began:.0f} s after ./run demo")
            running.send_signal(signal.SIGINT)
    ended = running.wait()
    say(f"./run demo ended with {ended}")
    return 0 if status == 200 and ended == 0 else 1


def test(arguments: list[str]) -> int:
    return subprocess.run(["./run", "test", *arguments], check=False).returncode


def install(arguments: list[str]) -> int:
    """Both parts, or those that are named; then every file that there should be, and what systemd says of the units."""
    parts = [each for each in arguments if not each.startswith("-")] or ["collector", "node"]
    options = [each for each in arguments if each.startswith("-")]
    for part in parts:
        say(f"./run install {part} {' '.join(options)}")
        done = subprocess.run(["./run", "install", part, *options], check=False).returncode
        if done:
            say(f"./run install {part} ended with {done}")
            return done
    return max(_files(parts), _units())


_ALWAYS = (
    ("opt/soakledger/current/venv/bin/soakledger", None),
    ("usr/local/bin/soakledger", None),
    ("etc/systemd/system/soakledger-recover.service", 0o644),
)
_OF = {
    "collector": (
        ("etc/soakledger/collector.toml", 0o640),
        ("etc/soakledger/dashboard.toml", 0o640),
        ("etc/soakledger/collector.password", 0o640),
        ("etc/soakledger/tls/ca.pem", None),
        ("etc/soakledger/tls/broker.pem", None),
        ("etc/soakledger/tls/broker.key", 0o640),
        ("etc/soakledger/tls/pages.pem", None),
        ("etc/soakledger/tls/pages.key", 0o640),
        ("etc/soakledger/authority/ca.key", 0o600),
        ("etc/soakledger/broker/passwords", 0o640),
        ("etc/soakledger/broker/acl", 0o640),
        ("etc/mosquitto/conf.d/soakledger.conf", None),
        ("etc/systemd/system/soakledger-collector.service", 0o644),
        ("etc/systemd/system/soakledger-dashboard.service", 0o644),
        ("etc/systemd/system/soakledger-certificates.service", 0o644),
        ("etc/systemd/system/soakledger-certificates.timer", 0o644),
        ("var/lib/soakledger/collector", 0o700),
        ("var/lib/soakledger/backups", 0o700),
    ),
    "node": (
        ("etc/soakledger/node.toml", 0o640),
        ("etc/systemd/system/soakledger-node.service", 0o644),
        ("var/lib/soakledger/node", 0o700),
    ),
}


def _files(parts: list[str]) -> int:
    wrong = 0
    for name, mode in (*_ALWAYS, *(each for part in parts for each in _OF[part])):
        path = Path("/") / name
        if not path.exists():
            found = "MISSING"
        else:
            is_mode = path.stat().st_mode & 0o777
            found = f"{is_mode:04o} {path.owner()}:{path.group()}"
            if mode is not None and is_mode != mode:
                found += f", NOT {mode:04o}"
        wrong += not path.exists() or "NOT" in found
        say(f"  {found:28} /{name}")
    say("Every file is in place" if not wrong else f"{wrong} files are not as they should be")
    return 1 if wrong else 0


def _units() -> int:
    units = sorted(Path("/etc/systemd/system").glob("soakledger-*.*"))
    done = subprocess.run(
        ["systemd-analyze", "verify", *map(str, units)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    say(f"systemd-analyze verify of {len(units)} units: {done.returncode}, {done.stdout.strip() or 'nothing to say'}")
    return 1 if done.returncode else 0


if __name__ == "__main__":
    assert shutil.which("python3")
    sys.exit({"demo": demo, "test": test, "install": install}[sys.argv[1]](sys.argv[2:]))
