"""What people typed into a deed's form, made into the deed. Pure: the site's time zone is given."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import datetime, tzinfo
from decimal import Decimal, InvalidOperation
from typing import Any, NamedTuple

import msgspec
from msgspec import inspect as types

from collector.record.deed import Deed
from dashboard.forms import Control, Field, label
from dashboard.texts import N_, _
from soak.decoding import converted
from soak.quantity import celsius, in_words

_UNIT_MS = {"ms": 1, "s": 1_000, "min": 60_000, "m": 60_000, "h": 3_600_000, "d": 86_400_000}
_DURATION = re.compile(r"(\d+(?:[.,]\d+)?)\s*(ms|s|min|m|h|d)\b", re.ASCII)
_FAHRENHEIT = re.compile(r"([+-]?\d{1,6}(?:\.\d{1,6})?)\s*°?\s*(?:F|℉|Fahrenheit)", re.IGNORECASE)
_PLACE = re.compile(r"^(.*?)(?: - at `\$\.?(.*)`)?$", re.DOTALL)

Typed = Mapping[str, Sequence[str]]
"""What a form sent: every value of each name."""


_EMPTY = N_("This must be filled in.")


class Mistake(NamedTuple):
    """Something typed that cannot be used: where, and what would be right."""

    field: str
    text: str


class MistakesError(ValueError):
    """A form cannot be used as it is filled in."""

    def __init__(self, mistakes: list[Mistake]) -> None:
        super().__init__("; ".join(f"{each.field}: {each.text}" for each in mistakes))
        self.mistakes = mistakes


class CannotError(ValueError):
    """What is wrong with one field."""


def read(kind: type[Deed], known: list[Field], typed: Typed, zone: tzinfo) -> Deed:
    """The deed that a form says.

    Args:
        kind: Which.
        known: Its fields.
        typed: What was sent.
        zone: The site's local time.

    Raises:
        MistakesError: Something in it cannot be used.
    """
    said: dict[str, Any] = {}
    mistakes: list[Mistake] = []
    for field in known:
        raw = [each.strip() for each in typed.get(field.name, ())]
        try:
            if field.can_be_taken_away and typed.get(f"{field.name}.none"):
                _put(said, field.name, None)
            elif any(raw):
                _put(said, field.name, field.control is Control.TICK or _content(field, raw, zone))
            elif field.required and field.control is Control.TICKS:
                _put(said, field.name, [])
            elif field.required:
                mistakes.append(Mistake(field.name, _missing(field)))
        except CannotError as error:
            mistakes.append(Mistake(field.name, str(error)))
    if mistakes:
        raise MistakesError(mistakes)
    try:
        return converted(said, kind)
    except msgspec.ValidationError as error:
        raise MistakesError([_explained(str(error), known)]) from None


def _put(said: dict[str, Any], name: str, content: Any) -> None:
    *outer, last = name.split(".")
    for each in outer:
        said = said.setdefault(each, {})
    said[last] = content


def _missing(field: Field) -> str:
    if field.control is Control.CHOICE:
        return _("Choose one.")
    return _("Choose a file.") if field.control is Control.PICTURE else _(_EMPTY)


def _content(field: Field, raw: list[str], zone: tzinfo) -> Any:
    kind = field.type
    if isinstance(kind, types.VarTupleType):
        lines = [each for text in raw for each in text.splitlines() if each.strip()]
        return [_item(field, kind.item_type, each.strip(), zone) for each in lines]
    if isinstance(kind, types.DictType):
        return dict(_named(each) for text in raw for each in text.splitlines() if each.strip())
    return _one(field.name, kind, raw[0], zone)


def _item(field: Field, kind: types.Type, line: str, zone: tzinfo) -> Any:
    if not isinstance(kind, types.StructType):
        return _one(field.name, kind, line, zone)
    parts = [each.strip() for each in line.split(";")]
    if len(parts) > len(kind.fields):
        text = _("“{line}” has {found} parts; there are {number}. {hint}")
        raise CannotError(text.format(line=line[:80], found=len(parts), number=len(kind.fields), hint=field.hint))
    said = {}
    for inner, part in zip(kind.fields, parts, strict=False):
        if part:
            core = inner.type.types[0] if isinstance(inner.type, types.UnionType) else inner.type
            said[inner.encode_name] = _one(inner.name, core, part, zone)
        elif inner.required:
            raise CannotError(_("“{line}” is not whole. {hint}").format(line=line[:80], hint=field.hint))
    return said


def _named(line: str) -> tuple[str, str]:
    name, colon, text = line.partition(":")
    if not colon:
        raise CannotError(_("“{line}” has no colon. One a line: name: text.").format(line=line[:80]))
    return name.strip(), text.strip()


def _one(name: str, kind: types.Type, text: str, zone: tzinfo) -> Any:
    if isinstance(kind, types.BoolType):
        return text == "yes"
    if isinstance(kind, types.IntType):
        return _number(name, kind, text, zone)
    return text


def _number(name: str, kind: types.IntType, text: str, zone: tzinfo) -> int:
    if name.endswith("_mc"):
        return _bounded(kind, thousandths(text), celsius)
    if name.endswith("_ms"):
        if re.match(r"^\d{4}-\d{2}-\d{2}", text):
            return _moment_ms(text, zone)
        return _bounded(kind, _duration_ms(text), in_words)
    if not re.fullmatch(r"-?\d{1,15}", text, re.ASCII):
        raise CannotError(_("“{text}” is no whole number.").format(text=text[:40]))
    return _bounded(kind, int(text), str)


def thousandths(text: str) -> int:
    """Degrees Celsius only: a figure that decides is typed as the label prints it, and nothing converts it unseen."""
    plain = text.replace(",", ".").replace("−", "-").strip()
    if found := _FAHRENHEIT.fullmatch(plain):
        same = celsius(int((Decimal(found.group(1)) - 32) * 5000 / 9))
        said = _(
            "“{text}” is in degrees Fahrenheit, about {same}. This field takes degrees Celsius: write them as the "
            "label prints them."
        )
        raise CannotError(said.format(text=text[:40], same=same))
    try:
        thousandths = Decimal(plain.removesuffix("C").removesuffix("°").strip()) * 1000
    except InvalidOperation:
        thousandths = Decimal("nan")
    if not thousandths.is_finite():
        raise CannotError(
            _("“{text}” is no temperature. Write degrees Celsius, for instance 20.5.").format(text=text[:40])
        )
    if thousandths != thousandths.to_integral_value() or abs(thousandths) > 10**9:
        raise CannotError(
            _("“{text}” is finer than a thousandth of a degree, or out of all reason.").format(text=text[:40])
        )
    return int(thousandths)


def _duration_ms(text: str) -> int:
    found = _DURATION.findall(text)
    if not found or _DURATION.sub("", text).strip(" ,"):
        raise CannotError(
            _("“{text}” is no length of time. Write it with its unit: 30 s, 12 min, 2 h, 14 d.").format(text=text[:40])
        )
    return int(sum(Decimal(number.replace(",", ".")) * _UNIT_MS[unit] for number, unit in found))


def _moment_ms(text: str, zone: tzinfo) -> int:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise CannotError(_("“{text}” is no date and time. Write 2026-03-03 13:18.").format(text=text[:40])) from None
    return int((moment if moment.tzinfo else moment.replace(tzinfo=zone)).timestamp() * 1000)


def _bounded(kind: types.IntType, number: int, words: Any) -> int:
    if kind.ge is not None and number < kind.ge:
        raise CannotError(_("It must be {least} or more.").format(least=words(kind.ge)))
    if kind.le is not None and number > kind.le:
        raise CannotError(_("It must be {most} or less.").format(most=words(kind.le)))
    return number


_SAID = (
    (re.compile(r"Expected `str` of length <= (\d+)"), N_("It may have at most {0} characters.")),
    (re.compile(r"Expected `str` of length >= 1"), _EMPTY),
    (re.compile(r"Expected `array` of length >= (\d+)"), N_("It takes at least {0}.")),
    (re.compile(r"Expected `array` of length <= (\d+)"), N_("It takes at most {0}.")),
    (re.compile(r"Invalid enum value '(.*)'"), N_("“{0}” cannot be chosen.")),
    (
        re.compile(r"Expected `str` matching regex .*A-Za-z0-9._-"),
        N_("Only letters, digits, dots, hyphens and underscores, at most 64 of them."),
    ),
    (re.compile(r"Expected `str` matching regex"), N_("It is not written as it should be.")),
)
"""What msgspec says, in words for people."""


def _explained(message: str, known: list[Field]) -> Mistake:
    found = _PLACE.match(message)
    said, place = (found.group(1), found.group(2) or "") if found else (message, "")
    path = re.sub(r"\[.*?\]", "", place)
    name = next((field.name for field in known if path == field.name or path.startswith(f"{field.name}.")), "")
    if not name:
        name = next(
            (field.name for field in known if field.name.startswith(f"{path}.")), known[0].name if known else ""
        )
    if missing := re.search(r"Object missing required field `(\w+)`", said):
        return Mistake(name, _("“{field}” is missing.").format(field=label(missing.group(1))))
    for pattern, words in _SAID:
        if match := pattern.search(said):
            return Mistake(name, _(words).format(*match.groups()))
    return Mistake(name, said)
