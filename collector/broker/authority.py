"""The site's own certificate authority, and the certificates that it signs for the broker and for the pages.

Nobody outside the site trusts it, and it trusts nobody: nodes and browsers of this site are given its certificate.
Pure but for the random numbers: files are the matter of `collector/broker/certificates.py`.
"""

from __future__ import annotations

import datetime
import ipaddress
import re
from collections.abc import Sequence
from typing import NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from collector.errors import BrokerError

AUTHORITY_LASTS = datetime.timedelta(days=3_652)
"""Ten years: longer than a Pi and its card, so that it seldom has to be carried to every node again. Our own choice."""

SERVER_LASTS = datetime.timedelta(days=398)
"""The CA/Browser Forum's greatest lifetime of a server's certificate since September 2020 (Baseline Requirements,
6.3.2; from memory). It binds public authorities only, which are asked for less meanwhile; browsers may refuse more."""

EARLIER = datetime.timedelta(hours=1)
"""Valid from so long before it was made: clocks differ, and a zone's hour is the commonest mistake."""

_LONGEST_NAME = 253
_DNS_NAME = re.compile(r"(?!-)[a-z0-9-]{1,63}(?<!-)(\.(?!-)[a-z0-9-]{1,63}(?<!-))*", re.ASCII)
ALWAYS = ("localhost", "127.0.0.1", "::1")
"""The collector and these commands reach the broker on their own machine."""

Key = ec.EllipticCurvePrivateKey


class Signed(NamedTuple):
    """A certificate and its private key."""

    certificate: x509.Certificate
    key: Key

    @property
    def certificate_pem(self) -> bytes:
        """As it is given away."""
        return pem(self.certificate)

    @property
    def key_pem(self) -> bytes:
        """Unencrypted: servers start without a person."""
        return self.key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )


def pem(certificate: x509.Certificate) -> bytes:
    """As text in a file."""
    return certificate.public_bytes(serialization.Encoding.PEM)


def new_authority(now: datetime.datetime) -> Signed:
    """A new authority: EC P-256, only for servers' certificates, with no authority below it.

    It carries no name of a person or place: it is read by whoever connects. It is not bound to names: a machine that
    gets another name would take a new authority on every node.
    """
    key = ec.generate_private_key(ec.SECP256R1())
    serial = x509.random_serial_number()
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, f"Soakledger site authority {serial % 16**8:08x}")])
    builder = (
        _certificate(name, name, key, (now - EARLIER, now - EARLIER + AUTHORITY_LASTS), serial)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
    )
    return Signed(builder.sign(key, hashes.SHA256()), key)


def new_server(authority: Signed, names: Sequence[str], now: datetime.datetime) -> Signed:
    """A new key and certificate for a server; it never outlives its authority.

    Args:
        authority: Signs it.
        names: Names and addresses under which it is reached, checked by `checked_names`; this machine's own are added.
        now: When.

    Raises:
        BrokerError: The authority has ended.
    """
    begins, ends = now - EARLIER, authority.certificate.not_valid_after_utc
    if ends <= now:
        raise BrokerError(
            f"The site's authority ended on {ends:%Y-%m-%d}: nothing that it signs is believed. Run `soakledger "
            "certificates --new-authority`, then enrol every node again."
        )
    key = ec.generate_private_key(ec.SECP256R1())
    issuer = authority.certificate.subject
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "Soakledger")])
    builder = (
        _certificate(subject, issuer, key, (begins, min(begins + SERVER_LASTS, ends)), x509.random_serial_number())
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .add_extension(
            x509.SubjectAlternativeName([_general(name) for name in dict.fromkeys((*names, *ALWAYS))]), critical=False
        )
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(authority.key.public_key()), critical=False)
    )
    return Signed(builder.sign(authority.key, hashes.SHA256()), key)


def checked_names(names: Sequence[str]) -> tuple[str, ...]:
    """Names and addresses as certificates write them, each once.

    Raises:
        BrokerError: One of them is neither.
    """
    return tuple(dict.fromkeys(_checked_name(name) for name in names))


def names_of(certificate: x509.Certificate) -> tuple[str, ...]:
    """Names and addresses that it is for."""
    try:
        found = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return ()
    return tuple(str(each.value) for each in found)


def is_authority(certificate: x509.Certificate) -> bool:
    """It signs others."""
    try:
        return bool(certificate.extensions.get_extension_for_class(x509.BasicConstraints).value.ca)
    except x509.ExtensionNotFound:
        return False


def belongs(certificate: x509.Certificate, key: Key) -> bool:
    """This key is the certificate's."""
    return bool(certificate.public_key() == key.public_key())


def signed_by(certificate: x509.Certificate, authority: x509.Certificate) -> bool:
    """This authority signed it."""
    try:
        certificate.verify_directly_issued_by(authority)
    except Exception:  # cryptography raises several kinds: of names, of keys, of signatures
        return False
    return True


def _certificate(
    subject: x509.Name,
    issuer: x509.Name,
    key: Key,
    valid: tuple[datetime.datetime, datetime.datetime],
    serial: int,
) -> x509.CertificateBuilder:
    return (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(issuer)
        .public_key(key.public_key())
        .serial_number(serial)
        .not_valid_before(valid[0])
        .not_valid_after(valid[1])
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    return x509.KeyUsage(
        digital_signature=not signs_certificates,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _checked_name(name: str) -> str:
    try:
        return str(ipaddress.ip_address(name))
    except ValueError:
        pass
    try:
        ascii_name = name.encode("idna").decode().lower()
    except UnicodeError:
        ascii_name = ""
    if len(ascii_name) > _LONGEST_NAME or not _DNS_NAME.fullmatch(ascii_name):
        raise BrokerError(
            f"{name!r} is neither a name nor an address. Write a name as nodes and browsers use it, such as "
            "soakledger.local, or an address such as 192.168.1.5, without port and without https://."
        )
    return ascii_name
