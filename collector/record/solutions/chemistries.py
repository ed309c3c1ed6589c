"""What of the published rows can be the default of a profile, and what must never be soaked by hand."""

from __future__ import annotations

import re
from typing import Any

import msgspec

from collector.record.solutions.printed import OPA, ROWS, Range, Row, Standing, Use

UROLOGICAL = "urological"


class Default(msgspec.Struct, frozen=True):
    """One figure of a draft, with where it came from.

    Attributes:
        value: In the unit of the profile's field.
        source: Who prints it, and what that is worth.
    """

    value: int | str | bool | tuple[str, ...]
    source: str


_OPA_NAMES = re.compile(r"phthalaldehyde|\bopa\b")
"""How ortho-phthalaldehyde is called, in small letters; people write OPA on their lists."""

_NOT_UROLOGICAL = Default(
    (UROLOGICAL,),
    "Miner et al. 2012 (contraindicated for urological instruments); CDC/HICPAC guideline 2008, Table 5: "
    "anaphylaxis-like reactions in patients with a history of bladder cancer (published). "
    "The next patient is not known at the soak.",
)
_GLYCINE = Default("glycine", "common practice (from memory; several public sources repeat it)")

_FOR_MACHINES = ((_OPA_NAMES, f"{OPA}-automated"), (re.compile("glutaraldehyde"), "glutaraldehyde-heated"))
"""Claims for automated reprocessors of what is also soaked by hand, by how people call it."""

JURISDICTION = "US"
"""Of the published rows: CDC and FDA. Claims differ elsewhere."""

_MORE = {"min_mc": max, "contact_min": max, "reuse_days": min}
"""Which of two figures asks more of a soak."""


def rows_of(chemistry: str) -> tuple[Row, ...]:
    """What is printed about a chemistry."""
    return tuple(row for row in ROWS if row.chemistry == chemistry)


def use_of(chemistry: str) -> Use:
    """What it may be used for, by its published rows first; "not said" leaves it to the label."""
    rows = sorted(rows_of(chemistry), key=lambda row: row.standing is not Standing.PUBLISHED)
    return next((row.use for row in rows if row.use is not Use.NOT_SAID), Use.NOT_SAID)


def defaults(chemistry: str) -> dict[str, Default]:
    """What a draft of a profile starts with, by field of the profile.

    A figure is a default where every published row that has it prints the same single one. A range, or two published
    rows that differ, give none. What is from memory or quoted at second hand never gives one; where it asks more than
    the published figure (longer, warmer, fewer days) it takes that away.

    Returns:
        Nothing for what is printed for automated reprocessors only, or is no soak.
    """
    if not use_of(chemistry).in_a_basin():
        return {}
    found = {
        field: default
        for field in ("min_mc", "max_mc", "contact_min", "reuse_days", "mec", "mec_monitored", "activation")
        if (default := _agreed(chemistry, field)) is not None
    }
    if contact := found.pop("contact_min", None):
        assert isinstance(contact.value, int)  # noqa: S101 - for the type checker
        found["contact_ms"] = Default(contact.value * 60_000, contact.source)
    if (reuse := found.get("reuse_days")) and reuse.value == 0:
        del found["reuse_days"]
        found["single_use"] = Default(True, reuse.source)
    use = use_of(chemistry)
    if use is not Use.NOT_SAID:
        source = next(row.source for row in rows_of(chemistry) if row.use is use)
        found["manual"] = Default(True, f"{source} (published)")
    if found:
        found["jurisdiction"] = Default(JURISDICTION, "the published rows are of the CDC and the FDA")
    found.update(of_substance(chemistry))
    return found


def of_substance(name: str) -> dict[str, Default]:
    """What holds for a substance whoever sells it: excluded kinds of device, and what neutralises it.

    Args:
        name: A key of the table, or what people call it.
    """
    return {"excluded_kinds": _NOT_UROLOGICAL, "neutraliser": _GLYCINE} if _OPA_NAMES.search(name.lower()) else {}


def _agreed(chemistry: str, field: str) -> Default | None:
    published: list[tuple[Any, str]] = []
    weaker: list[tuple[Any, str]] = []
    for row in rows_of(chemistry):
        value = getattr(row, field)
        if value is not None and value != "":
            (published if row.standing is Standing.PUBLISHED else weaker).append((value, row.source))
    values = {value for value, _ in published}
    if len(values) != 1 or isinstance(value := values.pop(), tuple):
        return None
    asks_more = _MORE.get(field)
    if asks_more and any(asks_more(_worst(other, field), value) != value for other, _ in weaker):
        return None
    return Default(value, f"{'; '.join(source for _, source in published)} (published)")


def _worst(figure: int | Range, field: str) -> int:
    """Of a range the end that asks more."""
    return figure if isinstance(figure, int) else _MORE[field](figure)


def only_for_machines(substance: str, min_mc: int, contact_ms: int, jurisdiction: str = "") -> Row | None:
    """The row for automated reprocessors that these figures are those of; the substance is also soaked by hand.

    At that row's temperature or warmer and for no longer than its time, a soak claims what only the machine earns.
    Cooler it asks for even less; labels of other jurisdictions print such claims, but none of the published rows does.

    Args:
        substance: A key of the table, or what people call it.
        min_mc: Lowest temperature, millidegrees Celsius.
        contact_ms: Contact time, milliseconds.
        jurisdiction: Whose label it is.
    """
    published_here = jurisdiction.strip().upper() == JURISDICTION
    keys = [key for names, key in _FOR_MACHINES if names.search(substance.lower())]
    for row in (row for key in keys for row in rows_of(key)):
        if isinstance(row.min_mc, int) and isinstance(row.contact_min, int):
            warm, short = min_mc >= row.min_mc, contact_ms <= row.contact_min * 60_000
            if row.use is Use.AUTOMATED and short and (warm or published_here):
                return row
    return None
