"""A form for any deed, made from its fields, and what people typed made into what a program would have sent. Pure."""

from __future__ import annotations

import enum
import inspect
import re
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from msgspec import NODEFAULT
from msgspec import inspect as types

from collector.lookback.causes import CAUSES
from collector.record.deed import Deed
from collector.record.things import KINDS
from dashboard.degrees import fahrenheit_shown
from dashboard.texts import N_, _

CHEMISTRY = "chemistry"
"""What a field names that is filled in from the published table."""

_LONG_TEXT = 500
_LONGEST_DURATION_MS = 400 * 24 * 3_600_000
_DATE_PATTERN = r"^\d{4}-\d{2}-\d{2}$"
_FEW = 12

_UNITS = {"_ml": "mL", "_g": "g", "_days": N_("days"), "_years": N_("years"), "_mc": "°C", "_ms": ""}
_WORDS = {
    "id": N_("Id"),
    "mec": N_("MEC"),
    "mec_test": N_("MEC test"),
    "off_mc": N_("Reads wrong by"),
    "told_ms": N_("Told at"),
    "whom": N_("Who was told"),
    "udi": N_("UDI"),
    "gtin": N_("Product code (GTIN)"),
    "glycine_g_per_us_gallon": N_("Glycine, grams for each US gallon"),
    "u_mc": N_("Expanded uncertainty U (k = 2)"),
    "picture_sha256": N_("Picture of record"),
    "min_mc": N_("Minimum temperature"),
    "max_mc": N_("Maximum temperature"),
    "read_mc": N_("Thermometer shows"),
    "reference_mc": N_("Reference shows"),
    "indicated_mc": N_("Sensor indicates"),
    "contact_ms": N_("Contact time"),
    "dry_ms": N_("Drying time"),
    "each_ms": N_("Least time of each"),
    "longest_immersion_ms": N_("Maximum immersion time"),
    "hang_days": N_("Hang time"),
    "reuse_days": N_("Reuse life"),
    "opened_days": N_("Opened-container use life"),
    "open_days": N_("Open life"),
    "activated_days": N_("Activated life"),
    "mec_monitored": N_("MEC monitored"),
    "mec_daily_allowed": N_("MEC test daily allowed"),
    "look_back": N_("Look-back"),
    "came_from": N_("Came from (encounter)"),
    "excluded_kinds": N_("Excluded kinds of device"),
    "manual": N_("For soaking by hand"),
    "for_ms": N_("For how long"),
    "at_mc": N_("Temperature"),
    "expanded_mc": N_("Expanded uncertainty U"),
    "k": N_("Coverage factor k"),
    "step_mc": N_("Step of its display"),
    "drift_mc": N_("Drift in a year"),
    "at_sensor_mc": N_("Shown at the sensor"),
    "ice": N_("Pairs at the ice point"),
    "working": N_("Pairs near the working temperature"),
    "as_left": N_("Second series, as left"),
    "settled": N_("Both had settled before each pair"),
    "alarm_on_ms": N_("Temperature alarm after"),
    "alarm_off_ms": N_("Temperature alarm over after"),
    "alarm_cold_rises_ms": N_("Too cold rises to high after"),
    "alarm_next_person_ms": N_("High goes to the next person after"),
    "alarm_lid_open_ms": N_("Lid left open: alarm after"),
    "alarm_soak_waits_ms": N_("Soak that waits: alarm after"),
}
_WEEKDAYS = (N_("Monday"), N_("Tuesday"), N_("Wednesday"), N_("Thursday"), N_("Friday"), N_("Saturday"), N_("Sunday"))
A_DURATION = N_("For instance 30 s, 12 min or 2 h.")
_ONE_A_LINE = N_("One a line.")
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
    said = said_of(info.cls)
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
        return tuple((str(each.value), _(str(each.value))) for each in kind.cls)
    if isinstance(kind, types.LiteralType):
        return tuple((str(each), _(english_choice(str(each)))) for each in kind.values)
    if isinstance(kind, types.BoolType):
        return (("yes", _("yes")), ("no", _("no")))
    if name == "working_days":
        return tuple((str(day), _(word)) for day, word in enumerate(_WEEKDAYS))
    return ()


def english_choice(word: str) -> str:
    """What is chosen from a list of words, in English: a field's name, a cause of look-backs, or the word itself."""
    if word in CAUSES:
        return CAUSES[word].said
    return english_label(word) if "_" in word or word in _WORDS else word


