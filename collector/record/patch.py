"""What changed between two documents, as a JSON Merge Patch (RFC 7396)."""

from __future__ import annotations

from typing import Any


def difference(before: Any, after: Any) -> Any:
    """The patch that makes `after` of `before`.

    Args:
        before: A JSON document; None for nothing.
        after: A JSON document without null in it: in a patch null means "take it away".
    """
    if not isinstance(before, dict) or not isinstance(after, dict):
        return after
    patch = {key: None for key in before if key not in after}
    for key, content in after.items():
        if key not in before:
            patch[key] = content
        elif before[key] != content:
            patch[key] = difference(before[key], content)
    return patch


def patched(before: Any, patch: Any) -> Any:
    """The document with a patch applied, as RFC 7396 says."""
    if not isinstance(patch, dict):
        return patch
    after = dict(before) if isinstance(before, dict) else {}
    for key, content in patch.items():
        if content is None:
            after.pop(key, None)
        else:
            after[key] = patched(after.get(key), content)
    return after
