"""The furnished clinic asked at random, by what its own OpenAPI document says: schemathesis draws, in one process."""

from __future__ import annotations

import itertools
import json
import logging
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import requests
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis import APIOperation, Case, GenerationMode, Response
from schemathesis.core.result import Ok
from schemathesis.python import asgi
from schemathesis.specs.openapi import checks

from collector import sessions
from collector.rebuild import rebuild_folder
from collector.schema import FILE_NAME, connect
from collector.verify import verify
from tests.screens import furnished

HOST = "127.0.0.1:8080"
CONFORMS = [
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_headers_conformance,
    checks.response_schema_conformance,
]
_PROOFS = ("X-PIN", "X-Second-Badge", "X-Second-PIN")
"""Each costs a hash that is slow on purpose; a random one ends a request before it does anything."""


class Clinic:
    """The clinic of the screens' tests behind its real application.

    Args:
        data: An empty folder.

    Attributes:
        house: Its data and people.
        began: How many records there were before anything was asked.
        answers: How many answers there were of each status.
        faults: The errors behind answers of 500 and above, as they were logged.
        app: The application.
        document: Its OpenAPI document.
    """

    def __init__(self, data: Path) -> None:
        self.house, _ = furnished.furnish(data)
        self.began = self.house.records()
        self.answers: Counter[int] = Counter()
        self.faults: list[str] = []
        self.app = self.house.app()
        self._client = asgi.get_client(_elsewhere(self.app))
        self.document = self._client.get(f"http://{HOST}/schema/openapi.json").json()
        self.schema = schemathesis.openapi.from_dict(self.document)
        self.known = self._known()
        self.said = self._said()

    def operations(self) -> list[APIOperation[Any, Any, Any, Any]]:
        """All of them, in the order of the document."""
        return [each.ok() for each in self.schema.get_all_operations() if isinstance(each, Ok)]

    def sign_in(self) -> str:
        """As somebody of every role that records, with a second factor; what their cookie says."""
        db = connect(self.house.data / FILE_NAME)
        now_ms = self.house.now_ms
        token = sessions.begin(db.conn, furnished.EVERYBODY, now_ms, idle_ms=sessions.PASSWORD_IDLE_MS, proven=True)
        db.close()
        return f"soakledger={token}"

    def ask(self, case: Case[Any], cookie: str | None) -> Response:
        """Send it."""
        self._client.cookies.clear()
        answer = case.call(
            base_url=f"http://{HOST}", session=self._client, headers={"Cookie": cookie} if cookie else None
        )
        self.answers[answer.status_code] += 1
        return answer

    def send(self, method: str, url: str, body: bytes | None, headers: dict[str, str]) -> requests.Response:
        """Send anything, whatever the document says."""
        self._client.cookies.clear()
        return self._client.request(method, url, data=body, headers=headers, allow_redirects=False)

    def fuzz(self, operation: APIOperation[Any, Any, Any, Any], examples: int, *, signed_in: bool = True) -> None:
        """Ask one operation so often, mostly with what fits its description, one in four with what does not.

        Raises:
            AssertionError: A fault of the program, or an answer that the document does not describe.
        """
        cookie = self.sign_in() if signed_in else None
        described = operation.definition.raw["responses"]

        @settings(
            max_examples=examples,
            derandomize=True,
            database=None,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            phases=settings.get_profile("default").phases,
        )
        @given(_cases(operation, self.known, self.said.get(operation.path.rpartition("/")[2], [])))
        def ask(case: Case[Any]) -> None:
            before = len(self.faults)
            answer = self.ask(case, cookie)
            told = "\n".join(self.faults[before:])
            assert not at_fault(answer.status_code, described), (
                f"{operation.label}: {answer.status_code}\n{case.as_curl_command()}\n{told}"
            )
            case.validate_response(answer, checks=CONFORMS)

        ask()

    def aftermath(self) -> list[str]:
        """What does not hold after all that was asked: pages that cannot be shown, records that do not verify."""
        cookie, wrong = self.sign_in(), []
        for path in sorted({route.path for route in self.app.routes}):
            if "{" not in path and path not in ("/live", "/api/sign-out"):
                answer = self.send("GET", f"http://{HOST}{path}", None, {"Cookie": cookie, "Accept": "text/html"})
                if at_fault(answer.status_code):
                    wrong.append(f"{path}: {self.faults[-1]}")
        if (held := verify(self.house.data, processes=1)).wrong:
            wrong.append(str(held.wrong))
        rebuilt = rebuild_folder(self.house.data, keep=False)
        return wrong + [f"{table} does not follow from the ledger" for table in rebuilt.differing]

    def _said(self) -> dict[str, list[dict[str, Any]]]:
        """By deed, what people have said in it so far."""
        found: dict[str, list[dict[str, Any]]] = {}
        for kind, body in self.house.ask("SELECT kind, body FROM ledger WHERE who <> 'collector' ORDER BY number DESC"):
            if said := json.loads(body).get("said"):
                found.setdefault(kind, []).append(said)
        return found

    def _known(self) -> dict[str, list[str]]:
        """Names that exist, by the field that asks for them: what is drawn otherwise names nothing."""
        found = {
            "basin": ["n1/b1", "n1/b2", "n2/b1", "n2/b2", "n3/b1"],
            "node": ["n1", "n2", "n3"],
            "sensor": [f"28-{number:012x}" for number in (1, 2, 3)],
            "since": ["1772500000000", "2026-03-03T00:00:00Z", "0"],
            "until": ["1772540280000", "2026-03-04T00:00:00+01:00", str(2**53)],
            "last": ["8h", "15m", "2026-03-03", "9999d"],
            "first": ["1", "2026-03-01"],
            "day": ["2026-03-03", "2026-03-29", "9999-12-31", "0001-01-01"],
            "verdict": ["met", "not met", "unproven"],
            "paper": ["a4", "letter"],
            "limit": ["1", "1000"],
            "closure": [],
        }
        for kind, thing in self.house.ask("SELECT kind, id FROM thing"):
            found.setdefault(kind.replace("-", "_"), []).append(thing)
            found.setdefault("thing_id", []).append(thing)
        found["test"], found["person"] = found["mec_test"], [*found["person"], "nobody"]
        for stream, number in self.house.ask("SELECT stream, c.first FROM closure c JOIN stream s ON s.id = stream_id"):
            found["closure"].append(f"{stream}:{number}")
        found["closure_id"] = ["1", "22", "9" * 30]
        found["alarm_id"], found["name"] = found["alarm"], ["b1", "b2", "loads.csv"]
        return found


