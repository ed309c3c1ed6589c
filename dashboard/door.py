"""The door: who is signed in at a browser, and no request that another page makes in their name."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Any, NamedTuple

from litestar import Request
from litestar.connection import ASGIConnection
from litestar.datastructures import Headers
from litestar.enums import ScopeType
from litestar.types import ASGIApp, Receive, Scope, Send

from collector import browsers, sessions
from collector.errors import DataError
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.things import Person
from dashboard import cookies
from dashboard.addresses import Addresses, is_loopback
from dashboard.desks import Desks, NotWrittenError
from dashboard.store import NotReadyError
from dashboard.texts import _

SIGN_IN = "/sign-in"
_ALWAYS_OPEN = (
    SIGN_IN,
    "/api/sign-in",
    "/static/",
    "/health",
    "/about",
    "/help",
    "/robots.txt",
    "/start/scan",
    "/scan",
)
"""What answers who is not signed in where looking takes it; a scan may be the badge that signs in."""
PERSONAL = (
    *("/people", "/people/", "/me", "/record", "/record/", "/review", "/api/ledger"),
    *("/audit", "/audit/", "/look-backs", "/look-backs/", "/api/look-back-lists/"),
    *("/evidence", "/evidence/", "/report", "/report/"),
    *("/api/things/{kind}/{thing_id}/history", "/api/pictures/"),
)
"""What takes somebody who is signed in even where looking is open: who works here and what they wrote, which encounters
devices came from and went to, and papers with both. One ending in a slash stands for all below it.

A screen on the wall needs none of it: it shows basins, trends, alarms, solutions, devices and their soaks. Device and
closure pages, and things for programs, leave encounters out where nobody is signed in (`things_api.py`).
"""

METRICS = "/metrics"
_PASSED_ON = ("forwarded", "x-forwarded-for", "x-real-ip")
_SAFE = ("GET", "HEAD", "OPTIONS")
_JSON, _PICTURES = "application/json", "/api/pictures"
_STATE = "signed"
_TOUCH_PATIENCE_MS = 200


class Signed(NamedTuple):
    """Somebody who is signed in at the browser that asks.

    Attributes:
        person: Who, as they are at present.
        second_factor: They have given PIN or password a short while ago.
        token: Of their session: never goes into an answer other than its cookie.
        browser: The digest of the token that their browser brings, whatever it is worth.
    """

    person: Person
    second_factor: bool
    token: str
    browser: str = ""

    @property
    def form_token(self) -> str:
        """What their forms carry."""
        return sessions.form_token(self.token)


class ForeignRequestError(RefusedError):
    """Another site's page made the browser send this."""

    def __init__(self) -> None:
        super().__init__(
            "foreign-request",
            _("The browser says that another site's page sent this. Nothing was done."),
            _("Open this site itself and do it there."),
        )


class NotSignedInError(RefusedError):
    """This takes somebody who is signed in."""

    def __init__(self) -> None:
        super().__init__("not-signed-in", _("Nobody is signed in."), _("Scan a badge, then do it again."))


def _passed_on(address: str, headers: Headers) -> bool:
    """A server on this machine that is not among the trusted ones makes everybody look like this machine itself."""
    return is_loopback(address) and any(name in headers for name in _PASSED_ON)


class Doorkeeper:
    """Knows who is signed in.

    Args:
        desks: The record.
        now_ms: The real clock, also in a rehearsal.
    """

    def __init__(self, desks: Desks, now_ms: Callable[[], int]) -> None:
        self._desks, self._now_ms = desks, now_ms

    async def recognise(self, scope: Scope, *, used: bool) -> Signed | None:
        """Who asks, also for templates. Only what a person does keeps a session awake, not what a page asks by itself.

        Args:
            scope: Of the request.
            used: A person did this.
        """
        signed = await self._signed(scope, Headers.from_scope(scope), used=used)
        scope.setdefault("state", {})[_STATE] = signed
        return signed

    async def _signed(self, scope: Scope, headers: Headers, *, used: bool) -> Signed | None:
        token = cookies.given(headers, cookies.session_name(scope["scheme"]))
        if not token or scope["path"].startswith("/static/"):
            return None
        now_ms = self._now_ms()
        try:
            session = await self._desks.look(lambda connection: sessions.find(connection, token, now_ms))
        except (NotReadyError, DataError):
            return None  # whoever asks for data is told why there are none
        if session is None:
            return None
        if used and session.stale:
            await self._touch(token, now_ms)
        browser = browsers.digest(cookies.given(headers, cookies.browser_name(scope["scheme"])))
        return Signed(session.person, session.second_factor, token, browser)

    async def _touch(self, token: str, now_ms: int) -> None:
        try:
            await self._desks.write(lambda desk: _touch(desk, token, now_ms))
        except (NotWrittenError, DataError, sqlite3.Error):
            return  # pages can be read with a full disk; the session only ends earlier


