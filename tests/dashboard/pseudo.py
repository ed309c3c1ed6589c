"""A translation that wraps every text in marks, and what of a page stands outside them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.frontend import parse_mapping_cfg
from babel.messages.pofile import write_po

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "dashboard"
KEYWORDS = {
    "_": None,
    "gettext": None,
    "ngettext": (1, 2),
    "many": (1, 2),
    "N_": None,
}
_NOT_READ = ("script", "style", "code", "noscript", "template")
_VOID = ("meta", "link", "br", "img", "input", "hr", "rect", "line", "path", "circle")
_SPOKEN = ("aria-label", "title", "alt", "placeholder", "data-label")


def extracted() -> Catalog:
    """What `./run texts` collects, collected here."""
    with (FOLDER / "catalogue" / "babel.cfg").open(encoding="utf-8") as file:
        methods, options = parse_mapping_cfg(file)
    catalogue = Catalog()
    found = extract_from_dir(str(FOLDER), methods, options, KEYWORDS)
    for name, line, text, comments, context in found:
        catalogue.add(text, None, [(f"dashboard/{name}", line)], auto_comments=comments, context=context)
    return catalogue


def wrapped(text: str) -> str:
    """As a translator would leave Markdown's own signs where they are."""
    head = re.match(r"(?:#+ |> )?", text)
    start = head.end() if head else 0
    return f"{text[:start]}⟦{text[start:]}⟧"


def pseudo(catalogue: Catalog, path: Path) -> None:
    """Every text of the catalogue in marks, as a translation."""
    made = Catalog(locale="de")
    for message in catalogue:
        if message.id:
            several = isinstance(message.id, tuple)
            texts = tuple(wrapped(each) for each in message.id) if several else wrapped(str(message.id))
            made.add(message.id, texts, message.locations, message.flags)
    with path.open("wb") as file:
        write_po(file, made)


class _Page(HTMLParser):
    """Text nodes and spoken attributes outside the marks; what is in a language of its own is passed over."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.depth = 0
        self.skipped: list[str] = []
        self.outside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        for name in _SPOKEN:
            self._outside(given.get(name) or "", 0)
        if tag in _VOID:
            return
        own = "lang" in given and tag != "html"
        if self.skipped or tag in _NOT_READ or own or given.get("translate") == "no":
            self.skipped.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.skipped and tag not in _VOID:
            self.skipped.pop()

    def handle_data(self, data: str) -> None:
        if not self.skipped:
            self.depth = self._outside(data, self.depth)

    def _outside(self, text: str, depth: int) -> int:
        for piece in re.split(r"([⟦⟧])", text):
            if piece == "⟦":
                depth += 1
            elif piece == "⟧":
                depth -= 1
            elif depth == 0 and re.search(r"[^\W\d_]{2}", piece):
                self.outside.append(" ".join(piece.split()))
        return depth


def untranslated(html: str, data: re.Pattern[str]) -> Iterator[str]:
    """What a person reads of a page that no translation reaches, without what `data` matches."""
    page = _Page()
    page.feed(html)
    for text in page.outside:
        left = data.sub(" ", text)
        if re.search(r"[^\W\d_]{2}", left):
            yield text
