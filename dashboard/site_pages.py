"""The page of the site's health: whether anybody must do something, and what."""

from __future__ import annotations

import shutil
import sqlite3
from importlib.metadata import version

from litestar import Router, get
from litestar.response import Template

from collector import ledger
from collector.backup.schedule import last_backup
from collector.commissionings import last_commissioned
from collector.read import NodeNow, Parked, Reader
from collector.record.book import Book
from collector.record.things import Alarm, Drill
from collector.schema import FILE_NAME
from dashboard.commissioned import Commissioning, commissionings
from dashboard.record_pages import sheet
from dashboard.site import AskedSite, Site, only_known_parameters
from dashboard.site_health import Health, Known, Word, health
from dashboard.site_upkeep import free_text, wear_text
from dashboard.when import DAY_MS

_WEEK_MS = 7 * DAY_MS
_PARKED = 50


@get("/site", include_in_schema=False)
async def site_page(site: AskedSite) -> Template:
    """Nodes, collector, broker, disk, ledger, alarms, backup; and messages that could not be taken in."""
    now_ms = site.utc_now_ms()

    def ask(reader: Reader) -> tuple[Health, list[Parked], dict[str, int], list[Commissioning]]:
        known = _known(site, reader, now_ms)
        done = commissionings([each.node for each in known.nodes], last_commissioned(reader.connection), site.when)
        return health(known, site.when), reader.parked(_PARKED), reader.parked_counts(), done

    found, parked, counts, commissioned = await site.store.read(ask)
    context = {
        "health": found,
        "good": Word.GOOD,
        "free_text": free_text,
        "wear_text": wear_text,
        "conditions": site.collecting.now().conditions,
        "left_out": site.collecting.now().left_out,
        "parked": parked,
        "counts": counts,
        "commissioned": commissioned,
    }
    return await sheet(site, "site.html", "site", context)


def _known(site: Site, reader: Reader, now_ms: int) -> Known:
    book, data_dir = Book.looking(reader.connection, now_ms), site.store.data_dir
    head = ledger.head(reader.connection)
    newest = ledger.record(reader.connection, head.records)
    disk = shutil.disk_usage(data_dir)
    nodes = reader.nodes()
    return Known(
        now_ms=now_ms,
        said=site.collecting.now(),
        nodes=nodes,
        restarts=_restarts(reader.connection, nodes, now_ms - _WEEK_MS),
        database_bytes=sum(each.stat().st_size for each in data_dir.glob(f"{FILE_NAME}*")),
        free_bytes=disk.free,
        disk_bytes=disk.total,
        records=head.records,
        software=newest.software if newest else "",
        version=version("soakledger"),
        chain=next((each for each in book.all(Alarm, only_open=True) if each.code == "chain-broken"), None),
        drill=next(iter(book.all(Drill, newest_first=True, limit=1)), None),
        backup=last_backup(reader.connection),
        rehearsal=site.rehearsal is not None,
    )


def _restarts(connection: sqlite3.Connection, nodes: list[NodeNow], since_ms: int) -> dict[str, int]:
    """Boots of each node that were first heard of since then; its very first start is none."""
    rows = connection.execute(
        """SELECT b.node, min(s.first_heard_ms) FROM stream s JOIN basin b ON b.id = s.basin_id
           GROUP BY b.node, s.boot ORDER BY 2"""
    ).fetchall()
    found = {}
    for node in (each.node for each in nodes):
        starts = [first_ms for name, first_ms in rows if name == node]
        found[node] = sum(first_ms >= since_ms for first_ms in starts[1:])
    return found


def site_router() -> Router:
    """All of it."""
    return Router("/", route_handlers=[site_page], guards=[only_known_parameters])
