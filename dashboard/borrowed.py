"""Texts that pages show and that stand elsewhere than in this room's code: alarms, findings, deeds, help.

They are looked up in the catalogue where they are shown, and collected for it here, for no call in the code names them.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from msgspec import inspect as types

from collector.alarms.drill import Arrival
from collector.credentials import Kind
from collector.lookback.causes import CAUSES
from collector.record.all import DEEDS
from collector.record.things import Role
from dashboard import forms, help_pages
from soak.alarms import KINDS
from soak.findings import CODES


def borrowed() -> list[str]:
    """All of them, each once."""
    return list(
        dict.fromkeys(
            text for text in (*_of_alarms(), *_of_causes(), *CODES.values(), *_of_deeds(), *_of_help()) if text
        )
    )


def extract(_file: Any, _keywords: Any, _comments: Any, options: Any) -> Iterator[tuple[int, str, str, list[str]]]:
    """What Babel calls for this file, and passes `options` by name: see catalogue/babel.cfg."""
    del options
    return ((1, "gettext", text, []) for text in borrowed())


def _of_alarms() -> Iterator[str]:
    for kind in KINDS.values():
        yield from (kind.name, kind.todo)
    yield from (each.value for each in Arrival)


def _of_causes() -> Iterator[str]:
    for cause in CAUSES.values():
        yield from (cause.said, cause.meaning)


def _of_deeds() -> Iterator[str]:
    yield from (each.value for each in (*Role, *Kind))
    for kind in DEEDS.values():
        yield from (forms.english_title(kind), forms.english_explanation(kind))
        info = types.type_info(kind)
        yield from _of_fields(info)


def _of_fields(info: types.Type) -> Iterator[str]:
    """Labels, hints and words to be chosen, of what is inside a field too."""
    for each in _structs(info):
        said = forms.said_of(each.cls)
        for field in each.fields:
            yield from (forms.english_label(field.name), said.get(field.name, ""), *_chosen(field.type))


def _structs(kind: types.Type) -> Iterator[types.StructType]:
    if isinstance(kind, types.StructType):
        yield kind
        for field in kind.fields:
            yield from _structs(field.type)
    elif isinstance(kind, types.UnionType):
        for each in kind.types:
            yield from _structs(each)
    elif isinstance(kind, types.VarTupleType):
        yield from _structs(kind.item_type)


def _chosen(kind: types.Type) -> Iterator[str]:
    if isinstance(kind, types.EnumType):
        yield from (str(each.value) for each in kind.cls)
    elif isinstance(kind, types.LiteralType):
        yield from (forms.english_choice(str(each)) for each in kind.values)
    elif isinstance(kind, types.UnionType):
        for each in kind.types:
            yield from _chosen(each)
    elif isinstance(kind, types.VarTupleType):
        yield from _chosen(kind.item_type)


def _of_help() -> Iterator[str]:
    for page in help_pages.PAGES:
        yield from help_pages.blocks(page)
