"""When certificates end."""

from __future__ import annotations

from pathlib import Path

from cryptography import x509


def ends_ms(path: Path) -> int | None:
    """When the first certificate of a PEM file ends, milliseconds since 1970; None where none can be read."""
    try:
        certificate = x509.load_pem_x509_certificate(path.read_bytes())
    except (OSError, ValueError):
        return None
    return int(certificate.not_valid_after_utc.timestamp() * 1000)


def beside(certificate: str | None) -> dict[str, Path]:
    """The pages' own certificate, and what lies beside it of the broker and of the authority that signed both."""
    if certificate is None:
        return {}
    own = Path(certificate)
    found = {name: own.with_name(f"{name}.pem") for name in ("broker", "ca")}
    return {"pages": own, **{name: path for name, path in found.items() if path.is_file() and path != own}}
