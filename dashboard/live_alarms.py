"""What stands, told to every open page in an event of its own: an alarm must not wait for the state of many basins."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import msgspec

from collector.errors import DataError
from dashboard.alarms_query import look_now
from dashboard.alarms_words import AlarmsNow
from dashboard.store import KeptReader, NotReadyError, Store, understood
from dashboard.when import SiteTime

log = logging.getLogger(__name__)

LOOK_EVERY_S = 0.1
LOOK_ANYWAY_S = 1.0
"""A silence runs out, though nothing is committed."""


class LiveAlarms:
    """Looks at the alarms for everybody, in a thread with a connection of its own.

    Args:
        store: Where the data are.
        when: Local time.
        utc_now_ms: The wall clock, or the rehearsal's.

    Attributes:
        now: What stood at the last look; none where that is not known.
        body: The same as it is told to pages; null where it is not known.
    """

    def __init__(self, store: Store, when: SiteTime, utc_now_ms: Callable[[], int]) -> None:
        self._data_dir, self._when, self._utc_now_ms = store.data_dir, when, utc_now_ms
        self._kept = KeptReader(store)
        self._thread = ThreadPoolExecutor(1, "alarms")
        self._data_version, self._looked_s = -1, float("-inf")
        self.now: AlarmsNow | None = None
        self.body = b""

    async def run(self, going: Callable[[], bool], tell: Callable[[], None]) -> None:
        """Look as long as it is going, and tell of every change."""
        loop = asyncio.get_running_loop()
        while going():
            if await loop.run_in_executor(self._thread, self._look):
                body = msgspec.json.encode(self.now)
                if body != self.body:
                    self.body = body
                    tell()
            await asyncio.sleep(LOOK_EVERY_S)
        await loop.run_in_executor(self._thread, self._kept.close)
        self._thread.shutdown()

    def _look(self) -> bool:
        """Look if something was committed since, or if it is time to anyway; False if not."""
        try:
            with understood(self._data_dir):
                reader = self._kept.connected()
                version = reader.data_version()
                if version == self._data_version and time.monotonic() - self._looked_s < LOOK_ANYWAY_S:
                    return False
                self._data_version, self._looked_s = version, time.monotonic()
                self.now = look_now(reader.connection, self._when, self._utc_now_ms())
        except Exception as error:
            self.now = None  # what stood before may stand no more
            if not isinstance(error, NotReadyError | DataError):
                log.exception("looking at the alarms failed; trying again")
        return True