def _of(name: str, kind: types.Type) -> str:
    """The kind of thing that a field names, as its name says."""
    if isinstance(kind, types.VarTupleType):
        return ""  # suggestions are for fields of one line
    word = name.removesuffix("_id").replace("_", "-")
    word = {"second-person": "person", "test": "mec-test", "type": "device-type"}.get(word, word)
    return word if word in ("basin", CHEMISTRY) or word in KINDS else ""


def _own_kind(kind: type) -> str:
    """The kind of thing that a deed changes, as its name says: it has an id already."""
    verb, _hyphen, word = getattr(kind, "NAME", "").partition("-")
    return word if word in KINDS and verb not in ("record", "draft", "first") else ""


def _unit(name: str) -> str:
    return _(next((unit for suffix, unit in _UNITS.items() if name.endswith(suffix)), ""))


def label(name: str) -> str:
    """A field's name in words, without its unit, in the site's language."""
    return _(english_label(name))


def english_label(name: str) -> str:
    """The same in English."""
    if name in _WORDS:
        return _WORDS[name]
    stem = next((name.removesuffix(suffix) for suffix in _UNITS if name.endswith(suffix)), name)
    words = stem.replace("_", " ").strip()
    return words[:1].upper() + words[1:]


def _hint(name: str, kind: types.Type, said: str) -> str:
    how = _how(name, kind)
    return how if name == "reason" or name.endswith("_sha256") else f"{_(said)} {how}".strip()


def _how(name: str, kind: types.Type) -> str:
    """How it is written, where that is not plain."""
    lines = isinstance(kind, types.VarTupleType) and not _choices(name, kind)
    if name.endswith("_sha256"):
        how = _("A JPEG, PNG or PDF file, at most 8 MB.")
    elif name == "reason":
        how = _("Why, in your words, where it is asked for.")
    elif isinstance(kind, types.IntType) and _number_control(name, kind) is Control.DURATION:
        how = _(A_DURATION)
    elif isinstance(kind, types.IntType) and name.endswith("_mc") and fahrenheit_shown():
        how = _("In degrees Celsius, not Fahrenheit.")
    elif lines and isinstance(kind.item_type, types.StructType):  # type: ignore[attr-defined]
        parts = "; ".join(_part(field) for field in kind.item_type.fields)  # type: ignore[attr-defined]
        how = _("One a line: {parts}.").format(parts=parts)
    elif lines:
        how = _(_ONE_A_LINE)
    else:
        how = _("One a line: name: text.") if isinstance(kind, types.DictType) else ""
    return how


def _part(field: types.Field) -> str:
    unit = _unit(field.name)
    name = label(field.name).lower()
    if field.required:
        return _("{name} in {unit}").format(name=name, unit=unit) if unit else name
    text = _("{name} in {unit} (may be left out)") if unit else _("{name} (may be left out)")
    return text.format(name=name, unit=unit)


def said_of(kind: type) -> dict[str, str]:
    """What docstrings say of a struct's fields, of its bases too."""
    found: dict[str, str] = {}
    for each in reversed(kind.__mro__[:-1]):
        section = (inspect.cleandoc(each.__doc__) if each.__doc__ else "").partition("Attributes:\n")[2]
        for name, text in re.findall(r"^    (\w+): ((?:.*\n?)(?: {8,}.*\n?)*)", section, re.MULTILINE):
            found[name] = _UNIT_WORDS.sub("", " ".join(text.split()))
    return found


def title(kind: type[Deed]) -> str:
    """What a deed is, in words."""
    return _(english_title(kind))


def english_title(kind: type[Deed]) -> str:
    """The same in English: its docstring's first line."""
    return (inspect.getdoc(kind) or kind.NAME).splitlines()[0].split(". ")[0].rstrip(".")


def explanation(kind: type[Deed]) -> str:
    """What else is to be said of it."""
    return _(english_explanation(kind))


def english_explanation(kind: type[Deed]) -> str:
    """The same in English: what its docstring says before the list of fields."""
    text = (inspect.getdoc(kind) or "").partition("Attributes:\n")[0]
    first, _break, rest = text.partition("\n")
    more = first.partition(". ")[2]
    return " ".join(f"{more} {rest}".split())


def prefilled(query: Mapping[str, str], known: list[Field]) -> dict[str, list[str]]:
    """What an address fills in beforehand."""
    free = (field.name for field in known if field.control is not Control.PICTURE)
    return {name: [query[name]] for name in free if name in query}