class Door:
    """Middleware: finds out who is signed in, and refuses what another site's page sends.

    Args:
        app: What is behind the door.
        keeper: Knows who is signed in.
        closed: Looking, too, takes somebody who is signed in.
        metrics_from: From where metrics are answered to whoever asks.
    """

    def __init__(
        self,
        app: ASGIApp,
        keeper: Doorkeeper,
        *,
        closed: bool,
        metrics_from: Addresses = Addresses(()),  # noqa: B008
    ) -> None:
        self._app, self._keeper, self._closed, self._metrics_from = app, keeper, closed, metrics_from

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the request through or refuse it."""
        if scope["type"] == ScopeType.HTTP:
            headers = Headers.from_scope(scope)
            unsafe = scope["method"] not in _SAFE
            if unsafe:
                refuse_foreign(headers)
                _refuse_disguised(scope["path"], headers)
            looked = "text/html" in headers.get("accept", "") and not cookies.given(headers, cookies.BY_ITSELF)
            used = unsafe or looked
            signed = await self._keeper.recognise(scope, used=used)
            if signed is None and not self._is_open(scope):
                raise NotSignedInError
        await self._app(scope, receive, send)

    def _is_open(self, scope: Scope) -> bool:
        """It is answered to whoever asks."""
        path = scope["path_template"]  # of the route that was found, however the address is written
        if path == METRICS:
            address = (scope.get("client") or ("",))[0]
            return address in self._metrics_from and not _passed_on(address, Headers.from_scope(scope))
        if any(path.startswith(each) if each.endswith("/") else path == each for each in PERSONAL):
            return False
        return not self._closed or path.startswith(_ALWAYS_OPEN)


def signed_in(connection: ASGIConnection[Any, Any, Any, Any]) -> Signed | None:
    """Who is signed in at the browser that asks; also for templates, whose pages may be of addresses that are not."""
    found = connection.scope.get("state", {}).get(_STATE)
    return found if isinstance(found, Signed) else None


def came_in(scope: Scope) -> bool:
    """The request came through the door; one of an unknown address does not."""
    return _STATE in scope.get("state", {})


def entered(request: Request[Any, Any, Any], signed: Signed | None) -> None:
    """Somebody has signed in by this very request: its page is theirs, from the top to the form's token."""
    request.scope.setdefault("state", {})[_STATE] = signed


def someone(request: Request[Any, Any, Any]) -> Signed:
    """Who is signed in.

    Raises:
        NotSignedInError: Nobody.
    """
    signed = signed_in(request)
    if signed is None:
        raise NotSignedInError
    return signed


def somebody(connection: ASGIConnection[Any, Any, Any, Any], _: object) -> None:
    """A guard: it takes somebody who is signed in, before the body is looked at.

    Raises:
        NotSignedInError: Nobody is.
    """
    if signed_in(connection) is None:
        raise NotSignedInError


def address_of(request: Request[Any, Any, Any]) -> str:
    """Where a request comes from."""
    return request.client.host if request.client else ""


def browser_token(request: Request[Any, Any, Any]) -> str:
    """The token that the browser brings, whatever it is worth; empty without."""
    return cookies.given(request.headers, cookies.browser_name(request.scope["scheme"]))


def refuse_foreign(headers: Headers) -> None:
    """A page of another site must not act in the name of whoever is signed in here.

    Browsers say where a request comes from: Sec-Fetch-Site over TLS and on this machine, Origin always. A program
    says neither, and has no cookie but its own.

    Raises:
        ForeignRequestError: It is another site's.
    """
    site, origin = headers.get("sec-fetch-site"), headers.get("origin")
    if site is not None and site not in ("same-origin", "none"):
        raise ForeignRequestError
    if origin is not None and origin.partition("://")[2].lower() != headers.get("host", "").lower():
        raise ForeignRequestError


def _refuse_disguised(path: str, headers: Headers) -> None:
    """A form of another site can send text, but no JSON without being asked for leave first."""
    if not path.startswith("/api/") or path.startswith(_PICTURES):
        return
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    empty = headers.get("content-length", "0") == "0" and "transfer-encoding" not in headers
    if kind != _JSON and not (empty and not kind):
        raise RefusedError(
            "not-json",
            _("The body is {kind}.").format(kind=kind[:60]) if kind else _("The body is of no kind."),
            _("Send JSON, with Content-Type: {kind}.").format(kind=_JSON),
        )


def _touch(desk: Desk, token: str, now_ms: int) -> None:
    """Whoever only looks does not wait for those who write."""
    desk.connection.execute(f"PRAGMA busy_timeout = {_TOUCH_PATIENCE_MS}")
    sessions.touch(desk.connection, token, now_ms)
