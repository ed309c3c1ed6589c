"""The server around the application: TLS with a certificate that may change, servers before it, systemd."""

from __future__ import annotations

import logging
import ssl
from pathlib import Path
from types import FrameType
from typing import Any

import uvicorn
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from collector.errors import StartError
from dashboard.addresses import Addresses, is_loopback
from dashboard.guard import HEADERS
from dashboard.live import Live
from dashboard.settings import Settings
from host.notify import Notifier

log = logging.getLogger(__name__)
_GRACE_S = 2
_TICKS_A_LOOK = 300  # of a tenth of a second: uvicorn's own
_Stamp = tuple[tuple[int, int], ...]


class Certificate:
    """The certificate and key that TLS uses; a new one is taken without a restart, for connections that come then.

    Args:
        certificate: File with the certificate and its chain.
        key: File with its private key.

    Raises:
        StartError: They cannot be used.
    """

    def __init__(self, certificate: str, key: str) -> None:
        self._files = certificate, key
        try:
            self._stamp = self._looked()
            self.context = self._loaded(_context())
        except (OSError, ssl.SSLError) as error:
            raise StartError(
                f"The pages cannot speak TLS with certificate {certificate} and key {key} ({error}). Let both be PEM "
                "files that belong together and that this user may read; `soakledger certificates` makes such."
            ) from None

    def look(self) -> None:
        """Take a new certificate if there is one; one that cannot be used is left alone, and looked at again."""
        try:
            stamp = self._looked()
            if stamp == self._stamp:
                return
            # On one that nobody uses first: a certificate whose key does not fit would take the present key away.
            self._loaded(_context())
            self._loaded(self.context)
        except (OSError, ssl.SSLError) as error:
            log.warning("new certificate %s cannot be used yet, the earlier one stays: %s", self._files[0], error)
            return
        self._stamp = stamp
        log.info("took the new certificate %s", self._files[0])

    def _loaded(self, context: ssl.SSLContext) -> ssl.SSLContext:
        certificate, key = self._files
        # Nobody sits there to type a password: without this, OpenSSL would ask at the terminal and wait.
        context.load_cert_chain(certificate, key, password=lambda: "")
        return context

    def _looked(self) -> _Stamp:
        return tuple((found.st_mtime_ns, found.st_ino) for found in (Path(file).stat() for file in self._files))


class Server(uvicorn.Server):
    """Ends the live streams when told to stop: uvicorn waits for them before it runs shutdown handlers.

    Args:
        config: Of uvicorn.
        live: The streams.
        certificate: Looked at from time to time; None without TLS.
    """

    def __init__(self, config: uvicorn.Config, live: Live, certificate: Certificate | None) -> None:
        super().__init__(config)
        self._live, self._certificate, self._systemd = live, certificate, Notifier()

    async def startup(self, sockets: Any = None) -> None:
        """Systemd hears when pages are answered."""
        await super().startup(sockets)
        self._systemd.say("READY=1")

    async def on_tick(self, counter: int) -> bool:
        """Called ten times a second in the loop that answers."""
        self._systemd.feed()
        if self._certificate and counter % _TICKS_A_LOOK == 0:
            self._certificate.look()
        return await super().on_tick(counter)

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Called in the signal handler."""
        self._live.stop_soon()
        super().handle_exit(sig, frame)


class OnlyThrough:
    """Answers nobody but the servers that stand before this one, and this machine: the rest would come without TLS."""

    def __init__(self, app: Any, proxies: Addresses) -> None:
        self._app, self._proxies = app, proxies

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Let the request through or refuse it."""
        peer = (scope.get("client") or ("",))[0]
        if scope["type"] == "lifespan" or peer in self._proxies or is_loopback(peer):
            await self._app(scope, receive, send)
            return
        said = b"These pages are reached through the server with TLS that stands before them, under its address.\n"
        kind = {"Content-Type": "text/plain; charset=utf-8", "Cache-Control": "no-store"}
        headers = [(name.lower().encode(), content.encode()) for name, content in {**kind, **HEADERS}.items()]
        await send({"type": "http.response.start", "status": 403, "headers": headers})
        await send({"type": "http.response.body", "body": said})


def behind(app: Any, settings: Settings) -> Any:
    """The application, told by the servers before it who really asks and how; by nobody else.

    Args:
        app: An ASGI application.
        settings: Which servers those are.
    """
    if not settings.trusted_proxies:
        return app
    inner: Any = ProxyHeadersMiddleware(app, list(settings.trusted_proxies))
    if settings.tls or settings.plain:
        return inner
    return OnlyThrough(inner, Addresses(settings.trusted_proxies))


def certificate_of(settings: Settings) -> Certificate | None:
    """What TLS uses; None without it.

    Raises:
        StartError: It cannot be used.
    """
    return Certificate(settings.certificate, settings.key) if settings.certificate and settings.key else None


def server(app: Any, live: Live, settings: Settings) -> Server:
    """A server for the application.

    Args:
        app: The application.
        live: Its live streams.
        settings: How it is served.

    Raises:
        StartError: The certificate cannot be used.
    """
    certificate = certificate_of(settings)
    config = uvicorn.Config(
        behind(app, settings),
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,  # by default uvicorn believes whatever this machine's own users say
        timeout_graceful_shutdown=_GRACE_S,
        lifespan="on",
        ssl_context_factory=(lambda _config, _default: certificate.context) if certificate else None,
    )
    return Server(config, live, certificate)


def _context() -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2  # RFC 9325 3.1.1: 1.0 and 1.1 must not be spoken
    return context
