"""A form for any deed, made from its fields, and what people typed made into what a program would have sent. Pure."""

from __future__ import annotations

import enum
import inspect
import re
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from msgspec import NODEFAULT
from msgspec import inspect as types

from collector.record.deed import Deed
from collector.record.things import KINDS

CHEMISTRY = "chemistry"
"""What a field names that is filled in from the published table."""

_LONG_TEXT = 500
_LONGEST_DURATION_MS = 400 * 24 * 3_600_000
_DATE_PATTERN = r"^\d{4}-\d{2}-\d{2}$"
_FEW = 12

_UNITS = {"_ml": "mL", "_g": "g", "_days": "days", "_years": "years", "_mc": "°C", "_ms": ""}
_WORDS = {
    "id": "Id",
    "mec": "MEC",
    "udi": "UDI",
    "gtin": "Product code (GTIN)",
    "glycine_g_per_us_gallon": "Glycine, grams for each US gallon",
    "u_mc": "Expanded uncertainty U (k = 2)",
    "picture_sha256": "Picture of record",
    "min_mc": "Minimum temperature",
    "max_mc": "Maximum temperature",
    "read_mc": "Thermometer shows",
    "reference_mc": "Reference shows",
    "indicated_mc": "Sensor indicates",
    "contact_ms": "Contact time",
    "dry_ms": "Drying time",
    "each_ms": "Least time of each",
    "longest_immersion_ms": "Maximum immersion time",
    "hang_days": "Hang time",
    "reuse_days": "Reuse life",
    "opened_days": "Opened-container use life",
    "open_days": "Open life",
    "activated_days": "Activated life",
    "mec_monitored": "MEC monitored",
    "mec_daily_allowed": "MEC test daily allowed",
    "look_back": "Look-back",
    "came_from": "Came from (encounter)",
    "excluded_kinds": "Excluded kinds of device",
    "manual": "For soaking by hand",
    "for_ms": "For how long",
    "alarm_on_ms": "Temperature alarm after",
    "alarm_off_ms": "Temperature alarm over after",
    "alarm_cold_rises_ms": "Too cold rises to high after",
    "alarm_next_person_ms": "High goes to the next person after",
    "alarm_lid_open_ms": "Lid left open: alarm after",
    "alarm_soak_waits_ms": "Soak that waits: alarm after",
}
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_UNIT_WORDS = re.compile(r",? (in )?(millidegrees( Celsius)?|milliseconds( since 1970)?|millilitres)\b")


class Control(enum.StrEnum):
    """What people type into."""

    TEXT = "text"
    LONG = "long"
    NUMBER = "number"
    DEGREES = "degrees"
    DURATION = "duration"
    DATE = "date"
    MOMENT = "moment"
    CHOICE = "choice"
    TICK = "tick"
    TICKS = "ticks"
    LINES = "lines"
    PICTURE = "picture"


class Field(NamedTuple):
    """One field of a form.

    Attributes:
        name: In the deed; with a dot for what is inside another: "rinses.count".
        label: In words.
        hint: What it means and how it is written.
        control: What people type into.
        required: It must be filled in.
        choices: What can be chosen: what is sent, and its word.
        unit: Beside the number.
        of: Kind of thing that it names, for suggestions; "basin" for basins, "chemistry" for rows of the table.
        can_be_taken_away: Leaving it empty keeps what is on file; a tick takes it away.
        inside: Label of what it is inside of; empty: of nothing.
        type: As msgspec describes it, without "or nothing".
    """

    name: str
    label: str
    hint: str
    control: Control
    required: bool
    choices: tuple[tuple[str, str], ...]
    unit: str
    of: str
    can_be_taken_away: bool
    inside: str
    type: types.Type


def fields(kind: type[Deed]) -> list[Field]:
    """The fields of a deed: its own, those of its bases, the reason last."""
    info = types.type_info(kind)
    assert isinstance(info, types.StructType)  # noqa: S101 - deeds are structs
    order = [name for each in kind.__mro__ for name in inspect.get_annotations(each)]
    return sorted(_fields(info, "", "", needed=True), key=lambda each: order.index(each.name.partition(".")[0]))


def _fields(info: types.StructType, prefix: str, inside: str, *, needed: bool) -> Iterator[Field]:
    said = _attributes(info.cls)
    for field in info.fields:
        core, nothing = _core(field.type)
        name, words = prefix + field.name, label(field.name)
        if isinstance(core, types.StructType):
            yield from _fields(core, f"{name}.", words, needed=field.required and not nothing)
            continue
        unset = not field.required and field.default is NODEFAULT and field.default_factory is NODEFAULT
        yield Field(
            name=name,
            label=words,
            hint=_hint(field.name, core, said.get(field.name, "")),
            control=_control(field.name, core, plain=field.default is False),
            required=field.required and needed and not nothing,
            choices=_choices(field.name, core),
            unit=_unit(field.name) if isinstance(core, types.IntType) else "",
            of=_of(field.name, core) or (_own_kind(info.cls) if field.name == "id" else ""),
            can_be_taken_away=unset and nothing,
            inside=inside,
            type=core,
        )


def _core(kind: types.Type) -> tuple[types.Type, bool]:
    """A type without "or nothing", and whether it may be nothing."""
    if isinstance(kind, types.UnionType):
        some = [each for each in kind.types if not isinstance(each, types.NoneType)]
        return some[0], len(some) < len(kind.types)
    return kind, False


