"""The demonstration's phones: where its notifications end, on this machine, so that they can be seen to arrive."""

from __future__ import annotations

import json
import queue
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from firmware.simulator.broker import LOOPBACK

PEOPLE = {"Jonas Beispielmann": "medium", "Supervisor on call": "high"}
"""Who is told, in this order, and of what at least. Invented."""

_MOST_BYTES = 65_536
_LONGEST_LINE = 160


class Phones:
    """A small web server that takes what the collector sends, and has a line for each.

    Attributes:
        lines: What arrived, for people.
    """

    def __init__(self) -> None:
        self.lines: queue.Queue[str] = queue.Queue()
        people, lines = list(PEOPLE), self.lines

        class Taken(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                number = self.path.strip("/")
                length = min(int(self.headers.get("Content-Length") or 0), _MOST_BYTES)
                body = self.rfile.read(length)
                known = number.isdigit() and int(number) < len(people)
                if known:
                    lines.put(f"phone of {people[int(number)]}: {_line(body)}")
                self.send_response(200 if known else 404)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *_: Any) -> None:
                """What arrives is told in the demonstration's own lines."""

        self._server = ThreadingHTTPServer((LOOPBACK, 0), Taken)
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, name="phones", daemon=True)
        self._thread.start()

    def settings(self, folder: Path) -> list[dict[str, str]]:
        """The list of people for the collector's settings; their files of routes are written into the folder."""
        port = self._server.server_address[1]
        found = []
        for number, (person, least) in enumerate(PEOPLE.items()):
            file = folder / f"notify-{number + 1}.txt"
            file.touch(mode=0o600)
            file.write_text(f"json://{LOOPBACK}:{port}/{number}\n", encoding="utf-8")
            found.append({"person": person, "urls_file": str(file), "least": least})
        return found

    def close(self) -> None:
        """Take nothing any more."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


def _line(body: bytes) -> str:
    """Title and first line of what came."""
    try:
        said = json.loads(body)
        text = f"{said['title']}: {str(said['message']).splitlines()[0]}"
    except (ValueError, KeyError, IndexError, TypeError):
        return "something that cannot be read"
    return text if len(text) <= _LONGEST_LINE else f"{text[:_LONGEST_LINE]}…"
