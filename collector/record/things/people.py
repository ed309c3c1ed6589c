"""People who work here."""

from __future__ import annotations

import enum
from typing import ClassVar

from collector.record.things.base import Text, Thing


class Role(enum.StrEnum):
    """What somebody may do; an auditor reads, and issues papers of what is on record."""

    TECHNICIAN = "technician"
    SUPERVISOR = "supervisor"
    AUDITOR = "auditor"
    ADMINISTRATOR = "administrator"


class Person(Thing, frozen=True, omit_defaults=True, kw_only=True):
    """Somebody who works here. Credentials are kept elsewhere, outside ledger and evidence.

    Attributes:
        name: As on the badge.
        roles: What they may do.
        trained_on: When trained or last assessed for this work.
        training_expires: Last day on which that holds.
        colour_vision_on: When their colour vision was screened; strips are read by colour.
        colour_vision_passed: Its outcome.
        active: False once they have left.
    """

    KIND: ClassVar[str] = "person"
    name: Text
    roles: tuple[Role, ...]
    trained_on: str | None = None
    training_expires: str | None = None
    colour_vision_on: str | None = None
    colour_vision_passed: bool | None = None
    active: bool = True

    def open(self) -> bool:
        """Still here."""
        return self.active
