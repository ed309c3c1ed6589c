"""The authority and the servers' certificates on the disk: made, judged, renewed with a new key each time."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from collector.broker.authority import (
    EARLIER,
    SERVER_LASTS,
    Signed,
    belongs,
    is_authority,
    names_of,
    new_authority,
    new_server,
    pem,
    signed_by,
)
from collector.broker.place import BROKERS_GROUP, Place
from collector.errors import BrokerError
from host.private_file import FOR_A_GROUP, FOR_ALL, OUR_GROUP, PRIVATE, set_rights, write_private

SERVERS = {"broker": BROKERS_GROUP, "pages": OUR_GROUP}
"""Whose key each may be read by."""

DAY = datetime.timedelta(days=1)
SERVER_WARNING = 60 * DAY
"""A server's certificate is renewed with a third of its time left, 132 days: at 60 something has failed for months."""

AUTHORITY_WARNING = 365 * DAY
"""A new authority must be carried to every node: a year for that. Our own choice."""

_EARLIEST = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)


class Seen(NamedTuple):
    """A certificate as it was found.

    Attributes:
        name: Where: its file, or the address that shows it.
        until: When it ends.
        authority: It signs others.
        problem: Why it could not be looked at; `until` means nothing then.
    """

    name: str
    until: datetime.datetime
    authority: bool = False
    problem: str = ""

    def left(self, now: datetime.datetime) -> datetime.timedelta:
        """How long it lasts yet; below zero when it has ended."""
        return self.until - now

    def warns(self, now: datetime.datetime) -> bool:
        """Somebody must see to it."""
        return self.left(now) < (AUTHORITY_WARNING if self.authority else SERVER_WARNING)


def look(file: Path) -> Seen:
    """The first certificate of a file, which is the server's own; of authorities the one that lasts longest."""
    try:
        found = x509.load_pem_x509_certificates(file.read_bytes())
    except OSError as error:
        return Seen(str(file), _EARLIEST, problem=error.strerror or str(error))
    except ValueError:
        return Seen(str(file), _EARLIEST, problem="it is no certificate in PEM")
    return max((_seen(str(file), each) for each in found), key=lambda each: each.until if each.authority else _EARLIEST)


def shown(name: str, der: bytes) -> Seen:
    """A certificate that a server shows."""
    return _seen(name, x509.load_der_x509_certificate(der))


def _seen(name: str, certificate: x509.Certificate) -> Seen:
    return Seen(name, certificate.not_valid_after_utc, is_authority(certificate))


def make_authority(place: Place, now: datetime.datetime) -> bool:
    """The site's authority, unless there is one; False if there is.

    Raises:
        BrokerError: This machine's clock cannot be right, or there is half an authority.
    """
    _refuse_wrong_clock(now)
    _find_again(place)
    if (place.authority / "ca.pem").exists():
        _load(place, "ca")
        return False
    _keep_authority(place, "ca", new_authority(now))
    write_bundle(place)
    return True


def make_next_authority(place: Place, now: datetime.datetime) -> bool:
    """The authority that follows; from now on both are trusted. False if there is one already."""
    _refuse_wrong_clock(now)
    _find_again(place)
    if (place.authority / "next.pem").exists():
        _load(place, "next")
        return False
    _keep_authority(place, "next", new_authority(now))
    write_bundle(place)
    return True


def write_bundle(place: Place) -> None:
    """What nodes, collector and browsers are to trust: the authority, and the one that follows."""
    bundle = b"".join(
        (place.authority / f"{name}.pem").read_bytes()
        for name in ("ca", "next")
        if (place.authority / f"{name}.pem").exists()
    )
    if not place.ca.exists() or place.ca.read_bytes() != bundle:
        write_private(place.ca, bundle, FOR_ALL)


def signing(place: Place, now: datetime.datetime) -> Signed:
    """The authority that signs now: the one that follows does from 60 days before the end of the present one.

    By then every node has been enrolled again and trusts both.
    """
    _find_again(place)
    present = _load(place, "ca")
    following = (place.authority / "next.pem").exists()
    ending = present.certificate.not_valid_after_utc - now < SERVER_WARNING
    return _load(place, "next") if following and ending else present


