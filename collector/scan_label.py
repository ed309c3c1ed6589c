"""What stands in the QR codes of our own labels: `SL:kind:id`, for instance `SL:basin:node-1/b1`.

Short (a small code with large squares), readable by people, and nothing but ASCII letters, digits and `: / . _ -`. The
small letters of the kind show when caps lock turned all letters round. A badge's code (`collector.credentials`) has a
form of its own.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from collector.credentials import BADGE_PREFIX
from collector.scan_pieces import ScanError

PREFIX = "SL"
KINDS = ("basin", "device", "bottle", "fill", "strips")

BADGE = "badge"
"""What a badge names is a person's credential, not their id; it is never shown."""

_LIKE_A_BADGE = 16  # letters and nothing else; no maker's number that was seen looks so
_SHORTEST_BADGE = 26  # letters; anything shorter would be guessed

_FORM = re.compile(rf"{PREFIX}:([a-z]+):([A-Za-z0-9][A-Za-z0-9._/-]{{0,127}})")


class OwnLabel(NamedTuple):
    """What one of our labels names."""

    kind: str
    id: str


def label_text(kind: str, thing_id: str) -> str:
    """What to put into the code.

    Raises:
        ValueError: No label can name that.
    """
    text = f"{PREFIX}:{kind}:{thing_id}"
    if kind not in KINDS or not _FORM.fullmatch(text):
        raise ValueError(f"No label can name the {kind} {thing_id!r}.")
    return text


def is_own_label(text: str) -> bool:
    """It begins as our labels do."""
    return text.startswith(f"{PREFIX}:")


def is_turned_round(text: str) -> bool:
    """Caps lock turned its letters round: `sl:BASIN:…`."""
    return text.startswith(f"{PREFIX.lower()}:") and text.swapcase().split(":")[1] in KINDS


def is_badge(text: str) -> bool:
    """It has the form of a badge's code; capitals or not."""
    return text.isascii() and text.isalpha() and len(text) >= _SHORTEST_BADGE and text.upper().startswith(BADGE_PREFIX)


def like_a_badge(text: str) -> bool:
    """It may be a part of a badge's code, which is a secret: what reads so and names nothing is not shown again."""
    return text.isalpha() and len(text) >= _LIKE_A_BADGE


def read_label(text: str) -> OwnLabel:
    """Read one of our labels.

    Raises:
        ScanError: It is damaged, or of a later version of this program. What it says is not repeated.
    """
    match = _FORM.fullmatch(text)
    if not match or match[1] not in KINDS:
        raise ScanError(
            "own-label",
            "This begins like one of our own labels but cannot be read to its end.",
            "Scan again, more slowly. If it reads so again, print the label anew.",
        )
    return OwnLabel(match[1], match[2])
