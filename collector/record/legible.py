"""What can be recorded at all, whatever the deed: text that reads as it is written, times that a calendar has."""

from __future__ import annotations

import unicodedata
from typing import Any

from collector.record.errors import RefusedError

_LATEST_MS = 250_000_000_000_000
"""About the year 9892: calendars of this program end with 9999."""

_ALLOWED = "\t\r\n\x04\x1d\x1e"
"""Line ends in notes; separators within what a scanner reads (FNC1 as GS in the GS1 General Specifications; RS and EOT
in the envelope of ISO/IEC 15434, from memory)."""

_TURNING = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Unicode's explicit directional formatting: it makes text read in another order than it is written."""


def refuse_illegible(said: Any, name: str = "") -> None:
    """Refuse what nobody could read again as it was meant.

    Args:
        said: A deed's fields as JSON, or a part of them.
        name: Of that part.

    Raises:
        RefusedError: It holds control characters or halves of characters, or a time beyond every calendar.
    """
    if isinstance(said, dict):
        for key, content in said.items():
            _refuse_control(key, name)
            refuse_illegible(content, str(key))
    elif isinstance(said, list | tuple):
        for content in said:
            refuse_illegible(content, name)
    elif isinstance(said, str):
        _refuse_control(said, name)
    elif isinstance(said, int) and name.endswith("_ms") and not 0 <= said <= _LATEST_MS:
        raise RefusedError(
            "time-beyond", f"{said} in “{name}” is no time of any calendar.", "Give milliseconds since 1970."
        )


def _refuse_control(text: str, name: str) -> None:
    for each in text:
        category = unicodedata.category(each)
        if each in _TURNING or category == "Cs" or (category == "Cc" and each not in _ALLOWED):
            raise RefusedError(
                "control-character",
                f"The text in “{name}” holds a character that nobody sees (U+{ord(each):04X}): on paper and screen it "
                "would read as something else.",
                "Type it anew instead of copying it.",
            )
