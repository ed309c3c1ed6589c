"""The wire as an AsyncAPI 3 document, made from the message types; `asyncapi.json` beside this is kept equal."""

from __future__ import annotations

from typing import Any

import msgspec

from soak.wire import PREFIX, Batch, Orders, Receipt, State, Topic

_CHANNELS: dict[Topic, tuple[type, str, bool]] = {
    Topic.READINGS: (Batch, "receive", False),
    Topic.STATE: (State, "receive", True),
    Topic.RECEIPT: (Receipt, "send", True),
    Topic.ORDERS: (Orders, "send", True),
}
"""Topic: its message, what the collector does with it, whether the broker retains it."""


def document(version: str) -> dict[str, Any]:
    """The whole document.

    Args:
        version: Of this software.
    """
    types = [message for message, _, _ in _CHANNELS.values()]
    refs, schemas = msgspec.json.schema_components(types, ref_template="#/components/schemas/{name}")
    for schema in schemas.values():
        if "description" in schema:  # Python 3.13 dedents docstrings, earlier ones do not
            schema["description"] = _dedented(schema["description"])
    channels: dict[str, Any] = {}
    operations: dict[str, Any] = {}
    messages: dict[str, Any] = {}
    for (topic, (message, action, retained)), ref in zip(_CHANNELS.items(), refs, strict=True):
        name = message.__name__
        summary = (message.__doc__ or "").split("\n", 1)[0]
        messages[name] = {"contentType": "application/json", "summary": summary, "payload": ref}
        channels[topic.value] = {
            "address": f"{PREFIX}{{node}}/{topic.value}",
            "description": summary,
            "messages": {name: {"$ref": f"#/components/messages/{name}"}},
            "parameters": {"node": {"description": "The node's name: a-z, 0-9 and single dashes."}},
            "bindings": {"mqtt": {"bindingVersion": "0.2.0"}},
        }
        operations[f"{action}-{topic.value}"] = {
            "action": action,
            "channel": {"$ref": f"#/channels/{topic.value}"},
            "bindings": {"mqtt": {"qos": 1, "retain": retained, "bindingVersion": "0.2.0"}},
        }
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Soakledger wire",
            "version": version,
            "description": "Between nodes and collector, over MQTT 3.1.1 or 5, seen from the collector. UTF-8 JSON. "
            "Fields that a reader does not know are ignored. A receipt, not the broker's acknowledgement, says that "
            "the collector's disk has a reading.",
        },
        "defaultContentType": "application/json",
        "channels": channels,
        "operations": operations,
        "components": {"messages": messages, "schemas": schemas},
    }


def _dedented(docstring: str) -> str:
    first, *rest = docstring.split("\n")
    indented = all(line.startswith("    ") for line in rest if line)
    return "\n".join([first, *(line[4:] for line in rest)] if indented else [first, *rest])


def text(version: str) -> str:
    """The document as it lies in the file."""
    return msgspec.json.format(msgspec.json.encode(document(version), order="sorted"), indent=2).decode() + "\n"
