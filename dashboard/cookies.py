"""The cookies: the session's, which signs somebody in, and the browser's, which only says that it has been here."""

from __future__ import annotations

from http.cookies import CookieError, SimpleCookie

from litestar.datastructures import Cookie, Headers

from collector.browsers import KEPT_S

BY_ITSELF = "soakledger-by-itself"
"""A page's script sets it for some seconds when it loads its page again, see `again.js`. It can only end a session
earlier."""


def session_name(scheme: str) -> str:
    """Of the session's cookie; over TLS browsers hold it to this host alone."""
    return "__Host-soakledger" if scheme == "https" else "soakledger"


def browser_name(scheme: str) -> str:
    """Of the browser's cookie."""
    return f"{session_name(scheme)}-browser"


def session_cookie(scheme: str, token: str) -> Cookie:
    """The session's cookie; an empty token takes it away. It ends with the browser."""
    return _cookie(session_name(scheme), scheme, token, None if token else 0)


def browser_cookie(scheme: str, token: str) -> Cookie:
    """The browser's cookie; it stays when people sign out."""
    return _cookie(browser_name(scheme), scheme, token, KEPT_S)


def given(headers: Headers, name: str) -> str:
    """What a request brings under a name; empty without."""
    try:
        morsel = SimpleCookie(headers.get("cookie", "")).get(name)
    except CookieError:
        return ""
    return morsel.value if morsel else ""


def _cookie(name: str, scheme: str, token: str, max_age_s: int | None) -> Cookie:
    secure = scheme == "https"
    return Cookie(key=name, value=token, path="/", httponly=True, secure=secure, samesite="strict", max_age=max_age_s)
