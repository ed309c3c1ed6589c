"""Bytes and plain data into types, from any thread: the one place that asks msgspec for a type.

When msgspec (0.22, read from its crash) meets a `Struct` for the first time it looks at its fields, and shows what it
has so far to everybody before it is done. A second thread that decodes the same type meanwhile, or one that contains
it, uses what is not there yet, and the process ends by SIGSEGV. So one thread at a time prepares types here, and only
what is ready is handed out.
"""

from __future__ import annotations

import threading
from typing import Any, TypeVar, overload

import msgspec

T = TypeVar("T")

_preparing = threading.RLock()
_json: dict[Any, msgspec.json.Decoder[Any]] = {}
_msgpack: dict[Any, msgspec.msgpack.Decoder[Any]] = {}


@overload
def json_decoder(kind: type[T]) -> msgspec.json.Decoder[T]: ...
@overload
def json_decoder(kind: Any) -> msgspec.json.Decoder[Any]: ...
def json_decoder(kind: Any) -> msgspec.json.Decoder[Any]:
    """The decoder of JSON into a type, ready for any thread.

    Args:
        kind: A type that msgspec knows, or a union of such.
    """
    ready = _json.get(kind)
    if ready is None:
        with _preparing:
            ready = _json.setdefault(kind, msgspec.json.Decoder(kind))
    return ready


@overload
def msgpack_decoder(kind: type[T]) -> msgspec.msgpack.Decoder[T]: ...
@overload
def msgpack_decoder(kind: Any) -> msgspec.msgpack.Decoder[Any]: ...
def msgpack_decoder(kind: Any) -> msgspec.msgpack.Decoder[Any]:
    """The same for MessagePack."""
    ready = _msgpack.get(kind)
    if ready is None:
        with _preparing:
            ready = _msgpack.setdefault(kind, msgspec.msgpack.Decoder(kind))
    return ready


def from_json(body: bytes | str, kind: type[T]) -> T:
    """Decode JSON strictly.

    Raises:
        msgspec.DecodeError: It is no JSON, or of another shape (`msgspec.ValidationError`).
    """
    return json_decoder(kind).decode(body)


def converted(content: Any, kind: type[T]) -> T:
    """Plain data (dicts, lists, texts, numbers) as a type.

    Raises:
        msgspec.ValidationError: They are of another shape.
    """
    json_decoder(kind)  # so that the type is ready
    return msgspec.convert(content, kind)
