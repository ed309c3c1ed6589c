"""Anything that goes wrong in a request, as a page for people and as JSON for programs."""

from __future__ import annotations

import logging
from http import HTTPStatus
from typing import Any
from urllib.parse import quote

from litestar import Litestar, Request, Response
from litestar.exceptions import HTTPException, InternalServerException, ValidationException
from litestar.response import Redirect, Template
from litestar.types import ASGIApp, Receive, Scope, Send

from collector.errors import DataError
from collector.page import DamagedPageError
from collector.record.errors import RefusedError
from dashboard.answers import RefusalBody
from dashboard.desks import NotWrittenError
from dashboard.door import SIGN_IN, Doorkeeper, NotSignedInError, came_in
from dashboard.problem_words import for_people
from dashboard.query import MissingError, QueryError
from dashboard.shapes import ProblemBody
from dashboard.store import NotReadyError
from dashboard.texts import N_, _

log = logging.getLogger(__name__)
AnyRequest = Request[Any, Any, Any]


class ProblemPage(Template):
    """A problem as a page, for whoever is signed in; a request that has no route has not come through the door."""

    def to_asgi_response(  # type: ignore[override]  # what answers it is only known once the record has been asked
        self, app: Litestar | None, request: AnyRequest, **given: Any
    ) -> ASGIApp:
        """As of any page, but who asks is found out first."""

        async def answer(scope: Scope, receive: Receive, send: Send) -> None:
            if not came_in(scope):
                keeper: Doorkeeper = request.app.state.keeper
                await keeper.recognise(scope, used=True)
            page = super(ProblemPage, self).to_asgi_response(app, request, **given)
            await page(scope, receive, send)

        return answer


class RefusedHostError(Exception):
    """The request came under a name that is not ours."""

    def __init__(self, host: str) -> None:
        super().__init__(
            _(
                "This server does not answer to the name {name}. Use the address it printed when it started, or start "
                "it with --allow-host NAME (`names` in dashboard.toml)."
            ).format(name=repr(host[:100]))
        )


_STATUS: dict[type[Exception], HTTPStatus] = {
    QueryError: HTTPStatus.BAD_REQUEST,
    RefusedHostError: HTTPStatus.MISDIRECTED_REQUEST,
    MissingError: HTTPStatus.NOT_FOUND,
    NotReadyError: HTTPStatus.SERVICE_UNAVAILABLE,
    NotWrittenError: HTTPStatus.SERVICE_UNAVAILABLE,
    DataError: HTTPStatus.SERVICE_UNAVAILABLE,
    DamagedPageError: HTTPStatus.INTERNAL_SERVER_ERROR,
}
_RULES = {
    "not-signed-in": HTTPStatus.UNAUTHORIZED,
    "unknown-badge": HTTPStatus.UNAUTHORIZED,
    "wrong-secret": HTTPStatus.UNAUTHORIZED,
    "role": HTTPStatus.FORBIDDEN,
    "second-factor": HTTPStatus.FORBIDDEN,
    "temporary": HTTPStatus.FORBIDDEN,
    "foreign-request": HTTPStatus.FORBIDDEN,
    "not-json": HTTPStatus.UNSUPPORTED_MEDIA_TYPE,
    "malformed": HTTPStatus.UNPROCESSABLE_ENTITY,
    "too-many-tries": HTTPStatus.TOO_MANY_REQUESTS,
    "one-at-a-time": HTTPStatus.TOO_MANY_REQUESTS,
    "not-written": HTTPStatus.SERVICE_UNAVAILABLE,
}
"""Which status a refusal has by its rule; any other rule of the record is a conflict with what is recorded."""

_HEADINGS = {
    HTTPStatus.BAD_REQUEST: N_("That cannot be asked"),
    HTTPStatus.NOT_FOUND: N_("Not found"),
    HTTPStatus.METHOD_NOT_ALLOWED: N_("That is not possible here"),
    HTTPStatus.MISDIRECTED_REQUEST: N_("Not under this name"),
    HTTPStatus.SERVICE_UNAVAILABLE: N_("The data cannot be read at present"),
}
_FIELDS = N_("The fields stand in /schema/openapi.json.")
_WENT_AWAY = "client disconnected prematurely"
"""What the framework says where a request breaks off within its body; nobody hears the answer."""
_FOR_PROGRAMS = ("/api/", "/schema", "/health", "/metrics", "/live", "/static/")


