"""The record for programs: things, the ledger, pictures of record."""

from __future__ import annotations

from typing import Annotated, Any

from litestar import Request, Response, Router, get, post
from litestar.params import FromPath, PathParameter, QueryParameter

from collector.pictures import MOST_BYTES
from collector.record.errors import RefusedError
from collector.record.things import KINDS, Person, Role, Thing
from dashboard import query
from dashboard.answers import HeadBody, HistoryBody, PictureBody, RecordsBody, ThingBody, ThingsBody
from dashboard.door import signed_in, someone
from dashboard.ledger_view import head_body, history, records_body
from dashboard.site import AskedSite, only_known_parameters
from dashboard.things_view import Wanted, thing_body, things_body

Text = str | None
Kind = Annotated[str, PathParameter(description="A kind of thing, such as fill, device, load.")]
ThingId = Annotated[str, PathParameter(description="The thing's id.")]
Most = Annotated[Text, QueryParameter(description="At most so many, 1 to 1000; 200 if not given.")]


@get("/api/things/{kind:str}", summary="Things of one kind as the record leaves them, by their time")
async def get_things(
    site: AskedSite,
    request: Request[Any, Any, Any],
    kind: Kind,
    *,
    group: Annotated[Text, QueryParameter(description="Of this group: a fill's basin, a test's fill, …")] = None,
    open: Annotated[Text, QueryParameter(description="yes: only what still needs somebody.")] = None,  # noqa: A002
    since: Annotated[Text, QueryParameter(description="At or after this time.")] = None,
    until: Annotated[Text, QueryParameter(description="Before this time.")] = None,
    order: Annotated[Text, QueryParameter(description="oldest first, or newest.")] = None,
    limit: Most = None,
    offset: Annotated[Text, QueryParameter(description="Leave out so many first.")] = None,
) -> ThingsBody:
    """A page of them; the largest time is that of their own kind: a pour, a dip, an expiry."""
    wanted = Wanted(
        group=group,
        only_open=query.choice("open", open, ("no", "yes")) == "yes",
        since_ms=query.moment_ms("since", since, 0) if since else None,
        until_ms=query.moment_ms("until", until, 0) if until else None,
        newest_first=query.choice("order", order, ("oldest", "newest")) == "newest",
        limit=query.whole("limit", limit, 200, 1, query.MOST_ROWS),
        offset=query.whole("offset", offset, 0, 0, 10**9),
    )
    found, personal = _kind(kind), _may_be_personal(request, kind)
    return await site.desks.look(lambda connection: things_body(connection, found, wanted, personal=personal))


@get("/api/things/{kind:str}/{thing_id:str}", summary="One thing as the record leaves it")
async def get_thing(site: AskedSite, request: Request[Any, Any, Any], kind: Kind, thing_id: ThingId) -> ThingBody:
    """One thing by its id."""
    found, personal = _kind(kind), _may_be_personal(request, kind)
    return await site.desks.look(lambda connection: thing_body(connection, found, thing_id, personal=personal))


@get("/api/things/{kind:str}/{thing_id:str}/history", summary="Every record that changed a thing, oldest first")
async def get_history(site: AskedSite, kind: Kind, thing_id: ThingId) -> HistoryBody:
    """Who said what of it, when and why."""
    found = _kind(kind)
    return await site.desks.look(lambda connection: history(connection, found, thing_id, site.when))


@get("/api/ledger", summary="The ledger's records in order")
async def get_ledger(
    site: AskedSite,
    *,
    first: Annotated[Text, QueryParameter(description="From this number on; 1 if not given.")] = None,
    kind: Annotated[Text, QueryParameter(description="Of this kind only.")] = None,
    limit: Most = None,
) -> RecordsBody:
    """As they were written: with the hash of each and of the one before, so that the chain can be checked."""
    number = query.whole("first", first, 1, 1, 10**11)
    most = query.whole("limit", limit, 200, 1, query.MOST_ROWS)
    kinds = (kind,) if kind else ()
    return await site.desks.look(lambda connection: records_body(connection, number, most, kinds, site.when))


@get("/api/ledger/head", summary="How many records there are, and the hash of the last")
async def get_head(site: AskedSite) -> HeadBody:
    """What printed evidence carries: a chain cut short or rewritten later does not match it."""
    return await site.desks.look(head_body)


@post(
    "/api/pictures",
    summary="Keep a picture of record: a label, a paper form",
    status_code=200,
    request_max_body_size=MOST_BYTES + 1024,
)
async def post_picture(site: AskedSite, request: Request[Any, Any, Any]) -> PictureBody:
    """The body is the JPEG, PNG or PDF file itself, at most 8 MB."""
    person = someone(request).person
    if set(person.roles) <= {Role.AUDITOR}:
        raise RefusedError(
            "role", f"{person.name} is an auditor, who only reads.", "Ask somebody who works here to do it."
        )
    content = await request.body()
    return PictureBody(*await site.desks.run(lambda: site.pictures.keep(content)))


@get("/api/pictures/{sha256:str}", summary="A picture of record", media_type="application/octet-stream")
async def get_picture(site: AskedSite, sha256: FromPath[str]) -> Response[bytes]:
    """The file as it was sent; its digest is looked at each time."""
    found = await site.desks.run(lambda: site.pictures.find(sha256))
    if found is None:
        raise query.MissingError(f"There is no picture {sha256[:70]!r}.")
    content, media_type = found
    ending = media_type.partition("/")[2]
    headers = {"Content-Disposition": f'inline; filename="{sha256[:16]}.{ending}"'}
    return Response(content, media_type=media_type, headers=headers)


def things_router() -> Router:
    """All of it."""
    handlers = [get_things, get_thing, get_history, get_ledger, get_head, post_picture, get_picture]
    return Router("/", route_handlers=handlers, guards=[only_known_parameters], tags=["record"])


def _may_be_personal(request: Request[Any, Any, Any], kind: str) -> bool:
    """Whether who asks is shown which encounters things belong to; people take somebody who is signed in.

    Raises:
        NotSignedInError: People are asked for, and nobody is signed in.
    """
    return (someone(request) if kind == Person.KIND else signed_in(request)) is not None


def _kind(name: str) -> type[Thing]:
    kind = KINDS.get(name)
    if kind is None:
        raise query.MissingError(f"There is no kind of thing {name[:60]!r}. Known: {', '.join(sorted(KINDS))}.")
    return kind