def _control(name: str, kind: types.Type, *, plain: bool) -> Control:
    """`plain`: a yes-or-no that is no unless it is ticked."""
    if isinstance(kind, types.IntType):
        return _number_control(name, kind)
    if isinstance(kind, types.BoolType):
        return Control.TICK if plain else Control.CHOICE
    if isinstance(kind, types.EnumType | types.LiteralType):
        return Control.CHOICE
    if isinstance(kind, types.VarTupleType):
        return Control.TICKS if _choices(name, kind) else Control.LINES
    if isinstance(kind, types.StrType):
        return _text_control(name, kind)
    return Control.LINES


def _number_control(name: str, kind: types.IntType) -> Control:
    if name.endswith("_mc"):
        return Control.DEGREES
    if name.endswith("_ms"):
        return Control.DURATION if kind.le is not None and kind.le <= _LONGEST_DURATION_MS else Control.MOMENT
    return Control.NUMBER


def _text_control(name: str, kind: types.StrType) -> Control:
    if name.endswith("_sha256"):
        return Control.PICTURE
    if kind.pattern == _DATE_PATTERN:
        return Control.DATE
    return Control.LONG if (kind.max_length or 0) >= _LONG_TEXT else Control.TEXT


def _choices(name: str, kind: types.Type) -> tuple[tuple[str, str], ...]:
    if isinstance(kind, types.VarTupleType):
        return _choices(name, kind.item_type)
    if isinstance(kind, types.EnumType):
        return tuple((str(each.value), str(each.value)) for each in kind.cls)
    if isinstance(kind, types.LiteralType):
        return tuple(
            (str(each), label(str(each)) if "_" in str(each) or each in _WORDS else str(each)) for each in kind.values
        )
    if isinstance(kind, types.BoolType):
        return (("yes", "yes"), ("no", "no"))
    if name == "working_days":
        return tuple((str(day), word) for day, word in enumerate(_WEEKDAYS))
    return ()


def _of(name: str, kind: types.Type) -> str:
    """The kind of thing that a field names, as its name says."""
    if isinstance(kind, types.VarTupleType):
        return ""  # suggestions are for fields of one line
    word = name.removesuffix("_id").replace("_", "-")
    word = {"second-person": "person", "test": "mec-test", "type": "device-type"}.get(word, word)
    return word if word in ("basin", CHEMISTRY) or word in KINDS else ""


def _own_kind(kind: type) -> str:
    """The kind of thing that a deed changes, as its name says: it has an id already."""
    verb, _, word = getattr(kind, "NAME", "").partition("-")
    return word if word in KINDS and verb not in ("record", "draft", "first") else ""


def _unit(name: str) -> str:
    return next((unit for suffix, unit in _UNITS.items() if name.endswith(suffix)), "")


def label(name: str) -> str:
    """A field's name in words, without its unit."""
    if name in _WORDS:
        return _WORDS[name]
    stem = next((name.removesuffix(suffix) for suffix in _UNITS if name.endswith(suffix)), name)
    words = stem.replace("_", " ").strip()
    return words[:1].upper() + words[1:]


def _hint(name: str, kind: types.Type, said: str) -> str:
    how = _how(name, kind)
    return how if name == "reason" or name.endswith("_sha256") else f"{said} {how}".strip()


def _how(name: str, kind: types.Type) -> str:
    """How it is written, where that is not plain."""
    lines = isinstance(kind, types.VarTupleType) and not _choices(name, kind)
    if name.endswith("_sha256"):
        how = "A JPEG, PNG or PDF file, at most 8 MB."
    elif name == "reason":
        how = "Why, in your words, where it is asked for."
    elif isinstance(kind, types.IntType) and _number_control(name, kind) is Control.DURATION:
        how = "For instance 30 s, 12 min or 2 h."
    elif lines and isinstance(kind.item_type, types.StructType):  # type: ignore[attr-defined]
        how = f"One a line: {'; '.join(_part(field) for field in kind.item_type.fields)}."  # type: ignore[attr-defined]
    elif lines:
        how = "One a line."
    else:
        how = "One a line: name: text." if isinstance(kind, types.DictType) else ""
    return how


def _part(field: types.Field) -> str:
    unit = _unit(field.name)
    words = label(field.name).lower() + (f" in {unit}" if unit else "")
    return words if field.required else f"{words} (may be left out)"


def _attributes(kind: type) -> dict[str, str]:
    """What docstrings say of a struct's fields, of its bases too."""
    found: dict[str, str] = {}
    for each in reversed(kind.__mro__[:-1]):
        section = (inspect.cleandoc(each.__doc__) if each.__doc__ else "").partition("Attributes:\n")[2]
        for name, text in re.findall(r"^    (\w+): ((?:.*\n?)(?: {8,}.*\n?)*)", section, re.MULTILINE):
            found[name] = _UNIT_WORDS.sub("", " ".join(text.split()))
    return found


def title(kind: type[Deed]) -> str:
    """What a deed is, in words: its docstring's first line."""
    return (inspect.getdoc(kind) or kind.NAME).splitlines()[0].split(". ")[0].rstrip(".")


def explanation(kind: type[Deed]) -> str:
    """What else its docstring says, before the list of fields."""
    text = (inspect.getdoc(kind) or "").partition("Attributes:\n")[0]
    first, _, rest = text.partition("\n")
    more = first.partition(". ")[2]
    return " ".join(f"{more} {rest}".split())


def prefilled(query: Mapping[str, str], known: list[Field]) -> dict[str, list[str]]:
    """What an address fills in beforehand."""
    free = (field.name for field in known if field.control is not Control.PICTURE)
    return {name: [query[name]] for name in free if name in query}
