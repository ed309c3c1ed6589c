"""The live stream: one task looks at the store, every open page hears of it."""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import AsyncGenerator, AsyncIterator, Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager
from typing import TypeVar

from litestar import Litestar
from litestar.response import ServerSentEventMessage

from collector.errors import DataError
from collector.read import Reader
from dashboard.collecting import Collecting
from dashboard.lanes import Frame, Lane, frame
from dashboard.live_alarms import LiveAlarms
from dashboard.live_told import LiveBody, Told
from dashboard.look import BasinSeen, Look, Looker
from dashboard.store import KeptReader, NotReadyError, Store, understood
from dashboard.when import SiteTime
from soak.rehearsal import Rehearsal

log = logging.getLogger(__name__)
T = TypeVar("T")
LOOK_EVERY_S = 0.2
"""How often the task asks whether anything was committed; the question costs microseconds."""
LOOK_ANYWAY_S = 1.0
"""The clock goes on, and silence is news, even when nothing is committed."""
KEEP_ALIVE_S = 15.0


class Live:
    """Looks for everybody.

    Args:
        store: Where the data are.
        when: Local time.
        utc_now_ms: The wall clock, or the rehearsal's.
        rehearsal: Set in a rehearsal.
        collecting: How the collector is.
    """

    def __init__(
        self,
        store: Store,
        when: SiteTime,
        utc_now_ms: Callable[[], int],
        rehearsal: Rehearsal | None,
        collecting: Collecting,
    ) -> None:
        self._store, self._when, self._rehearsal, self._collecting = store, when, rehearsal, collecting
        speed = rehearsal.speed if rehearsal else 1
        self._looker = Looker(when, utc_now_ms, lambda: time.monotonic_ns() // 1_000_000 * speed, speed)
        # SQLite connections stay in their thread, and PRAGMA data_version is told per connection.
        self._thread = ThreadPoolExecutor(1, "look")
        self._kept = KeptReader(store)
        self._data_version = -1
        self._told = Told()
        self._worded: dict[int, tuple[BasinSeen, Lane]] = {}
        self._changed = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self.stopping = False
        self.alarms = LiveAlarms(store, when, utc_now_ms)

    @asynccontextmanager
    async def running(self, _: Litestar) -> AsyncIterator[None]:
        """Keep looking for as long as the server runs."""
        self._loop = asyncio.get_running_loop()
        alarms = self.alarms.run(lambda: not self.stopping, self._news)
        tasks = [asyncio.create_task(self._run()), asyncio.create_task(alarms)]
        try:
            yield
        finally:
            self.stop()
            await asyncio.gather(*tasks)
            await self._in_thread(self._kept.close)
            self._thread.shutdown()

    def stop(self) -> None:
        """End every stream; for the event loop's own thread."""
        self.stopping = True
        self._changed.set()

    def stop_soon(self) -> None:
        """End every stream; for a signal handler or another thread."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self.stop)

    async def look(self) -> Look:
        """Look now.

        Raises:
            NotReadyError: There is no database yet.
            DataError: It cannot be read.
        """
        return await self._in_thread(self._look)

    def frame(self, look: Look) -> Frame:
        """The look as pages show it; what has not changed since the last one is not put into words again."""
        return frame(look, self._when, self._rehearsal, self._worded)

    async def stream(self) -> AsyncGenerator[ServerSentEventMessage, None]:
        """Alarms, and the whole state once; then alarms and lanes when they change. A comment keeps it open."""
        version, told_alarms = 0, b""
        yield ServerSentEventMessage(comment="live", data=None, retry=2000)
        while not self.stopping:
            if self.alarms.body != told_alarms:
                told_alarms = self.alarms.body
                yield ServerSentEventMessage(event="alarms", data=told_alarms.decode())
                continue
            if self._told.version != version:
                event, body = self._told.since(version)
                version = self._told.version
                yield ServerSentEventMessage(event=event, data=body)
                continue
            changed = self._changed
            try:
                await asyncio.wait_for(changed.wait(), KEEP_ALIVE_S)
            except TimeoutError:
                yield ServerSentEventMessage(comment="still here", data=None)

    async def _run(self) -> None:
        looked_s = 0.0
        while not self.stopping:
            due = time.monotonic() - looked_s >= LOOK_ANYWAY_S
            try:
                state = await self._state(due)
            except Exception:  # a page that stands still without a word would be worse than any one look
                log.exception("looking at the store failed; trying again")
                state = LiveBody("The basins cannot be shown: see the dashboard’s messages of this minute.", "", None)
            if state is not None:
                looked_s = time.monotonic()
                self._tell(state)
            await asyncio.sleep(LOOK_EVERY_S)

    async def _state(self, due: bool) -> LiveBody | None:
        try:
            found = await self._in_thread(self._frame_if, due)
        except (NotReadyError, DataError) as problem:
            return LiveBody(str(problem), self._collecting.now().banner, None)
        return None if found is None else LiveBody("", self._collecting.now().banner, found)

    def _tell(self, state: LiveBody) -> None:
        if self._told.tell(state):
            self._news()

    def _news(self) -> None:
        """Wake every stream."""
        self._changed.set()
        self._changed = asyncio.Event()

    async def _in_thread(self, work: Callable[..., T], *values: object) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._thread, work, *values)

    def _frame_if(self, due: bool) -> Frame | None:
        """Look and put into words, both beside the event loop: a thousand basins take a while."""
        look = self._look_if(due)
        return None if look is None else self.frame(look)

    def _look_if(self, due: bool) -> Look | None:
        """Look if something was committed since, or if it is time to anyway."""
        with understood(self._store.data_dir):
            reader = self._kept.connected()
            data_version = reader.data_version()
            if data_version == self._data_version and not due:
                return None
            self._data_version = data_version
            return self._look_at(reader)

    def _look(self) -> Look:
        with understood(self._store.data_dir):
            return self._look_at(self._kept.connected())

    def _look_at(self, reader: Reader) -> Look:
        return self._looker.look(reader, not_stored=self._not_stored())

    def _not_stored(self) -> bool:
        return bool(self._collecting.now().banner)
