"""A thread that only watches: writes the status file, feeds systemd's watchdog, notices when work stands still."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from pathlib import Path

from collector.broker.watching import CertificateWatch
from collector.clock import UtcClock
from collector.conditions import Conditions
from collector.rivals import Rivals
from collector.status import BEAT_EVERY_S, Own, Status, write
from host.clock import boot_id, boottime_ms
from host.notify import notify, watchdog_every_s
from soak.quantity import in_words

log = logging.getLogger(__name__)

STUCK_S = 30.0
"""The intake moves several times a second, a wait for the database included; a card's slowest writes take seconds."""


class Pulse:
    """When a thread last moved."""

    def __init__(self) -> None:
        self.moved_s = time.monotonic()
        self.stored_ms: int | None = None

    def beat(self) -> None:
        """This thread moves."""
        self.moved_s = time.monotonic()


class Watch:
    """Runs beside the collector's work.

    Args:
        data_dir: Where the status file is.
        voice: Epoch and run.
        clock: The wall clock.
        conditions: What is wrong.
        pulse: Of the thread that takes messages in.
        linked: The connection's own thread runs.
        own: How the collector's own machine is.
        certificates: What was seen of certificates; None: nobody looks.
    """

    def __init__(
        self,
        data_dir: Path,
        voice: Rivals,
        clock: UtcClock,
        conditions: Conditions,
        *,
        pulse: Pulse,
        linked: Callable[[], bool],
        own: Callable[[], Own] = Own,
        certificates: CertificateWatch | None = None,
    ) -> None:
        self._data_dir, self._voice, self._clock = data_dir, voice, clock
        self._conditions, self._pulse, self._linked = conditions, pulse, linked
        self._own, self._certificates = own, certificates
        self._boot = boot_id()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._go, name="watch", daemon=True)
        self._feed_every_s = watchdog_every_s()
        self._fed_s = 0.0
        self._fed_move_s = 0.0

    def start(self) -> None:
        """Begin, and tell systemd that the collector is ready."""
        self._beat(running=True)
        notify("READY=1", self._said())
        self._thread.start()

    def stop(self) -> None:
        """Say that this ends in order."""
        notify("STOPPING=1")
        self._over.set()
        self._thread.join()
        self._beat(running=False)

    def _go(self) -> None:
        every_s = min(BEAT_EVERY_S, (self._feed_every_s or BEAT_EVERY_S) / 2)
        beaten_s = time.monotonic()
        while not self._over.wait(every_s):
            try:
                self._see_stuck()
                self._feed()
                if time.monotonic() - beaten_s >= BEAT_EVERY_S:
                    beaten_s = time.monotonic()
                    self._beat(running=True)
            except Exception:  # a watch that dies in silence is none: systemd will miss it, the log says why
                log.exception("the watch failed; it goes on")

    def _see_stuck(self) -> None:
        still_s = time.monotonic() - self._pulse.moved_s
        if still_s > STUCK_S:
            self._conditions.set("intake-stuck", detail=in_words(int(still_s) * 1000))
        else:
            self._conditions.clear("intake-stuck")

    def _feed(self) -> None:
        """Systemd hears that all is well only while each thread that matters has moved since it last heard."""
        now_s = time.monotonic()
        if self._feed_every_s is None or now_s - self._fed_s < self._feed_every_s * 0.9:
            return
        if self._pulse.moved_s > self._fed_move_s and self._linked():
            self._fed_s, self._fed_move_s = now_s, self._pulse.moved_s
            notify("WATCHDOG=1", self._said())

    def _said(self) -> str:
        standing = self._conditions.standing()
        return f"STATUS={standing[0].words.happened if standing else 'Taking readings in.'}".replace("\n", " ")

    def _beat(self, *, running: bool) -> None:
        standing = self._conditions.standing()
        write(
            self._data_dir,
            Status(
                epoch=self._voice.epoch,
                run=self._voice.run,
                running=running,
                boot=self._boot,
                beat_ms=boottime_ms(),
                said_ms=self._clock(),
                stored_ms=self._pulse.stored_ms,
                conditions=standing,
                own=self._own(),
                encrypted=self._certificates.encrypted if self._certificates else None,
                certificates=self._certificates.told() if self._certificates else [],
            ),
        )