def due(place: Place, server: str, names: Sequence[str], authority: Signed, now: datetime.datetime) -> str:
    """Why a server needs another certificate, in a few words; empty if it needs none."""
    try:
        certificate = x509.load_pem_x509_certificate(place.certificate(server).read_bytes())
        key = serialization.load_pem_private_key(place.key(server).read_bytes(), None)
    except FileNotFoundError:
        return "there was none"
    except (ValueError, TypeError):
        return "what was there could not be read"
    begins, ends = certificate.not_valid_before_utc, certificate.not_valid_after_utc
    would_end = min(now - EARLIER + SERVER_LASTS, authority.certificate.not_valid_after_utc)
    reasons = {
        # A power cut between the two files.
        "its key was not its own": not isinstance(key, ec.EllipticCurvePrivateKey) or not belongs(certificate, key),
        "another authority signs now": not signed_by(certificate, authority.certificate),
        "it lacked a name": bool(set(names) - set(names_of(certificate))),
        "less than a third of its time was left": ends - now < (ends - begins) / 3 and would_end - ends > DAY,
    }
    return next((why for why, so in reasons.items() if so), "")


def renew(place: Place, names: Sequence[str], now: datetime.datetime) -> dict[str, str]:
    """Give each server that needs it another key and certificate.

    Returns:
        Each renewed server with the reason.

    Raises:
        BrokerError: There is no authority, it has ended, or this machine's clock cannot be right.
        OSError: A file cannot be written; what was there before is still there.
    """
    _refuse_wrong_clock(now)
    authority = signing(place, now)
    renewed = {}
    for server, group in SERVERS.items():
        if why := due(place, server, names, authority, now):
            signed = new_server(authority, names, now)
            write_private(place.key(server), signed.key_pem, FOR_A_GROUP, group)
            write_private(place.certificate(server), signed.certificate_pem, FOR_ALL)
            renewed[server] = why
    return renewed


def set_all_rights(place: Place) -> None:
    """Who may read what, as it was written: a copy, put back on another machine, may have lost that."""
    set_rights(place.ca, FOR_ALL)
    for server, group in SERVERS.items():
        set_rights(place.key(server), FOR_A_GROUP, group)
        set_rights(place.certificate(server), FOR_ALL)
    for file in place.authority.iterdir():
        set_rights(file, PRIVATE)


def der(place: Place, server: str) -> bytes:
    """A server's certificate as it shows it."""
    certificate = x509.load_pem_x509_certificate(place.certificate(server).read_bytes())
    return certificate.public_bytes(serialization.Encoding.DER)


def _keep_authority(place: Place, name: str, signed: Signed) -> None:
    write_private(place.authority / f"{name}.key", signed.key_pem, PRIVATE)
    write_private(place.authority / f"{name}.pem", signed.certificate_pem, PRIVATE)


def _find_again(place: Place) -> None:
    """Put an authority's certificate back where only its key is left: a new authority would cut off every node.

    What nodes trust holds it too. A key that was made when the power went has none there.
    """
    try:
        trusted = x509.load_pem_x509_certificates(place.ca.read_bytes())
    except (FileNotFoundError, ValueError):
        return
    for name in ("ca", "next"):
        file, key_file = place.authority / f"{name}.pem", place.authority / f"{name}.key"
        if file.exists() or not key_file.exists():
            continue
        key = serialization.load_pem_private_key(key_file.read_bytes(), None)
        for each in trusted:
            if isinstance(key, ec.EllipticCurvePrivateKey) and belongs(each, key):
                write_private(file, pem(each), PRIVATE)


def _load(place: Place, name: str) -> Signed:
    files = place.authority / f"{name}.pem", place.authority / f"{name}.key"
    try:
        certificate = x509.load_pem_x509_certificate(files[0].read_bytes())
        key = serialization.load_pem_private_key(files[1].read_bytes(), None)
    except (OSError, ValueError, TypeError) as error:
        why = error if isinstance(error, OSError) else "not as it was written"
        raise BrokerError(
            f"The site's authority in {place.authority} cannot be used ({why}). Run this as the administrator, with "
            "sudo. If its key is gone, put it back from where you keep it; without it every node must be enrolled anew "
            "by a new authority: move that folder away and run `soakledger broker-setup`."
        ) from None
    if not isinstance(key, ec.EllipticCurvePrivateKey) or not belongs(certificate, key):
        raise BrokerError(f"{files[1]} is not the key of {files[0]}. Put back the one that belongs to it.")
    return Signed(certificate, key)


def _refuse_wrong_clock(now: datetime.datetime) -> None:
    if now < _EARLIEST:
        raise BrokerError(
            f"This machine's clock says {now:%Y-%m-%d}, which cannot be: certificates made now would be believed by "
            "nobody. Set the clock, see `timedatectl`, and run this again."
        )
