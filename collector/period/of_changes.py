"""Look-backs, and what was corrected: of what people recorded, and of verdicts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

import msgspec

from collector.period.looking import Looking, utc
from collector.period.parts import Part, Section, Shown, Table, cut, plural, sentence
from collector.record.things import LookBack


class Correction(NamedTuple):
    """A record that corrected or changed what was on file.

    Attributes:
        number: The record.
        kind: Its deed.
        at_ms: When.
        about: What it is about, "kind/id".
        reason: Why, in words.
    """

    number: int
    kind: str
    at_ms: int
    about: str
    reason: str


class Again(NamedTuple):
    """A closure of the range that was judged again, and what that changed."""

    basin: str
    closing_ms: int
    row: int
    before: str
    after: str
    number_before: int
    number_after: int


def look_backs(look: Looking) -> list[LookBack]:
    """Opened or closed in the range, or open at its end."""
    return [
        each
        for each in look.book.all(LookBack, until_ms=look.asked.until_ms)
        if each.closed is None or each.closed.at_ms >= look.asked.since_ms
    ]


def of_look_backs(look: Looking) -> Part:
    """The section of look-backs: they are the site's, whatever basin the report is about."""
    found = look_backs(look)
    opened = sum(look.within(each.opened_ms) for each in found)
    closed = sum(each.closed is not None and look.within(each.closed.at_ms) for each in found)
    still = [each for each in found if each.closed is None]
    says = [f"{opened} opened, {closed} closed in the range; {len(still)} open when this was issued."]
    if not found:
        says = ["No look-back was opened or closed in the range, and none is open."]
    rows, left_out = cut([_row(look, each) for each in found], "look-backs.csv")
    head = ("Look-back", "Opened", "Cause", "Concerns", "Devices; infection prevention", "Closed, by, conclusion")
    tables = (Shown("", head, rows, widths=(0, 0, 4, 2, 3, 4)),) if rows else ()
    notes = [left_out] if left_out else []
    if found and not look.asked.everywhere:
        notes.append("Look-backs of the whole site: their devices go from basin to basin.")
    section = Section("Look-backs", "opened by rules and people", tuple(says), tables, tuple(notes))
    return Part(section, [_table(look, found)])


def of_corrections(look: Looking) -> Part:
    """The section of corrections."""
    corrections, again = _corrections(look), _again(look)
    changed = [each for each in again if each.before != each.after]
    says = [sentence(f"{plural(len(corrections), 'record')} corrected or changed what was on file.")]
    if again:
        says.append(
            f"{plural(len(again), 'verdict')} given again; {len(changed)} came out otherwise. The latest counts here, "
            "the earlier ones stay in the ledger."
        )
    else:
        says.append("No verdict of the range was given again.")
    tables, notes = [], []
    if changed:
        shown, left_out = cut([_again_row(look, each) for each in changed], "verdicts-again.csv")
        head = ("Soak", "Closed", "Basin", "Verdict before", "Verdict now")
        tables.append(Shown("Verdicts that changed", head, shown, widths=(0, 0, 1, 0, 0)))
        notes.append(left_out)
    if corrections:
        shown, left_out = cut([_correction_row(look, each) for each in corrections], "corrections.csv")
        head = ("Record", "When", "What", "Of", "Reason")
        tables.append(Shown("Corrections", head, shown, widths=(0, 0, 0, 1, 3)))
        notes.append(left_out)
        if not look.asked.everywhere:
            notes.append("Corrections of the whole site.")
    section = Section(
        "Corrections", "from the ledger", tuple(says), tuple(tables), tuple(each for each in notes if each)
    )
    return Part(section, [_correction_table(look, corrections), _again_table(again)])


def _row(look: Looking, each: LookBack) -> tuple[str, ...]:
    text, withheld = look.shown([each.text])
    closed = "open"
    if each.closed is not None:
        words, hidden = look.shown([each.closed.note])
        conclusion = " ".join(words) or ("(the conclusion names somebody: see the look-back)" if hidden else "")
        closed = f"{look.minute(each.closed.at_ms)}, {look.name_of(each.closed.by)}: {conclusion}"
    if each.closed is not None and each.closed_although:
        open_then = " ".join(look.shown([each.closed_although])[0]) or "(names somebody: see the look-back)"
        closed += f" Still open then: {open_then}"
    return (
        each.id,
        look.minute(each.opened_ms),
        f"{each.cause}: {' '.join(text) or ('(names somebody: see the look-back)' if withheld else '')}",
        f"{plural(len(each.turns), 'round')}, {plural(len(each.devices), 'device')}, {plural(len(each.fills), 'fill')}",
        _state(look, each),
        closed,
    )


