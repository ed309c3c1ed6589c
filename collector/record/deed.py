"""A deed: something that a person does and says. Each is one declaration with its rule."""

from __future__ import annotations

from typing import Annotated, ClassVar, TypeVar

import msgspec

from collector.record.book import Book
from collector.record.things import Role, Thing

HANDS = frozenset({Role.TECHNICIAN, Role.SUPERVISOR})
"""Who works at the basins."""

LEADS = frozenset({Role.SUPERVISOR})
KEEPERS = frozenset({Role.SUPERVISOR, Role.ADMINISTRATOR})
"""Who keeps profiles, device types and people in order."""

DEEDS: dict[str, type[Deed]] = {}
"""Every deed by its name."""


class Deed(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True, omit_defaults=True):
    """Base of all deeds. The first line of a deed's docstring is what the API and the forms call it.

    Attributes:
        reason: Why, in the person's words; some deeds ask for it.
    """

    NAME: ClassVar[str]
    ROLES: ClassVar[frozenset[Role]] = HANDS
    SECOND_FACTOR: ClassVar[bool] = False
    """A PIN or password is asked for, besides the badge."""
    SECOND_PERSON: ClassVar[bool] = False
    """It has a field `second_person`: somebody else, who has proven who they are at the same time."""

    reason: Annotated[str, msgspec.Meta(max_length=1_000)] = ""

    def perform(self, book: Book) -> Thing:
        """Check the rule and put what changes into the book.

        Returns:
            The thing that it is about.

        Raises:
            RefusedError: A rule stands against it.
        """
        raise NotImplementedError


_Deed = TypeVar("_Deed", bound=Deed)


def deed(kind: type[_Deed]) -> type[_Deed]:
    """Enter a deed in the table, from which API, forms and commands are made.

    Raises:
        ValueError: Another has its name.
    """
    if DEEDS.setdefault(kind.NAME, kind) is not kind:
        raise ValueError(f"Two deeds are called {kind.NAME!r}.")
    return kind
