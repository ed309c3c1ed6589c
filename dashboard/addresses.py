"""Addresses and networks as settings name them: "127.0.0.1", "10.0.7.0/24", "::1"."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable


class Addresses:
    """A set of single addresses and whole networks.

    Args:
        written: As in the settings.

    Raises:
        ValueError: One of them is neither.
    """

    def __init__(self, written: Iterable[str]) -> None:
        self.written = tuple(written)
        self._networks = [_network(each) for each in self.written]

    def __contains__(self, host: object) -> bool:
        """A host's address is among them; what is no address is not. IPv4 within IPv6 counts as IPv4."""
        try:
            address = ipaddress.ip_address(str(host))
        except ValueError:
            return False
        plain = getattr(address, "ipv4_mapped", None) or address
        return any(plain in network for network in self._networks)

    @property
    def everything(self) -> str | None:
        """The one among them that means every machine there is, if any does."""
        return next((text for text, each in zip(self.written, self._networks, strict=True) if not each.prefixlen), None)

    def __bool__(self) -> bool:
        """There are any."""
        return bool(self._networks)


def is_loopback(host: str) -> bool:
    """Only this machine itself reaches it there."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _network(written: str) -> ipaddress.IPv4Network | ipaddress.IPv6Network:
    try:
        return ipaddress.ip_network(written)
    except ValueError as error:
        raise ValueError(
            f"{written!r} is no address and no network ({error}). Write it as 10.0.7.2 or 10.0.7.0/24."
        ) from None
