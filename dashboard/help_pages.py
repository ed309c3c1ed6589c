"""Help for each of the people who work with this, written in Markdown (`help/`), and shown as pages."""

from __future__ import annotations

import functools
import re
from pathlib import Path
from typing import NamedTuple

from litestar import Router, get
from litestar.params import FromPath
from litestar.response import Template
from markdown_it import MarkdownIt
from markupsafe import Markup

from dashboard.query import MissingError
from dashboard.site import only_known_parameters
from dashboard.texts import N_, _

_FOLDER = Path(__file__).parent / "help"


class Page(NamedTuple):
    """One page of help: its file, its title, and for whom it is."""

    name: str
    title: str
    whom: str


PAGES = {
    page.name: page
    for page in (
        Page("technician", N_("At the basin"), N_("For whoever soaks, rinses and releases.")),
        Page("supervisor", N_("At the desk"), N_("For supervisors: solutions, devices, people, the day’s review.")),
        Page("auditor", N_("Prove it"), N_("For infection prevention and auditors.")),
        Page("keeper", N_("The Pis and the collector"), N_("For whoever looks after the machines.")),
        Page("alarms", N_("Alarms"), N_("For everybody: what each alarm means, and what to do.")),
        Page("words", N_("What the words mean"), N_("For everybody: verdicts, findings and the other words here.")),
    )
}


@functools.cache
def blocks(name: str) -> tuple[str, ...]:
    """A page's Markdown, by paragraph: each is a text of its own for a translator."""
    return tuple(re.split(r"\n{2,}", (_FOLDER / f"{name}.md").read_text(encoding="utf-8").strip()))


def rendered(name: str) -> Markup:
    """A page's HTML in the site's language. Markup in the text is shown as text: nobody can put a script into it."""
    markdown = MarkdownIt("commonmark", {"html": False})
    return Markup(markdown.render("\n\n".join(_(each) for each in blocks(name))))  # noqa: S704 - html is off


@get("/help", include_in_schema=False)
async def help_page() -> Template:
    """What help there is."""
    return Template("help.html", context={"frame": None, "here": "help", "pages": PAGES, "shown": None})


@get("/help/{name:str}", include_in_schema=False)
async def one_help_page(name: FromPath[str]) -> Template:
    """One page of it."""
    if name not in PAGES:
        raise MissingError(_("There is no help {name}. What there is stands at /help.").format(name=repr(name[:60])))
    context = {"frame": None, "here": "help", "pages": PAGES, "shown": PAGES[name], "html": rendered(name)}
    return Template("help.html", context=context)


def help_router() -> Router:
    """All of it."""
    return Router("/", route_handlers=[help_page, one_help_page], guards=[only_known_parameters])
