"""What protects every page: headers on each answer, and no answer under a foreign name."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable

from litestar.datastructures import MutableScopeHeaders
from litestar.enums import ScopeType
from litestar.types import ASGIApp, Message, Receive, Scope, Send

from dashboard.problems import RefusedHostError

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "connect-src 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
        "form-action 'self'",
    )
)
HSTS_S = 30 * 86_400
"""For how long a browser that came over TLS comes in no other way (RFC 6797). Our own choice, thirty days: a tablet
that is used once a month never sends a badge in the clear, and a site that has to give up TLS can be reached again
after a month. The name's other ports are held to it as well, other names are not."""

HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


async def protect(message: Message, scope: Scope) -> None:
    """Put the security headers on an answer; nothing is cached unless it says so itself."""
    if message["type"] == "http.response.start":
        message.setdefault("headers", [])
        headers = MutableScopeHeaders(message)
        for name, content in HEADERS.items():
            headers[name] = content
        if scope["scheme"] == "https":
            headers["Strict-Transport-Security"] = f"max-age={HSTS_S}"
        if "cache-control" not in headers:
            headers["Cache-Control"] = "no-store"


class KnownHosts:
    """Refuses requests under a name that is not ours, so that a foreign page cannot reach us by re-pointing its name.

    An address in numbers is let through: no foreign page can have that for its name.
    """

    def __init__(self, app: ASGIApp, names: Iterable[str]) -> None:
        self._app = app
        self._names = {name.lower().rstrip(".") for name in names}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let the request through or refuse it."""
        if scope["type"] == ScopeType.HTTP:
            host = next((text.decode("latin-1") for name, text in scope["headers"] if name == b"host"), "")
            if not self.knows(host):
                raise RefusedHostError(host)
        await self._app(scope, receive, send)

    def knows(self, host: str) -> bool:
        """The Host header names this server."""
        name = host.lower()
        if name.startswith("["):
            name = name[1:].partition("]")[0]
        elif name.count(":") == 1:
            name = name.partition(":")[0]
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return name.rstrip(".") in self._names
        return True
