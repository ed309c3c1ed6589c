"""Certificates made at test time, of an authority of the test's own."""

from __future__ import annotations

import datetime
import ipaddress
from pathlib import Path
from typing import NamedTuple

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


class Pair(NamedTuple):
    """A certificate for this machine and its key, as PEM, and its serial number."""

    certificate: bytes
    key: bytes
    serial: int

    def write(self, folder: Path) -> tuple[Path, Path]:
        """Both as files, the key closed to others."""
        certificate, key = folder / "pages.pem", folder / "pages.key"
        certificate.write_bytes(self.certificate)
        key.write_bytes(self.key)
        key.chmod(0o600)
        return certificate, key


def made() -> Pair:
    """A certificate that vouches for itself."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "127.0.0.1")])
    now = datetime.datetime.now(datetime.UTC)
    here = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))])
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=30))
        .add_extension(here, critical=False)
        .sign(key, hashes.SHA256())
    )
    plain = serialization.NoEncryption()
    written = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, plain)
    return Pair(certificate.public_bytes(serialization.Encoding.PEM), written, certificate.serial_number)
