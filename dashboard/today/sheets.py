"""Days of all basins, asked of the store in a thread of their own, so that no look at the basins waits for one."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterable
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager

from litestar import Litestar

from collector.read import Basin, Reader
from dashboard.store import KeptReader, Store, understood
from dashboard.today.gather import Day, Days


class Sheets:
    """Gathers days for everybody.

    Args:
        store: Where the data are.
    """

    def __init__(self, store: Store) -> None:
        self._data_dir, self._kept = store.data_dir, KeptReader(store)
        self._thread = ThreadPoolExecutor(1, "today")
        self._days = Days()
        self._reader: Reader | None = None

    @asynccontextmanager
    async def running(self, _: Litestar) -> AsyncIterator[None]:
        """Give the connection back when the server ends."""
        try:
            yield
        finally:
            await asyncio.get_running_loop().run_in_executor(self._thread, self._kept.close)
            self._thread.shutdown()

    async def day(self, range_ms: tuple[int, int], basins: Iterable[Basin], *, today: bool) -> Day:
        """One day.

        Raises:
            NotReadyError: There is no database yet.
            DataError: It cannot be read.
        """
        return await asyncio.get_running_loop().run_in_executor(self._thread, self._day, range_ms, basins, today)

    def _day(self, range_ms: tuple[int, int], basins: Iterable[Basin], today: bool) -> Day:
        with understood(self._data_dir):
            reader: Reader = self._kept.connected()
            if reader is not self._reader:  # another connection may be another database
                self._days, self._reader = Days(), reader
            return self._days.gather(reader, range_ms, basins, today=today)
