"""The broker's rules: who may say and hear what. Pure text; tested against a real Mosquitto, every combination."""

from __future__ import annotations

from host.enrolment import COLLECTOR
from soak.wire import PREFIX, Topic

_SAID_BY_NODES = (Topic.READINGS, Topic.STATE)
_SAID_TO_NODES = (Topic.RECEIPT, Topic.ORDERS)


def acl() -> str:
    """For `acl_file`. What is not named is forbidden: `#` would let a node forge receipts.

    `%u` is the login. `%c`, the client's id, is whatever a client says that it is, and means nothing here.
    """
    lines = [
        "# Made by `soakledger broker-setup`, which overwrites it.",
        "# The collector hears all nodes, and alone sends receipts and orders.",
        f"user {COLLECTOR}",
        *(f"topic read {PREFIX}+/{topic}" for topic in _SAID_BY_NODES),
        *(f"topic readwrite {PREFIX}+/{topic}" for topic in _SAID_TO_NODES),
        "",
        "# A node, whose login is its name, says its own readings and state, and hears its own receipts and orders.",
        *(f"pattern write {PREFIX}%u/{topic}" for topic in _SAID_BY_NODES),
        *(f"pattern read {PREFIX}%u/{topic}" for topic in _SAID_TO_NODES),
    ]
    return "\n".join(lines) + "\n"
