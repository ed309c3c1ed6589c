"""The disk is not waited for: what these tests cut off is the process, and other processes see what was written."""

from __future__ import annotations

import os

import pytest


@pytest.fixture(autouse=True)
def flushed(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """What was to be flushed, in order, instead of flushing it: on a busy machine that takes minutes."""
    handles: list[int] = []
    monkeypatch.setattr(os, "fsync", handles.append)
    monkeypatch.setattr(os, "sync", lambda: None)
    return handles