def _state(look: Looking, each: LookBack) -> str:
    """What became of its devices, and when infection prevention was told."""
    resolved = Counter(one.outcome.value for one in each.resolved.values())
    words = [f"{count} {outcome}" for outcome, count in resolved.items()]
    if left := len(each.devices) - sum(resolved.values()):
        words.append(f"{left} not settled")
    told = [look.minute(one.at_ms) for one in each.told]
    telling = f"told {', '.join(told)}" if told else "not told on record"
    return f"{', '.join(words) or 'no device'}\n{telling}"


def _corrections(look: Looking) -> list[Correction]:
    asked = look.asked
    rows = look.book.connection.execute(
        """SELECT number, kind, at_ms, reason, body FROM ledger
           WHERE (kind GLOB 'correct-*' OR kind GLOB 'change-*' OR kind = 'clock-was-wrong')
           AND at_ms >= ? AND at_ms < ? ORDER BY number""",
        (asked.since_ms, asked.until_ms),
    ).fetchall()
    return [
        Correction(number, kind, at_ms, msgspec.json.decode(body).get("about", ""), reason)
        for number, kind, at_ms, reason, body in rows
    ]


def _again(look: Looking) -> list[Again]:
    keys = {each.id: each.key for each in look.asked.basins}
    rows = look.book.connection.execute(
        """SELECT o.basin_id, o.closing_utc_ms, n.id, o.verdict, n.verdict, o.number, n.number
           FROM closure o JOIN closure n ON n.id = o.superseded_by
           WHERE n.closing_utc_ms >= ? AND n.closing_utc_ms < ? AND n.superseded_by IS NULL
           ORDER BY n.closing_utc_ms, o.id""",
        (look.asked.since_ms, look.asked.until_ms),
    ).fetchall()
    return [Again(keys[basin_id], *rest) for basin_id, *rest in rows if basin_id in keys]


def _correction_row(look: Looking, each: Correction) -> tuple[str, ...]:
    reason, withheld = look.shown([each.reason])
    words = " ".join(reason) or ("(names somebody: see the record)" if withheld else "none given")
    return str(each.number), look.minute(each.at_ms), each.kind.replace("-", " "), _about(each), words


def _about(each: Correction) -> str:
    """Nobody is named: of a person, only that it was one."""
    kind, _, thing_id = each.about.partition("/")
    return "somebody's entry" if kind == "person" else f"{kind.replace('-', ' ')} {thing_id}".strip()


def _again_row(look: Looking, each: Again) -> tuple[str, ...]:
    return (
        f"row:{each.row}, record {each.number_after}",
        look.minute(each.closing_ms),
        look.label(each.basin),
        f"{each.before} (record {each.number_before})",
        each.after,
    )


def _table(look: Looking, found: Sequence[LookBack]) -> Table:
    head = ("look_back", "cause", "opened_utc", "from_utc", "until_utc", "rounds", "devices", "fills", "closed_utc")
    more = ("text", "devices_and_infection_prevention")
    rows = (
        (
            *(each.id, each.cause, utc(each.opened_ms), utc(each.from_ms), utc(each.until_ms)),
            *(" ".join(each.turns), " ".join(each.devices), " ".join(each.fills)),
            utc(each.closed.at_ms) if each.closed else None,
            " ".join(look.shown([each.text])[0]),
            _state(look, each).replace("\n", "; "),
        )
        for each in found
    )
    what = "Look-backs opened or closed in the range, or open at its end"
    return Table("look-backs.csv", what, (*head, *more), rows)


def _correction_table(look: Looking, found: Sequence[Correction]) -> Table:
    head = ("record", "at_utc", "deed", "about", "reason")
    rows = (
        (each.number, utc(each.at_ms), each.kind, _about(each), " ".join(look.shown([each.reason])[0]))
        for each in found
    )
    return Table("corrections.csv", "Records that corrected or changed what was on file", head, rows)


def _again_table(found: Sequence[Again]) -> Table:
    head = ("row", "basin", "closed_utc", "verdict_before", "verdict_now", "record_before", "record_now")
    rows = (
        (
            *(each.row, each.basin, utc(each.closing_ms), each.before, each.after),
            *(each.number_before, each.number_after),
        )
        for each in found
    )
    return Table("verdicts-again.csv", "Closures of the range that were judged again", head, rows)
