"""What the OpenAPI document describes is so, and nothing that anybody sends ends in a fault of the program's own."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from fuzzkit import HOST, Clinic, at_fault, clinic

EXAMPLES = 2
"""Of each operation, here; `python -m tests.dashboard.fuzz_openapi` asks as often as it is told to."""
PARTS = 6
ODD = ("%00", "%ED%A0%80", "x" * 5_000, "9" * 400, "..%2f..", "n1%0a")
"""In the place of a name: a null byte, half of a character, too long, too great, a way out, a line end."""
QUERIES = (
    "since=%00&until=%ED%A0%80",
    "limit=" + "9" * 5_000,
    "a" * 60_000,
    "&".join(f"a{number}=1" for number in range(3_000)),
    "since=1e999&last=9999999999999999d",
    "basin=n1/b1&basin=n1/b2&offset=-1",
    "day=9999-12-31",
    "first=0001-01-01&last=9999-12-31",
    "%",
)
BODIES = (
    b"",
    b"{",
    b"null",
    b"\x00",
    b"\xff\xfe",
    b'{"note": "\\ud800", "id": "\\ud800", "secret": "\\ud800", "current": "\\ud800"}',
    b'{"badge": "\\ud83d", "pin": "\\u0000"}',
    b'{"at_ms": ' + b"9" * 5_000 + b"}",
    b'{"min_mc": 1e400}',
    b"[" * 100_000,
)
KINDS = ("", "text/plain", "multipart/form-data", "application/json; charset=utf-16", "x" * 5_000)
FORMS = (
    b"note=%00",
    b"once=%ED%A0%80&person=%ED%A0%80&password=%ED%A0%80&badge=%ED%A0%80",
    b"%&&&=",
    b"at=9999-12-31T23:59",
)


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Clinic]:
    """One clinic for all: what the requests do to it is part of the matter."""
    with clinic(tmp_path_factory.mktemp("asked") / "data") as opened:
        yield opened


@pytest.mark.parametrize("part", range(PARTS))
def test_every_operation_answers_as_described(asked: Clinic, part: int) -> None:
    """Drawn from the document by schemathesis, signed in as everybody at once."""
    for operation in asked.operations()[part::PARTS]:
        asked.fuzz(operation, EXAMPLES)


def test_nobody_gets_an_answer_that_is_not_described(asked: Clinic) -> None:
    """The same without being signed in: deeds are refused before anything of them is looked at, so fewer do."""
    for operation in asked.operations()[::8]:
        asked.fuzz(operation, 2, signed_in=False)


def test_the_document_describes_problems_as_they_are_answered(asked: Clinic) -> None:
    """The framework would describe an answer of its own that nobody ever gets."""
    for path, operations in asked.document["paths"].items():
        for operation in operations.values():
            assert "400" not in operation["responses"], path
            assert len(operation["responses"]["default"]["content"]["application/json"]["schema"]["anyOf"]) == 2
    schemas = asked.document["components"]["schemas"]
    assert set(schemas["ProblemBody"]["properties"]) == {"status", "text"}
    assert set(schemas["RefusalBody"]["properties"]) == {"status", "rule", "text", "next_step"}


def routes(asked: Clinic) -> list[tuple[str, str]]:
    """Method and path of every route of the application, pages and forms among them, but the stream without an end."""
    found = [
        (method, re.sub(r"\{(\w+):\w+\}", r"{\1}", route.path))
        for route in asked.app.routes
        for method in sorted(getattr(route, "methods", set()) - {"OPTIONS", "HEAD"})
        if route.path != "/live"
    ]
    assert len(found) > 150
    return found


def test_odd_names_and_queries_end_in_no_fault(asked: Clinic) -> None:
    cookie = asked.sign_in()
    for number, (method, path) in enumerate(routes(asked)):
        if method != "GET":
            continue
        if "{" in path:
            _well(asked, "GET", re.sub(r"\{\w+\}", ODD[number % len(ODD)], path), cookie)
        known = re.sub(r"\{\w+\}", "1", path.replace("{node}/{name}", "n1/b1"))
        for query in QUERIES[number % 3 :: 3]:
            _well(asked, "GET", f"{known}?{query}", cookie)


def test_odd_bodies_and_kinds_end_in_no_fault(asked: Clinic) -> None:
    for number, (method, path) in enumerate(routes(asked)):
        if method == "GET":
            continue
        cookie = asked.sign_in()  # one of them signs out
        known = re.sub(r"\{\w+\}", "hand-over", path)
        json = path.startswith("/api/")
        for body in (BODIES if json else FORMS)[number % 2 :: 2]:
            kind = "application/json" if json else "application/x-www-form-urlencoded"
            _well(asked, method, known, cookie, body, kind)
        _well(asked, method, known, cookie, b"{}", KINDS[number % len(KINDS)])


@pytest.mark.parametrize(
    "path", ["/" + "a" * 70_000, "/%00", "/%ff%fe", "/%ed%a0%80", "/static/..%2f..%2fapp.py", "/static/%00"]
)
def test_odd_paths_are_not_found(asked: Clinic, path: str) -> None:
    assert _well(asked, "GET", path, None).status_code == 404


@pytest.mark.parametrize(
    ("header", "content"),
    [("Cookie", "soakledger=\xff"), ("Cookie", "a" * 9_000), ("Host", "["), ("Host", "\xff"), ("Origin", "\xff")],
)
def test_odd_headers_end_in_no_fault(asked: Clinic, header: str, content: str) -> None:
    for path in ("/", "/api/me"):
        _well(asked, "GET", path, None, more={header: content})


def test_afterwards_every_page_is_shown_and_the_ledger_holds(asked: Clinic) -> None:
    """Whatever the requests before have recorded."""
    assert asked.aftermath() == []


def _well(
    asked: Clinic,
    method: str,
    path: str,
    cookie: str | None,
    body: bytes | None = None,
    kind: str = "",
    more: dict[str, str] | None = None,
) -> Any:
    headers = {**({"Cookie": cookie} if cookie else {}), **({"Content-Type": kind} if kind else {}), **(more or {})}
    before = len(asked.faults)
    answer = asked.send(method, f"http://{HOST}{path}", body, headers)
    assert not at_fault(answer.status_code), f"{method} {path[:200]} {body!r:.100}: {asked.faults[before:]}"
    return answer
