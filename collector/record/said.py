"""What a deed says, for deeds that change part of a thing and for those that must say why."""

from __future__ import annotations

from typing import Any

from msgspec import UNSET

from collector.record.deed import Deed
from collector.record.errors import RefusedError


def given(said: Deed) -> dict[str, Any]:
    """What a deed gives besides id and reason; fields left unset are not in it."""
    fields = {name: getattr(said, name) for name in said.__struct_fields__ if name not in ("id", "reason")}
    return {name: content for name, content in fields.items() if content is not UNSET}


def need_reason(said: Deed, text: str, next_step: str) -> None:
    """A deed that must say why.

    Args:
        said: The deed.
        text: What it means that there is no reason.
        next_step: What to write.

    Raises:
        RefusedError: Its reason is empty.
    """
    if not said.reason.strip():
        raise RefusedError("reason", text, next_step)