def _elsewhere(app: Any) -> asgi.ASGIApp:
    """Each request comes from another address, so that no limit on an address ends the test."""
    numbers = itertools.count(1)

    async def ask(scope: asgi.Scope, receive: asgi.Receive, send: asgi.Send) -> None:
        if scope["type"] == "http":
            number = next(numbers)
            scope["client"] = (f"10.{number >> 16 & 255}.{number >> 8 & 255}.{number & 255}", 50_000)
        await app(scope, receive, send)

    return ask


def at_fault(status: int, described: Iterable[str] = ()) -> bool:
    """An answer that says that this program is at fault; "cannot at present" is one where nobody described it."""
    return status >= 500 and str(status) not in described


@contextmanager
def clinic(data: Path) -> Iterator[Clinic]:
    """A clinic that is asked; the errors that its application logs are kept."""
    opened = Clinic(data)

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            text = logging.Formatter().formatException(record.exc_info) if record.exc_info else ""
            opened.faults.append(f"{record.getMessage()}\n{text}")

    keep, log = Keep(logging.ERROR), logging.getLogger("dashboard")
    log.addHandler(keep)
    try:
        with furnished.well(data):
            yield opened
    finally:
        log.removeHandler(keep)
        asgi.shutdown_lifespans()


@st.composite
def _cases(
    draw: st.DrawFn,
    operation: APIOperation[Any, Any, Any, Any],
    known: dict[str, list[str]],
    said: list[dict[str, Any]],
) -> Case[Any]:
    """As the document describes it or against it, mostly with names that exist; or nearly as it was said before."""
    mode = draw(st.sampled_from((*[GenerationMode.POSITIVE] * 3, GenerationMode.NEGATIVE)))
    case: Case[Any] = draw(operation.as_strategy(generation_mode=mode))
    if draw(st.integers(0, 7)):
        for header in _PROOFS:
            case.headers.pop(header, None)
    if draw(st.integers(0, 3)):
        case.path_parameters = _named(draw, case.path_parameters, known)
        case.query = _named(draw, case.query, known)
        if isinstance(case.body, dict | list):
            case.body = _named(draw, case.body, known)
    if said and isinstance(case.body, dict) and draw(st.booleans()):
        drawn = {name: case.body[name] for name in case.body if not draw(st.integers(0, 2))}
        case.body = draw(st.sampled_from(said)) | drawn
    return case


def _named(draw: st.DrawFn, given: Any, known: dict[str, list[str]], field: str = "") -> Any:
    if isinstance(given, dict):
        return {name: _named(draw, each, known, str(name)) for name, each in given.items()}
    if isinstance(given, Sequence) and not isinstance(given, str | bytes):
        return [_named(draw, each, known, field.removesuffix("s")) for each in given]
    if isinstance(given, str) and (names := known.get(field)):
        return draw(st.sampled_from(names))
    return given