def answer_problem(request: AnyRequest, error: Exception) -> Response[Any] | Template:
    """Answer with what happened and what to do; details of our own faults go to the log only."""
    if isinstance(error, ValidationException) and request.method != "GET":
        error = _malformed(error)
    if isinstance(error, RecursionError) and request.method != "GET":
        error = RefusedError("malformed", _("The body is nested too deeply."), _(_FIELDS))
    if isinstance(error, RefusedError):
        return _answer_refusal(request, error)
    status, text = _status_and_text(request, error)
    headers = {"Retry-After": "5"} if status is HTTPStatus.SERVICE_UNAVAILABLE else {}
    if _for_programs(request):
        body = ProblemBody(status.value, text)
        return Response(body, status_code=status.value, media_type="application/json", headers=headers)
    if isinstance(error, HTTPException):
        text = for_people(status, request.url.path) or text
    not_ready = isinstance(error, NotReadyError)
    context = {
        "title": _("No data yet") if not_ready else _(_HEADINGS.get(status, N_("Something went wrong"))),
        "text": text,
        "not_ready": not_ready,
        # What was sent would not be sent again: whoever sent it goes back to their form.
        "retry": status is HTTPStatus.SERVICE_UNAVAILABLE and request.method == "GET",
    }
    return ProblemPage("problem.html", context=context, status_code=status.value, headers=headers)


def refusal_status(error: RefusedError) -> HTTPStatus:
    """The HTTP status of a refusal."""
    return _RULES.get(error.rule, HTTPStatus.CONFLICT)


def _answer_refusal(request: AnyRequest, error: RefusedError) -> Response[Any] | Template:
    status = refusal_status(error)
    if _for_programs(request):
        body = RefusalBody(status.value, error.rule, error.text, error.next_step)
        return Response(body, status_code=status.value, media_type="application/json")
    if isinstance(error, NotSignedInError):
        here = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return Redirect(f"{SIGN_IN}?next={quote(here if request.method == 'GET' else '/')}", status_code=303)
    if error.rule == "malformed":
        error = RefusedError(error.rule, for_people(status, request.url.path), "")
    context = {"title": _("Not done"), "text": f"{error.text} {error.next_step}", "not_ready": False, "retry": False}
    return ProblemPage("problem.html", context=context, status_code=status.value)


def _malformed(error: ValidationException) -> RefusedError:
    """What a body cannot be used for, with the place."""
    found = [each for each in error.extra or [] if isinstance(each, dict)] if isinstance(error.extra, list) else []
    places = [f"{each.get('message')} – at {each.get('key')}" for each in found]
    text = _("The body cannot be used: {problem}.").format(problem="; ".join(places) or error.detail)
    return RefusedError("malformed", text, _(_FIELDS))


def _for_programs(request: AnyRequest) -> bool:
    return f"{request.url.path}/".startswith(_FOR_PROGRAMS)


def _status_and_text(request: AnyRequest, error: Exception) -> tuple[HTTPStatus, str]:
    for kind, status in _STATUS.items():
        if isinstance(error, kind):
            if status is HTTPStatus.INTERNAL_SERVER_ERROR:
                log.error("%s: %s", request.url.path, error)
            return status, str(error)
    if isinstance(error, HTTPException) and error.status_code < 500:
        status = HTTPStatus(error.status_code)
        return status, _http_text(request, status, error)
    if isinstance(error, InternalServerException) and error.detail == _WENT_AWAY:
        log.info("%s: %s", request.url.path, error.detail)  # a browser's doing: no fault to be looked for
    else:
        log.error("%s failed", request.url.path, exc_info=error)
    return (
        HTTPStatus.INTERNAL_SERVER_ERROR,
        _(
            "A fault in this program stopped the answer. Nothing was changed. Try again; if it stays so, report it "
            "with the dashboard’s messages from this minute."
        ),
    )


def _http_text(request: AnyRequest, status: HTTPStatus, error: HTTPException) -> str:
    if status is HTTPStatus.NOT_FOUND:
        text = _("There is nothing at {path}. The list of addresses for programs: /schema/openapi.json.")
        return text.format(path=request.url.path[:200])
    if status is HTTPStatus.METHOD_NOT_ALLOWED:
        text = _("{method} is not possible at {path}. What is possible where stands in /schema/openapi.json.")
        return text.format(method=request.method, path=request.url.path[:200])
    return f"{error.detail}."
