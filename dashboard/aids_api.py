"""Aids for the work at the basins: scanned codes, spills, what runs out, papers to print. Nothing here records."""

from __future__ import annotations

from typing import Annotated

import msgspec
from litestar import Response, Router, get, post
from litestar.params import FromQuery, JSONBody, PathParameter, QueryParameter
from litestar.response import Template

from collector import downtime_form
from collector.labels import LABELS, all_ids
from collector.labels_sheet import sheet as label_sheet
from collector.paper import Paper
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.solutions.due import Due, due_before_next_working_day, next_working_day
from collector.record.solutions.spill import Spill, spill
from collector.record.things import Profile
from collector.scan import joined, read_scan
from collector.scan_identify import Identified, identify
from dashboard import query
from dashboard.record_pages import look, sheet
from dashboard.site import AskedSite, only_known_parameters

Text = str | None
Code = Annotated[str, msgspec.Meta(max_length=1_000)]
PaperSize = Annotated[Text, QueryParameter(description="Size of the paper: a4, or letter.")]

_MOST_ML = 1_000_000
_MOST_LABELS = 500
_MOST_SOAKS = 100


class ScanBody(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What a scanner typed into a field.

    Attributes:
        text: As it came, with everything around it. The text of a chosen reading, sent again, is read in that way only.
        second: The other code of the same label, where product code and lot stand in two.
    """

    text: Code
    second: Code = ""


class DueBody(msgspec.Struct, frozen=True):
    """What runs out before the site works again, the first one first, with what to order or prepare.

    Attributes:
        next_working_day: The first day after today on which the site works.
        due: Fills, bottles and strip bottles.
    """

    next_working_day: str
    due: list[Due]


@post("/api/scan", summary="What a scanned code says, and what it is of", status_code=200)
async def post_scan(site: AskedSite, data: JSONBody[ScanBody]) -> Identified:
    """Nothing is recorded. A code stands in the body, for addresses are written into logs and a badge is a secret."""

    def question(book: Book) -> Identified:
        today = book.local_date(book.at_ms)
        scan = read_scan(data.text, today)
        return identify(book, joined(scan, read_scan(data.second, today), today) if data.second else scan)

    return await look(site, question)


@get("/api/due", summary="What runs out before the next working day, and what to order")
async def get_due(site: AskedSite) -> DueBody:
    """Working days and holidays are the site's own (its policy)."""
    return await look(site, lambda book: DueBody(next_working_day(book).isoformat(), due_before_next_working_day(book)))


@get("/api/spill", summary="What to do about a spill: neutralising amount, steps, cautions")
async def get_spill(
    site: AskedSite,
    *,
    profile: Annotated[Text, QueryParameter(description="Solution profile of what was spilled.")] = None,
    volume_ml: Annotated[Text, QueryParameter(description="How much, millilitres, 1 to 1000000.")] = None,
) -> Spill:
    """Local codes, the label and the safety data sheet decide."""
    if not profile or not volume_ml:
        raise query.QueryError("Write which solution and how much of it, such as ?profile=opa&volume_ml=500.")
    asked_ml = query.whole("volume_ml", volume_ml, 0, 1, _MOST_ML)
    return await look(site, lambda book: _spill(book, profile, asked_ml))


@get("/spill", include_in_schema=False)
async def spill_page(site: AskedSite, profile: FromQuery[Text] = None, volume_ml: FromQuery[Text] = None) -> Template:
    """The same as a page: the cautions at once, the amount as soon as solution and volume are known."""
    asked_ml = query.whole("volume_ml", volume_ml, 0, 1, _MOST_ML)

    def question(book: Book) -> dict[str, object]:
        return {
            "profiles": book.all(Profile),
            "profile": profile or "",
            "volume_ml": asked_ml or "",
            "spill": _spill(book, profile, asked_ml) if profile else spill("this solution", "", asked_ml),
            "disposal_rule": book.policy.disposal_rule,
        }

    return await sheet(site, "spill.html", "solutions", await look(site, question))


@get("/api/labels/{kind:str}", summary="A sheet of QR labels to print", media_type="text/html; charset=utf-8")
async def get_labels(
    site: AskedSite,
    kind: Annotated[str, PathParameter(description="basins, fills, bottles, strips or devices.")],
    *,
    ids: Annotated[Text, QueryParameter(description="Of these only, with commas; else all that are in use.")] = None,
    paper: PaperSize = None,
) -> Response[str]:
    """An HTML file with everything in it. Badges are not among them: printing one is recorded, `soakledger labels`."""
    if kind not in LABELS:
        raise query.MissingError(f"There are no labels of {kind[:40]!r}. Known: {', '.join(LABELS)}.")
    size = _paper(paper)
    wanted = [each.strip() for each in (ids or "").split(",") if each.strip()]

    def question(book: Book) -> str:
        found = wanted or all_ids(book, kind)
        if not found:
            raise RefusedError("nothing", f"There are no {kind} to print labels for.", "Record them first.")
        if len(found) > _MOST_LABELS:
            raise query.QueryError(
                f"{len(found)} labels are too many for one sheet. Name at most {_MOST_LABELS}: ?ids=…"
            )
        return label_sheet([LABELS[kind](book, each) for each in found], f"Labels: {kind}", size)

    return _file(await look(site, question), f"labels-{kind}.html")


@get("/api/downtime-form", summary="The paper form for a downtime", media_type="text/html; charset=utf-8")
async def get_downtime_form(
    *,
    paper: PaperSize = None,
    soaks: Annotated[Text, QueryParameter(description="For how many soaks, 1 to 100; 8 if not given.")] = None,
) -> Response[str]:
    """To be printed before it is needed. What is typed in from it later is marked as such."""
    rows = query.whole("soaks", soaks, 8, 1, _MOST_SOAKS)
    return _file(downtime_form.form(_paper(paper), rows), "downtime-form.html")


def aids_router() -> Router:
    """All of them."""
    handlers = [post_scan, get_due, get_spill, spill_page, get_labels, get_downtime_form]
    return Router("/", route_handlers=handlers, guards=[only_known_parameters], tags=["aids"])


def _spill(book: Book, profile_id: str, volume_ml: int) -> Spill:
    profile = book.find(Profile, profile_id)
    if profile is None:
        raise query.MissingError(f"There is no solution profile {profile_id[:60]!r}. They are listed at /solutions.")
    name = f"{profile.name} {profile.chemistry}" if profile.chemistry else profile.name
    return spill(name, profile.neutraliser, volume_ml, book.policy.glycine_g_per_us_gallon)


def _paper(text: Text) -> Paper:
    return Paper(query.choice("paper", text, tuple(each.value for each in Paper)))


def _file(html: str, name: str) -> Response[str]:
    """To be kept and printed: its style stands in it, which the pages of this site may not do."""
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(html, media_type="text/html; charset=utf-8", headers=headers)
