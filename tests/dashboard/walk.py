"""Every address of the real application, and people and strangers who ask for it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import ExitStack
from typing import Any

import msgspec
from doorkit import ADA, HOST, OLGA, PEOPLE, SAM, TINA, TOM, Browser, House
from litestar import Litestar
from litestar.routes import HTTPRoute
from litestar.testing import TestClient

from collector import sessions
from collector.schema import FILE_NAME, connect

VALUES = {
    "node": "n1",
    "name": "b1",
    "kind": "pin",
    "person": TOM,
    "day": "2026-03-03",
    "sha256": "0" * 64,
    "closure_id": "1",
    "number": "1",
}
"""What stands in an address; `x` for anything else."""

NEVER_ENDS = "/live"
SAFE = {"GET", "HEAD", "OPTIONS"}


def routes(app: Litestar) -> Iterator[tuple[str, str]]:
    """Method and path of every route; what the framework answers of itself is left out."""
    for route in app.routes:
        if isinstance(route, HTTPRoute):
            for handler in route.route_handlers:
                for method in sorted(handler.http_methods - {"OPTIONS", "HEAD"}):
                    yield str(method), route.path


def address(path: str) -> str:
    """A path with something in each of its places."""
    values = {**VALUES, "name": "hand-over"} if path == "/do/{name:str}" else VALUES
    return re.sub(r"\{(\w+):\w+\}", lambda each: values.get(each[1], "x"), path)


class Visitors:
    """Browsers of everybody, of somebody who has left and of one without a role, at an open and at a closed house.

    Args:
        house: Where; two people more are put into it.
        stack: Closes them.
    """

    def __init__(self, house: House, stack: ExitStack) -> None:
        self._house = house
        self._apps = {closed: self._entered(stack, closed) for closed in (False, True)}
        house.put(
            msgspec.structs.replace(PEOPLE[TOM], id="gone", name="Gone", active=False),
            msgspec.structs.replace(PEOPLE[TOM], id="idle", name="Idle", roles=()),
        )
        self._database = connect(house.data / FILE_NAME)
        self._database.execute("PRAGMA synchronous = OFF")
        stack.callback(self._database.close)
        self._tokens: dict[str, str] = {}

    def _entered(self, stack: ExitStack, closed: bool) -> Browser:
        app = self._house.app(require_sign_in=closed)
        browser = stack.enter_context(TestClient(app, base_url=f"http://{HOST}", raise_server_exceptions=False))
        browser.follow_redirects = False
        return browser

    @property
    def app(self) -> Litestar:
        return self._apps[False].app

    def session(self, who: str) -> str:
        """A new session of somebody."""
        return sessions.begin(self._database.conn, who, self._house.now_ms, idle_ms=36_000_000, proven=True)

    def _known(self, who: str) -> str:
        """A session of theirs that nothing ends."""
        if who not in self._tokens:
            self._tokens[who] = self.session(who)
        return self._tokens[who]

    def ask(self, method: str, path: str, who: str = "", *, closed: bool = False, **more: Any) -> Any:
        """What somebody is answered; by an empty form or an empty JSON object where it is no question."""
        browser = self._apps[closed]
        browser.cookies.clear()
        if who:
            token = self._known(who) if method in SAFE else self.session(who)
            browser.cookies.set("soakledger", token, domain="127.0.0.1", path="/")
        if method not in SAFE and "content" not in more and "data" not in more:
            more |= {"json": {}} if path.startswith("/api/") else {"data": {"a": "b"}}
        return browser.request(method, address(path), **more)


def let_in(answer: Any) -> bool:
    """Neither sent to sign in nor refused for one's roles; whatever else is said."""
    sent_away = answer.status_code == 303 and answer.headers["location"].startswith("/sign-in?next=")
    return not sent_away and answer.status_code not in (401, 403)


EVERYBODY = (TINA, SAM, ADA, OLGA)
