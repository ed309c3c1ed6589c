"""TLS as browsers meet it, a certificate that changes, and servers that stand before this one."""

from __future__ import annotations

import asyncio
import logging
import os
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import certificates
import httpx
import msgspec
import pytest
from cryptography import x509
from doorkit import TINA, House
from litestar import Litestar

from collector.errors import StartError
from dashboard import serving
from dashboard.guard import HEADERS, HSTS_S
from dashboard.serving import Certificate, behind, server
from dashboard.settings import Settings

PROXY, STRANGER, CLIENT = "10.0.7.2", "10.0.7.99", "192.0.2.7"
FORGED = {"X-Forwarded-For": CLIENT, "X-Forwarded-Proto": "https", "X-Forwarded-Host": "evil.example"}


def tls(tmp_path: Path) -> Settings:
    certificate, key = certificates.made().write(tmp_path)
    return Settings(port=0, certificate=str(certificate), key=str(key))


@contextmanager
def listening(app: Litestar, settings: Settings) -> Iterator[int]:
    """The server that the command starts, on a free port of this machine."""
    serves = server(app, app.state.live, settings)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        thread = threading.Thread(target=lambda: asyncio.run(serves.serve(sockets=[taken])))
        thread.start()
        try:
            wait_until(lambda: serves.started)
            yield taken.getsockname()[1]
        finally:
            app.state.live.stop_soon()
            serves.should_exit = True
            thread.join(20)


def wait_until(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 20
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def serial(port: int) -> int:
    """Of the certificate that is shown."""
    return x509.load_pem_x509_certificate(ssl.get_server_certificate(("127.0.0.1", port)).encode()).serial_number


def test_over_tls_cookies_never_leave_it_and_a_new_certificate_is_taken(
    house: House, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Without a restart; one whose key is not there yet changes nothing."""
    monkeypatch.setattr(serving, "_TICKS_A_LOOK", 1)
    settings = tls(tmp_path)
    with caplog.at_level(logging.INFO, "dashboard.serving"), listening(house.app(), settings) as port:
        trusting = ssl.create_default_context(cafile=settings.certificate)
        with httpx.Client(base_url=f"https://127.0.0.1:{port}", verify=trusting) as browser:
            answer = browser.post("/api/sign-in", json={"badge": house.badges[TINA]})
            assert all(
                each.startswith("__Host-") and "Secure" in each and "HttpOnly" in each
                for each in answer.headers.get_list("set-cookie")
            )
            assert browser.get("/api/me").json()["person"]["id"] == TINA
            for path in ("/", "/nothing", "/static/look.css", "/health"):
                headers = browser.get(path).headers
                assert headers["strict-transport-security"] == f"max-age={HSTS_S}"
                assert "server" not in headers
        before, renewed = serial(port), certificates.made()
        replace(tmp_path / "pages.pem", renewed.certificate)
        wait_until(lambda: "cannot be used yet, the earlier one stays" in caplog.text)
        assert serial(port) == before
        replace(tmp_path / "pages.key", renewed.key)
        wait_until(lambda: "took the new certificate" in caplog.text)
        assert serial(port) == renewed.serial


def replace(file: Path, content: bytes) -> None:
    """All at once, as whoever renews certificates does it."""
    new = file.with_suffix(".new")
    new.write_bytes(content)
    os.replace(new, file)


def test_a_key_that_does_not_fit_stops_the_start(tmp_path: Path) -> None:
    settings = tls(tmp_path)
    context = Certificate(str(settings.certificate), str(settings.key)).context
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2
    (tmp_path / "pages.key").write_bytes(certificates.made().key)
    with pytest.raises(StartError, match=r"^The pages cannot speak TLS with certificate .*pages.pem and key "):
        Certificate(str(settings.certificate), str(settings.key))


def asked(house: House, settings: Settings, peer: str, path: str = "/api/sign-in", **headers: str) -> httpx.Response:
    """What somebody at an address is answered who signs in."""

    async def ask() -> httpx.Response:
        app: Any = behind(house.app(), settings)
        transport = httpx.ASGITransport(app, client=(peer, 40_000))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8080") as browser:
            return await browser.post(path, json={"badge": house.badges[TINA]}, headers=headers)

    return asyncio.run(ask())


def cookie(answer: httpx.Response) -> str:
    assert answer.status_code == 200, answer.text
    return next(each for each in answer.headers.get_list("set-cookie") if "soakledger=" in each)


def test_what_a_server_before_this_one_says_is_believed_of_it_alone(house: House) -> None:
    """Who is no such server cannot pass for TLS, nor for another address."""
    settings = Settings(trusted_proxies=(PROXY, "10.9.0.0/16"), plain=True)
    for peer in (PROXY, "10.9.200.1"):
        answer = asked(house, settings, peer, **FORGED)
        assert cookie(answer).startswith("__Host-soakledger=")
        assert answer.headers["strict-transport-security"]
    for peer, named in ((STRANGER, settings), ("127.0.0.1", settings), (PROXY, Settings())):
        answer = asked(house, named, peer, **FORGED)
        assert cookie(answer).startswith("soakledger=")
        assert "strict-transport-security" not in answer.headers


def test_where_a_server_with_tls_stands_before_nobody_comes_past_it(house: House) -> None:
    settings = Settings(trusted_proxies=(PROXY,), host="0.0.0.0")  # noqa: S104
    answer = asked(house, settings, STRANGER, **FORGED)
    assert (answer.status_code, answer.text) == (
        403,
        "These pages are reached through the server with TLS that stands before them, under its address.\n",
    )
    assert HEADERS.items() <= {name.title(): content for name, content in answer.headers.items()}.items()
    assert asked(house, settings, PROXY, **FORGED).status_code == 200
    assert asked(house, settings, "127.0.0.1").status_code == 200
    assert asked(house, msgspec.structs.replace(settings, plain=True), STRANGER).status_code == 200


def test_users_of_this_machine_cannot_pass_for_tls_either(house: House) -> None:
    """The server itself, which by default would believe them."""
    with listening(house.app(), Settings()) as port:
        given = {"badge": house.badges[TINA]}
        answer = httpx.post(f"http://127.0.0.1:{port}/api/sign-in", json=given, headers=FORGED, timeout=20)
    assert cookie(answer).startswith("soakledger=")
    assert house.ask("SELECT address FROM sign_in") == [("127.0.0.1",)]
