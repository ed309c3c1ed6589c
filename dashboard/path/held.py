"""What has been scanned and is not on record yet: it stands in the page's address, so nothing is lost or left behind.

A reload, the back button, a session that ended and a browser without scripts all find it there. Asset numbers and
basins are no secrets; a badge never stands in an address.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated
from urllib.parse import urlencode

import msgspec
from msgspec.structs import replace

from collector.record.things import BasinKey, Id
from dashboard.query import QueryError
from soak.decoding import converted

MOST_DEVICES = 50
"""As in `start-load`."""


class _Asked(msgspec.Struct, frozen=True):
    device: Annotated[tuple[Id, ...], msgspec.Meta(max_length=MOST_DEVICES)] = ()
    basin: BasinKey | None = None
    load: Id | None = None


class Held(msgspec.Struct, frozen=True):
    """What the start page holds.

    Attributes:
        devices: Asset numbers that have been scanned, in this order.
        basin: The basin that this page is for, "node/name"; empty: the one that is scanned.
        load: The load that was started last here; empty: none.
    """

    devices: tuple[str, ...] = ()
    basin: str = ""
    load: str = ""

    @classmethod
    def read(cls, devices: Sequence[str], basin: str, load: str) -> Held:
        """From an address or a form.

        Raises:
            QueryError: It is not what this page writes into its addresses.
        """
        asked = {"device": [each for each in devices if each], "basin": basin or None, "load": load or None}
        try:
            found = converted(asked, _Asked)
        except msgspec.ValidationError as error:
            raise QueryError(
                f"This address cannot be used ({error}). Go to /start and scan again: nothing was recorded."
            ) from None
        return cls(tuple(dict.fromkeys(found.device)), found.basin or "", found.load or "")

    @property
    def address(self) -> str:
        """The page that holds this."""
        pairs = [*(("device", each) for each in self.devices), ("basin", self.basin), ("load", self.load)]
        text = urlencode([(name, content) for name, content in pairs if content], safe="/")
        return f"/start?{text}" if text else "/start"

    def but(self, **changed: object) -> Held:
        """The same with something changed."""
        return replace(self, **changed)
