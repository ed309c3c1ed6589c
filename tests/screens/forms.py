"""Forms as a browser would find them in a page: their fields, and what each field holds."""

from __future__ import annotations

from collections.abc import Iterator
from html.parser import HTMLParser
from typing import NamedTuple

TYPED = ("text", "search", "password", "email", "tel", "url", "number", "date", "datetime-local", "textarea")
"""Kinds of field that take what people type."""


class FormField(NamedTuple):
    """A field: its name, its kind (of an input its type), what it holds."""

    name: str
    kind: str
    value: str


class Form(NamedTuple):
    """A form: where and how it is sent, and its fields in order."""

    action: str
    method: str
    fields: tuple[FormField, ...]

    @property
    def hidden(self) -> dict[str, str]:
        """What goes along without being seen."""
        return {each.name: each.value for each in self.fields if each.kind == "hidden"}

    def held(self, name: str) -> list[str]:
        """What the fields of this name hold."""
        return [each.value for each in self.fields if each.name == name]


class _Parser(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.forms: list[tuple[dict[str, str], list[FormField]]] = []
        self.scripts = 0
        self.handlers: list[str] = []
        self._open = False
        self._text: tuple[str, list[str]] | None = None
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.handlers += [name for name in given if name.startswith("on")]
        if tag == "script" and "src" not in given and given.get("type") != "application/json":
            self.scripts += 1
        if tag == "form":
            self.forms.append((given, []))
            self._open = True
        if not self._open:
            return
        fields = self.forms[-1][1]
        name = given.get("name", "")
        if tag == "input" and name:
            kind = given.get("type", "text")
            unticked = kind in ("checkbox", "radio") and "checked" not in given
            fields.append(FormField(name, kind, "" if unticked else given.get("value", "")))
        elif tag == "textarea" and name:
            self._text = (name, [])
        elif tag == "select" and name:
            self._select = name
            fields.append(FormField(name, "select", ""))
        elif tag == "option" and self._select and "selected" in given:
            fields[-1] = fields[-1]._replace(value=given.get("value", ""))

    def handle_endtag(self, tag: str) -> None:
        if tag == "textarea" and self._text:
            name, words = self._text
            # A parser for pages leaves the first line break of a text field out.
            self.forms[-1][1].append(FormField(name, "textarea", "".join(words).removeprefix("\n")))
            self._text = None
        elif tag == "select":
            self._select = ""
        elif tag == "form":
            self._open = False

    def handle_data(self, data: str) -> None:
        if self._text:
            self._text[1].append(data)


def forms_in(html: str) -> list[Form]:
    """Every form of a page."""
    return list(_forms(_parsed(html)))


def foreign_code(html: str) -> list[str]:
    """What would run in a page besides its own files: scripts within it, and handlers in its elements."""
    parsed = _parsed(html)
    return [*["script"] * parsed.scripts, *parsed.handlers]


def _parsed(html: str) -> _Parser:
    parser = _Parser()
    parser.feed(html)
    parser.close()
    return parser


def _forms(parsed: _Parser) -> Iterator[Form]:
    for given, fields in parsed.forms:
        yield Form(given.get("action", ""), given.get("method", "get").lower(), tuple(fields))
