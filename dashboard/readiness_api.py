"""Readiness of each basin for programs."""

from __future__ import annotations

from typing import Annotated

import msgspec
from litestar import Router, get
from litestar.params import PathParameter

from collector.read import Reader
from collector.record.book import Book
from dashboard import query
from dashboard.readiness_view import standing
from dashboard.site import AskedSite, only_known_parameters
from dashboard.when import SiteTime

Node = Annotated[str, PathParameter(description="The node's name.")]
Name = Annotated[str, PathParameter(description="The basin's name on its node.")]


class BlockBody(msgspec.Struct, frozen=True):
    """One thing that stands against starting a load: its rule, what it is with figures, what to do."""

    rule: str
    text: str
    next_step: str


class ReadinessBody(msgspec.Struct, frozen=True):
    """Whether a basin is ready for a load.

    Attributes:
        blocks: What stands against a load, the most important first; empty when ready.
        needs_mc: What the display must show: minimum + U − correction, the highest over the sensors.
        indicated_mc: The coldest that the sensors indicate now; null if none is alive.
        remarks: What blocks nothing and is to be said all the same.
        fill: The fill in it; null if there is none.
        use_by: When that fill must be out of use.
    """

    node: str
    basin: str
    label: str
    ready: bool
    blocks: list[BlockBody]
    needs_mc: int | None
    indicated_mc: int | None
    remarks: list[str]
    fill: str | None
    use_by: str | None
    use_by_ms: int | None


class ReadinessesBody(msgspec.Struct, frozen=True):
    """Readiness of every basin."""

    now: str
    now_ms: int
    basins: list[ReadinessBody]


@get("/api/readiness", summary="Whether each basin is ready for a load, and what blocks")
async def get_readinesses(site: AskedSite) -> ReadinessesBody:
    """All basins, in the order of the settings."""
    now_ms = site.utc_now_ms()

    def ask(reader: Reader) -> list[ReadinessBody]:
        book = Book.looking(reader.connection, now_ms)
        return [_body(book, each.node, each.name, each.label, site.when) for each in reader.basins()]

    return ReadinessesBody(site.when.rfc3339(now_ms), now_ms, await site.store.read(ask))


@get("/api/readiness/{node:str}/{name:str}", summary="Whether one basin is ready for a load, and what blocks")
async def get_readiness(site: AskedSite, node: Node, name: Name) -> ReadinessBody:
    """One basin."""
    now_ms = site.utc_now_ms()

    def ask(reader: Reader) -> ReadinessBody:
        basin = query.basin_named(reader, node, name)
        return _body(Book.looking(reader.connection, now_ms), node, name, basin.label, site.when)

    return await site.store.read(ask)


def _body(book: Book, node: str, name: str, label: str, when: SiteTime) -> ReadinessBody:
    known = standing(book, f"{node}/{name}")
    found, fill = known.readiness, known.fill
    return ReadinessBody(
        node=node,
        basin=name,
        label=label,
        ready=found.ready,
        blocks=[BlockBody(each.rule, each.text, each.next_step) for each in found.blocks],
        needs_mc=found.needs_mc,
        indicated_mc=found.indicated_mc,
        remarks=list(found.remarks),
        fill=fill.id if fill else None,
        use_by=when.rfc3339(fill.use_by_ms) if fill else None,
        use_by_ms=fill.use_by_ms if fill else None,
    )


def readiness_router() -> Router:
    """Readiness for programs."""
    handlers = [get_readinesses, get_readiness]
    return Router("/", route_handlers=handlers, guards=[only_known_parameters], tags=["soakledger"])
