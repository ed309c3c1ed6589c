"""TLS to a server of the site's own: who is trusted, and in plain words why a connection does not come about."""

from __future__ import annotations

import socket
import ssl
from typing import NamedTuple

# Codes of X509_verify_cert (OpenSSL, x509_vfy.h).
_NOT_YET_VALID, _ENDED = 9, 10
_FOREIGN = (18, 19, 20, 21)
_NAME, _ADDRESS = 62, 64

_REFUSED = ("not authorized", "not authorised", "bad user name or password", "bad username or password")
"""What brokers say to a wrong login, as paho words CONNACK 4 and 5 of MQTT 3.1.1."""


class Trouble(NamedTuple):
    """Why a connection does not come about.

    Attributes:
        said: What happened, and what it means.
        todo: What to do.
        lasts: Somebody must do something: certificate, name, authority, login. Else it may pass by itself.
    """

    said: str
    todo: str
    lasts: bool

    @property
    def text(self) -> str:
        """Both, for a message."""
        return f"{self.said} {self.todo}"


class _ClosesItself(ssl.SSLSocket):
    """Paho forgets a connection whose handshake fails: its socket would stay open until Python finds it."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            raise  # it goes on
        except BaseException:
            self.close()
            raise


def client_context(ca_file: str) -> ssl.SSLContext:
    """Trusts what the site's authority signed and nothing else; the server's name or address must stand in it.

    TLS 1.2 is the least (RFC 9325, 3.1.1).

    Raises:
        OSError: The file cannot be used; ssl.SSLError is one.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.sslsocket_class = _ClosesItself
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.check_hostname = True
    context.verify_mode = ssl.CERT_REQUIRED
    context.load_verify_locations(ca_file)
    return context


def trouble(problem: BaseException | str, host: str) -> Trouble:
    """In plain words what stands in the way.

    Args:
        problem: What was raised, or what the broker said when it refused.
        host: Whom this machine wanted to reach, as in its settings.
    """
    if isinstance(problem, ssl.SSLCertVerificationError):
        return _of_certificate(problem, host)
    if isinstance(problem, ssl.SSLError):
        return Trouble(
            f"{host} answers, but not as a broker with TLS does ({getattr(problem, 'reason', None) or problem}).",
            "Check `host` and `port`: with TLS the port is usually 8883. If they are right, look at the broker's "
            "messages.",
            lasts=True,
        )
    words = str(problem) or type(problem).__name__
    if any(each in words.casefold() for each in _REFUSED):
        return Trouble(
            "The broker refuses this login: the password is wrong, or the login was revoked.",
            "For a node run `soakledger enrol NODE` on the collector's machine and `soakledger join` here; for the "
            "collector run `soakledger broker-setup` again.",
            lasts=True,
        )
    return _of_network(problem, words, host)


def _of_network(problem: BaseException | str, words: str, host: str) -> Trouble:
    if isinstance(problem, socket.gaierror):
        return Trouble(
            f"The name {host} is not known in this network ({problem.strerror}).",
            "Check `host`, and the network and its name server; an address works without one.",
            lasts=False,
        )
    if isinstance(problem, ConnectionRefusedError):
        return Trouble(
            f"Nobody answers: {host} is there, but no broker listens at that port.",
            "Check that the broker runs and that `port` is right.",
            lasts=False,
        )
    if isinstance(problem, OSError):
        return Trouble(
            f"Nobody answers ({words}).", "Check that the broker runs, and the network between.", lasts=False
        )
    return Trouble(words if words.endswith(".") else f"{words}.", "Look at the broker's messages.", lasts=False)


def _of_certificate(problem: ssl.SSLCertVerificationError, host: str) -> Trouble:
    code = problem.verify_code
    if code == _NOT_YET_VALID:
        return Trouble(
            "By this machine's clock the broker's certificate is not valid yet: most likely this clock is behind.",
            "A computer without a battery for its clock starts in the past until it reaches its time server, which "
            "takes no TLS; then this passes by itself. If it does not, run `timedatectl` and see that the time server "
            "is reached.",
            lasts=True,
        )
    if code == _ENDED:
        return Trouble(
            "The broker's certificate has ended, or this machine's clock is ahead.",
            "Check the date here with `timedatectl`; if it is right, run `soakledger certificates --renew` on the "
            "collector's machine.",
            lasts=True,
        )
    if code in (_NAME, _ADDRESS):
        return Trouble(
            f"The broker's certificate is not for {host}.",
            "Write one of its names into `host`, or give it this one: `soakledger broker-setup` with --name for each "
            "name and address.",
            lasts=True,
        )
    if code in _FOREIGN:
        return Trouble(
            f"{host} shows a certificate that this site's authority did not sign: it is another machine, or the "
            "authority was made anew.",
            "Do not go on before you know which. Where the authority is new, enrol this machine again: `soakledger "
            "enrol`, `soakledger join`.",
            lasts=True,
        )
    return Trouble(
        f"The broker's certificate does not hold ({problem.verify_message}).",
        "Run `soakledger certificates` on the collector's machine.",
        lasts=True,
    )


def presented(host: str, port: int, ca_file: str, patience_s: float = 5.0) -> bytes:
    """The certificate (DER) that a server shows, once it has been found good. Nobody signs in for that.

    Raises:
        OSError: Nobody answers, or it does not hold; `trouble` says it in words.
    """
    context = client_context(ca_file)
    with (
        socket.create_connection((host, port), patience_s) as plain,
        context.wrap_socket(plain, server_hostname=host) as secured,
    ):
        return secured.getpeercert(binary_form=True) or b""


def reach(host: str, port: int, ca_file: str | None, patience_s: float = 5.0) -> Trouble | None:
    """Shake hands with a broker and leave, without a login: None if all is well.

    A login would end the connection of whoever it belongs to, for our broker keeps one connection for each; for the
    collector it would empty what waits for it, too.
    """
    try:
        if ca_file is not None:
            presented(host, port, ca_file, patience_s)
        else:
            socket.create_connection((host, port), patience_s).close()
    except OSError as error:
        return trouble(error, host)
    return None
