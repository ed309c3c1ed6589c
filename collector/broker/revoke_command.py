"""`soakledger revoke`; it stands beside `enrol`."""

from __future__ import annotations

from collector.broker.enrol_command import revoke_command as command

__all__ = ["command"]
