"""The node's commissioning, filed in its data folder; the node says it with its state, the collector records it."""

from __future__ import annotations

import logging
from pathlib import Path

import msgspec

from firmware.ownership import give_to_folders_owner
from host.private_file import write_private
from soak.decoding import from_json
from soak.wire import Commissioned

log = logging.getLogger(__name__)

FILE_NAME = "commissioned.json"
MOST_BYTES = 48 * 1024
"""It travels with every state message, every ten seconds; eight basins come to about a sixth of this."""


class Filed(msgspec.Struct, frozen=True):
    """What the file says.

    Attributes:
        commissioned: The last commissioning; None: there is none.
        trouble: Why the file cannot be used; empty where it can, or there is none.
        closed: This user may not read it: that says nothing about the commissioning.
    """

    commissioned: Commissioned | None = None
    trouble: str = ""
    closed: bool = False


def file_commissioned(folder: Path, commissioned: Commissioned) -> None:
    """Keep a commissioning in the place of the one before.

    Raises:
        OSError: It could not be written.
        ValueError: It is too large to travel, or not what could be read again.
    """
    body = msgspec.json.encode(commissioned)
    if len(body) > MOST_BYTES:
        raise ValueError(f"it has {len(body)} bytes; at most {MOST_BYTES} travel with the node's state")
    from_json(body, Commissioned)
    write_private(folder / FILE_NAME, body)
    give_to_folders_owner(folder / FILE_NAME)


def filed(folder: Path) -> Filed:
    """What the file in the node's data folder says; never fails."""
    try:
        with (folder / FILE_NAME).open("rb") as file:
            body = file.read(MOST_BYTES)
        return Filed(from_json(body, Commissioned))  # one that is larger is cut off, and so no JSON
    except FileNotFoundError:
        return Filed()
    except (OSError, ValueError, msgspec.MsgspecError) as error:
        log.warning("commissioned not used file=%s problem=%r", folder / FILE_NAME, str(error))
        trouble = f"the file of its commissioning cannot be used ({error}); commission it again"
        return Filed(trouble=trouble, closed=isinstance(error, PermissionError))
