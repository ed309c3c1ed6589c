"""A TCP line that delays, trickles, half-opens and cuts, between nodes and their broker: one thread, loopback only."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections import Counter
from collections.abc import Callable, Iterator

from tests.chaos.weather import BOTH, Kind, Phase, Way

HOST = "127.0.0.1"
_CHUNK = 65_536
_PIECE = 5
"""Bytes at a time while it trickles: less than the head of any message that carries a topic."""

_BETWEEN_PIECES_S = 0.004
_DELAY_S = 0.15

Plan = Callable[[int], Iterator[Phase]]
"""The phases of a connection, by its number, counted from 0. When they are over, the line stays plain."""


class Proxy:
    """Listens on a free port and connects whoever comes with a port of this machine.

    Args:
        target_port: Where to; nobody need listen there yet.
        plan: What each connection goes through.

    Attributes:
        port: Where it listens.
        happened: How many phases of each kind began.
    """

    def __init__(self, target_port: int, plan: Plan) -> None:
        self.port = 0
        self.happened: Counter[Kind] = Counter()
        self._target_port, self._plan = target_port, plan
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._work()), name="proxy")

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()
        self._ready.wait()

    def calm(self) -> None:
        """From now on no phase begins: each line is plain as soon as the one it is in is over."""
        self._loop.call_soon_threadsafe(self._calm.set)

    def close(self) -> None:
        """Cut every line and end."""
        if self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stop.set)
            self._thread.join()

    async def _work(self) -> None:
        self._loop, self._stop, self._calm = asyncio.get_running_loop(), asyncio.Event(), asyncio.Event()
        self._lines: set[asyncio.Task[None]] = set()
        self._accepted = 0
        server = await asyncio.start_server(self._take, HOST, 0)
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        await self._stop.wait()
        server.close()
        for line in self._lines:
            line.cancel()
        await asyncio.gather(*self._lines, return_exceptions=True)
        await server.wait_closed()

    def _take(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        line = asyncio.ensure_future(self._line(reader, writer))
        self._lines.add(line)
        line.add_done_callback(self._lines.discard)

    async def _line(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        plan = self._plan(self._accepted)
        self._accepted += 1
        first = Phase(Kind.PLAIN) if self._calm.is_set() else next(plan, Phase(Kind.PLAIN))
        try:
            if first.kind is Kind.DEAF:
                self.happened[first.kind] += 1
                await asyncio.sleep(first.seconds)
                return
            with contextlib.suppress(OSError):
                far_reader, far_writer = await asyncio.open_connection(HOST, self._target_port)
                try:
                    await _Line((reader, writer), (far_reader, far_writer), self._calm, self.happened).run(first, plan)
                finally:
                    await _abort(far_writer)
        finally:
            await _abort(writer)


End = tuple[asyncio.StreamReader, asyncio.StreamWriter]


class _Line:
    """One connection and its other half."""

    def __init__(self, near: End, far: End, calm: asyncio.Event, happened: Counter[Kind]) -> None:
        self._near, self._far, self._calm, self._happened = near, far, calm, happened
        self._phase = Phase(Kind.PLAIN)
        self._flows = {way: asyncio.Event() for way in Way}

    async def run(self, first: Phase, plan: Iterator[Phase]) -> None:
        """Until one of the ends goes, or the plan cuts it."""
        parts = [
            asyncio.ensure_future(part)
            for part in (
                self._go_through(first, plan),
                self._pump(self._near[0], self._far[1], Way.UP),
                self._pump(self._far[0], self._near[1], Way.DOWN),
            )
        ]
        try:
            await asyncio.wait(parts, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for part in parts:
                part.cancel()
            await asyncio.gather(*parts, return_exceptions=True)

    async def _go_through(self, first: Phase, plan: Iterator[Phase]) -> None:
        phase: Phase | None = first
        while phase is not None and not self._calm.is_set():
            self._happened[phase.kind] += 1
            if phase.kind is Kind.CUT:
                return
            self._begin(phase)
            await asyncio.sleep(phase.seconds)
            phase = next(plan, None)
        self._begin(Phase(Kind.PLAIN))
        await asyncio.Event().wait()

    def _begin(self, phase: Phase) -> None:
        self._phase = phase
        for way, flows in self._flows.items():
            if phase.kind is Kind.SILENT and way in phase.ways:
                flows.clear()
            else:
                flows.set()

    async def _pump(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, way: Way) -> None:
        """Bytes in one direction; that the end is reached is news too, and waits like all others."""
        data = b""
        while True:
            data = data or await reader.read(_CHUNK)
            await self._flows[way].wait()
            if not data:
                writer.close()  # in order: what was written is delivered first
                await writer.wait_closed()
                return
            phase = self._phase if way in self._phase.ways else Phase(Kind.PLAIN, ways=BOTH)
            trickles = phase.kind is Kind.TRICKLE
            if phase.kind is Kind.DELAY:
                await asyncio.sleep(_DELAY_S)
                if not self._flows[way].is_set():  # another phase has begun meanwhile
                    continue
            piece, data = (data[:_PIECE], data[_PIECE:]) if trickles else (data, b"")
            writer.write(piece)
            await writer.drain()
            if trickles:
                await asyncio.sleep(_BETWEEN_PIECES_S)


async def _abort(writer: asyncio.StreamWriter) -> None:
    """End at once; what has not been sent is gone."""
    writer.transport.abort()
    with contextlib.suppress(OSError, asyncio.CancelledError):
        await writer.wait_closed()
