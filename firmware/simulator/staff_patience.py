"""Doing things again and again until the pages answer, or until it is to stop."""

from __future__ import annotations

import logging
import threading
import time
from typing import Any

from firmware.simulator.staff_talk import AwayError

log = logging.getLogger(__name__)

AGAIN_S = 2.0


class Patience:
    """Waits for pages that are away.

    Args:
        stop: Set to end it.
    """

    def __init__(self, stop: threading.Event) -> None:
        self._stop = stop

    def until(self, ask: Any, patience_s: float | None = None) -> Any:
        """Ask again and again until there is an answer; None when it is to stop or patience ends."""
        began_s = time.monotonic()
        while not self._stop.is_set():
            try:
                if found := ask():
                    return found
            except AwayError as error:
                log.info("waiting: %s", error)
            if patience_s is not None and time.monotonic() - began_s > patience_s:
                return None
            self._stop.wait(AGAIN_S / 2)
        return None

    def patiently(self, work: Any) -> Any:
        """Do something that the pages may be away for; None when it is to stop."""
        while not self._stop.is_set():
            try:
                return work()
            except AwayError as error:
                log.warning("%s; again in %g s", error, AGAIN_S)
                self._stop.wait(AGAIN_S)
        return None
