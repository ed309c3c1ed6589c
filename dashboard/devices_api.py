"""All devices as a CSV file, out of the record and into it."""

from __future__ import annotations

from typing import Annotated, Any

import msgspec
from litestar import Request, Response, Router, get, post
from litestar.params import JSONBody

from collector.devices_csv import CsvError, exported, read
from collector.devices_import import import_devices
from collector.record import shelf
from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.things import Device
from dashboard.deeds_api import REFUSALS
from dashboard.door import somebody, someone
from dashboard.site import AskedSite, only_known_parameters

_MOST_BYTES = 8_000_000
_MEND = "Mend these lines and send the file again; nothing is recorded."


class ImportBody(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A CSV file of devices.

    Attributes:
        csv: The file's text: asset_number, type, serial, udi, retired.
        reason: Why, for every device that changes.
        write: False: only say what would happen.
    """

    csv: str
    reason: Annotated[str, msgspec.Meta(min_length=1, max_length=1_000)]
    write: bool = False


class ImportedBody(msgspec.Struct, frozen=True):
    """What an import does, or would do: in words what happens to each device, and how many stay as they are."""

    written: bool
    lines: list[str]
    unchanged: int


@get("/api/devices.csv", summary="Every device, the retired ones too, as CSV", media_type="text/csv; charset=utf-8")
async def get_devices_csv(site: AskedSite) -> Response[bytes]:
    """UTF-8; what a spreadsheet would take for a formula is guarded by an apostrophe."""
    content = await site.desks.look(lambda connection: exported(shelf.find_all(connection, Device)))
    headers = {"Content-Disposition": 'attachment; filename="devices.csv"'}
    return Response(content, media_type="text/csv; charset=utf-8", headers=headers)


@post(
    "/api/devices/import",
    summary="Record and change devices as a CSV file says",
    status_code=200,
    responses=REFUSALS,
    guards=[somebody],
    request_max_body_size=_MOST_BYTES,
)
async def post_devices_csv(
    site: AskedSite, request: Request[Any, Any, Any], data: JSONBody[ImportBody]
) -> ImportedBody:
    """All lines or none; devices that are not in it stay as they are. Writing takes a second factor."""
    signed = someone(request)
    if data.write and not signed.second_factor:
        raise RefusedError("second-factor", "This takes a PIN or password besides the badge.", "Enter your PIN.")

    def work(desk: Desk) -> ImportedBody:
        try:
            rows = read(data.csv.encode()).rows
            done = import_devices(desk, rows, signed.person.id, data.reason, write=data.write)
        except CsvError as error:
            raise RefusedError(
                "csv", str(error), "Mend these lines and send the file again; nothing is recorded."
            ) from None
        return ImportedBody(data.write, done.lines, done.unchanged)

    return await site.desks.write(work)


def devices_router() -> Router:
    """Both."""
    return Router(
        "/", route_handlers=[get_devices_csv, post_devices_csv], guards=[only_known_parameters], tags=["aids"]
    )
