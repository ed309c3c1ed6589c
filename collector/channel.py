"""How the collector and its receiver process talk: frames over a socket pair. Pure."""

from __future__ import annotations

import struct
from typing import NamedTuple

_HEAD = struct.Struct(">cHI")  # kind, length of the topic, length of the payload

MESSAGE, RETAINED = b"M", b"R"
"""A message came; the broker had kept it from before."""
CONNECTED, DISCONNECTED, ALIVE = b"C", b"D", b"A"
"""The broker took us in, is gone (the payload says why), or nothing happened for a second."""
ERRAND, PUBLISH, UNSUBSCRIBE = b"E", b"P", b"U"
"""To the receiver: what it is to do; publish a retained message; ask for a topic no more."""


class Frame(NamedTuple):
    """One thing said."""

    kind: bytes
    topic: str = ""
    payload: bytes = b""


def encoded(frame: Frame) -> bytes:
    """A frame as it travels."""
    topic = frame.topic.encode()
    return _HEAD.pack(frame.kind, len(topic), len(frame.payload)) + topic + frame.payload


class Frames:
    """Makes frames of bytes as they come."""

    def __init__(self) -> None:
        self._rest = b""

    def feed(self, more: bytes) -> list[Frame]:
        """The frames that are whole now."""
        frames: list[Frame] = []
        buffer, start = self._rest + more, 0
        while start + _HEAD.size <= len(buffer):
            kind, topic_bytes, payload_bytes = _HEAD.unpack_from(buffer, start)
            topic_at = start + _HEAD.size
            payload_at = topic_at + topic_bytes
            end = payload_at + payload_bytes
            if end > len(buffer):
                break
            frames.append(Frame(kind, buffer[topic_at:payload_at].decode(), buffer[payload_at:end]))
            start = end
        self._rest = buffer[start:]
        return frames
