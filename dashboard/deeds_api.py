"""One address for each deed, made from the table of deeds: POST /api/deeds/{name} with the deed's fields."""

from __future__ import annotations

import inspect
from functools import cache
from typing import Annotated, Any

from litestar import Request, Router, get, post
from litestar.handlers import HTTPRouteHandler
from litestar.openapi.datastructures import ResponseSpec
from litestar.params import HeaderParameter, JSONBody

from collector.record.all import DEEDS
from collector.record.deed import Deed
from collector.record.desk import Desk, Done
from dashboard.answers import DeedBody, DeedsBody, DoneBody, RefusalBody
from dashboard.doing import Proof, do, guessing
from dashboard.door import somebody, someone
from dashboard.forms import title
from dashboard.site import AskedSite, only_known_parameters

AnyRequest = Request[Any, Any, Any]
Once = Annotated[
    str, HeaderParameter(name="Idempotency-Key", description="The sender's key: sent again, nothing is done twice.")
]
Pin = Annotated[
    str, HeaderParameter(name="X-PIN", description="PIN of who is signed in, where a second factor is asked.")
]
SecondBadge = Annotated[str, HeaderParameter(name="X-Second-Badge", description="Badge of the second person.")]
SecondPin = Annotated[str, HeaderParameter(name="X-Second-PIN", description="PIN of the second person.")]

REFUSALS = {
    401: ResponseSpec(RefusalBody, description="Nobody is signed in.", generate_examples=False),
    403: ResponseSpec(
        RefusalBody, description="Their role, or what they proved, is not enough.", generate_examples=False
    ),
    409: ResponseSpec(RefusalBody, description="A rule stands against it.", generate_examples=False),
    422: ResponseSpec(RefusalBody, description="The body cannot be used.", generate_examples=False),
}


def deed_body(kind: type[Deed]) -> DeedBody:
    """A deed for a list."""
    return DeedBody(kind.NAME, title(kind), sorted(kind.ROLES), kind.SECOND_FACTOR, kind.SECOND_PERSON)


@get("/api/deeds", summary="What can be recorded, and who may")
async def get_deeds() -> DeedsBody:
    """Every deed; the fields of each stand in the OpenAPI description."""
    return DeedsBody([deed_body(kind) for _, kind in sorted(DEEDS.items())])


def deeds_router() -> Router:
    """A route for each deed."""
    handlers: list[HTTPRouteHandler] = [get_deeds, *(_handler(kind) for _, kind in sorted(DEEDS.items()))]
    return Router("/", route_handlers=handlers, guards=[only_known_parameters], tags=["record"])


@cache
def _handler(kind: type[Deed]) -> HTTPRouteHandler:
    async def handle(
        site: AskedSite,
        request: AnyRequest,
        data: Deed,
        *,
        once: Once = "",
        pin: Pin = "",
        second_badge: SecondBadge = "",
        second_pin: SecondPin = "",
    ) -> DoneBody:
        signed, proof = someone(request), Proof(pin, second_badge, second_pin)

        def work(desk: Desk, now_ms: int) -> Done:
            site.pictures.refuse_missing(data)
            return do(desk, signed, data, proof, once=once, now_ms=now_ms)

        return DoneBody.of(await guessing(site, request, work, compares=proof.given))

    handle.__name__ = f"do_{kind.NAME.replace('-', '_')}"
    body_of: Any = JSONBody  # a type that is known only here, so no type for a checker
    handle.__annotations__ = {**inspect.get_annotations(handle, eval_str=True), "data": body_of[kind]}
    return post(
        f"/api/deeds/{kind.NAME}",
        status_code=200,
        guards=[somebody],
        summary=title(kind),
        description=_description(kind),
        responses=REFUSALS,
    )(handle)


def _description(kind: type[Deed]) -> str:
    roles = " or ".join(sorted(kind.ROLES)) or "nobody"
    parts = [inspect.getdoc(kind) or "", f"Who may: {roles}."]
    if kind.SECOND_FACTOR:
        parts.append("Takes a second factor: sign in with PIN or password, or send X-PIN.")
    if kind.SECOND_PERSON:
        parts.append("Takes a second person: their id in `second_person`, their PIN in X-Second-PIN.")
    return "\n\n".join(parts)
