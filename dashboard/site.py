"""What every handler needs, in one object."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from litestar.connection import ASGIConnection
from litestar.di import NamedDependency
from litestar.handlers import BaseRouteHandler

from collector.clock import wall_clock
from collector.pictures import Pictures
from dashboard.addresses import Addresses
from dashboard.alone import Alone
from dashboard.collecting import Collecting
from dashboard.desks import Desks
from dashboard.live import Live
from dashboard.metrics.gather import Counts
from dashboard.query import known_names
from dashboard.store import Store
from dashboard.today.sheets import Sheets
from dashboard.tries import Tries
from dashboard.when import SiteTime
from soak.rehearsal import Rehearsal

NOT_ASKED = ("site", "request", "data", "accept_encoding")


class Site:
    """One site's store, clock and live stream.

    Args:
        data_dir: The collector's data folder.
        rehearsal: The clock that all parts of a rehearsal share; None in earnest.
        when: Local time; as this machine is set by default.
        real_now_ms: The real clock, by which sessions end also in a rehearsal.
        closed: Looking, too, takes somebody who is signed in.
        metrics_from: Addresses and networks from which /metrics is answered without signing in.
    """

    def __init__(
        self,
        data_dir: Path,
        rehearsal: Rehearsal | None = None,
        when: SiteTime | None = None,
        real_now_ms: Callable[[], int] | None = None,
        *,
        closed: bool = False,
        metrics_from: Iterable[str] = (),
    ) -> None:
        self.closed = closed
        self.metrics_from = Addresses(metrics_from)
        self.counts = Counts()
        self.store = Store(data_dir)
        self.when = when or SiteTime()
        self.rehearsal = rehearsal
        self.utc_now_ms: Callable[[], int] = wall_clock(rehearsal)
        self.real_now_ms = real_now_ms or wall_clock()
        self.desks = Desks(data_dir, self.utc_now_ms)
        self.tries = Tries()
        self.alone = Alone()
        self.pictures = Pictures(data_dir)
        self.collecting = Collecting(data_dir)
        self.live = Live(self.store, self.when, self.utc_now_ms, rehearsal, self.collecting)
        self.today = Sheets(self.store)


AskedSite = NamedDependency[Site]
"""How a handler asks for the site."""


async def only_known_parameters(connection: ASGIConnection[Any, Any, Any, Any], handler: BaseRouteHandler) -> None:
    """A guard: a parameter that the handler does not take is refused, not ignored.

    Raises:
        QueryError: There is one.
    """
    own = handler.parsed_fn_signature.parameters.keys() - connection.path_params.keys() - set(NOT_ASKED)
    known_names(connection.query_params.keys(), own)
