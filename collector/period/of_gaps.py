"""Gaps in the record and downtime: no temperature, lost readings, clocks, damage, overrides, paper typed in later."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from sqlite_utils import Database

from collector.period.looking import Looking, utc
from collector.period.lost import Lost, lost_of
from collector.period.parts import Part, Section, Shown, Table, cut, number, plural, sentence
from collector.period.sealed import Damaged, damaged, not_sealed
from collector.period.silent import Silence, silence_of
from collector.record.things import ClockWrong, Transcript
from soak.quantity import in_words

_LONG_MS = 10 * 60_000
"""Gaps of so long stand on the paper each by itself; all are in the table."""


class Gaps(NamedTuple):
    """What is missing of a range.

    Attributes:
        silences: By basin.
        lost: Readings that never came.
        unsynchronised: Closures dated by a clock that was not synchronised.
        dated_back: Closures dated by a clock that was synchronised only later.
        damaged: Pages that are not kept as they were sealed.
        not_sealed: Closures whose readings are not all on pages yet.
    """

    silences: list[Silence]
    lost: list[Lost]
    unsynchronised: int
    dated_back: int
    damaged: list[Damaged]
    not_sealed: int

    @property
    def silent_ms(self) -> int:
        """Time without temperature, of all basins together."""
        return sum(each.total_ms for each in self.silences)


def gaps_of(look: Looking) -> Gaps:
    """What is missing of the range."""
    connection, asked = look.book.connection, look.asked
    db = Database(connection)
    clocks = connection.execute(
        """SELECT basin_id, sum(NOT clock_synced), sum(dated_back_ms IS NOT NULL) FROM closure
           WHERE closing_utc_ms >= ? AND closing_utc_ms < ? AND superseded_by IS NULL GROUP BY basin_id""",
        (asked.since_ms, asked.until_ms),
    ).fetchall()
    here = {each.id for each in asked.basins}
    counted = [each for each in clocks if each[0] in here]
    return Gaps(
        [silence_of(db, each, asked) for each in asked.basins],
        lost_of(look),
        sum(each[1] for each in counted),
        sum(each[2] for each in counted),
        damaged(connection, asked),
        not_sealed(connection, asked),
    )


def limits_of(gaps: Gaps) -> list[str]:
    """What could not be counted, or only as far as the record goes, for the first page."""
    found = []
    if gaps.damaged:
        found.append(
            f"{plural(len(gaps.damaged), 'page')} of readings damaged or gone: the verdicts are those on record, but "
            "their readings can no longer be shown. Restore the data from a backup."
        )
    if gaps.not_sealed:
        found.append(f"Of {plural(gaps.not_sealed, 'closure')} the readings are not all sealed yet; they are counted.")
    if never := [each.basin for each in gaps.silences if each.heard is None]:
        found.append(f"No temperature at all was read at: {', '.join(never)}.")
    if missing := sum(each.readings for each in gaps.lost if each.found_ms is None):
        found.append(f"{plural(missing, 'reading')} lost: whatever happened in them is not counted.")
    if gaps.unsynchronised:
        found.append(
            f"{plural(gaps.unsynchronised, 'closure')} dated by a clock that was not synchronised: their day may be "
            "another."
        )
    return found


def of_gaps(look: Looking, gaps: Gaps) -> Part:
    """The section of gaps and downtime."""
    overrides = [each for each in look.loads if each.override]
    papers = [
        each for each in look.book.all(Transcript, until_ms=look.asked.until_ms) if each.until_ms > look.asked.since_ms
    ]
    silent = [each for each in gaps.silences if each.gaps]
    tables, notes = [], []
    if silent:
        rows = tuple(_silence(look, each) for each in gaps.silences)
        head = ("Basin", "Gaps", "Together", "Longest", "First and last value")
        tables.append(Shown("Without temperature", head, rows, widths=(1, 0, 0, 0, 0), right=(1, 2, 3)))
        long = [(each.basin, gap) for each in silent for gap in each.gaps if gap[1][1] - gap[1][0] >= _LONG_MS]
        if long:
            shown, left_out = cut([_gap(look, *each) for each in sorted(long, key=lambda each: each[1][1])], "gaps.csv")
            head = ("From", "To", "Basin", "For", "What")
            tables.append(Shown("Of ten minutes and more", head, shown, widths=(0, 0, 1, 0, 1), right=(3,)))
            notes.append(left_out)
        notes.append(
            "A gap is a minute or more without a value from a sensor: node off or not reached, or sensor fault. What a "
            "soak lacks by one is in its own findings. A basin counts from the first time it was heard of."
        )
    if overrides:
        shown, left_out = cut([_override(look, each.id) for each in overrides], "overrides.csv")
        head = ("Load", "When, by", "Basin", "What stood against it", "Reason")
        tables.append(Shown("Overrides", head, shown, widths=(0, 2, 2, 4, 4)))
        notes += [left_out, "An override lets a load start; it changes no verdict and makes nothing releasable."]
    if papers:
        rows = tuple(
            (
                each.id,
                look.minute(each.from_ms),
                look.minute(each.until_ms),
                str(len(each.lines)),
                look.minute(each.at_ms),
            )
            for each in papers
        )
        head = ("Form", "Downtime from", "To", "Lines", "Typed in")
        tables.append(Shown("Paper soaks entered later", head, rows, widths=(1, 0, 0, 0, 0), right=(3,)))
        notes.append("Nothing on a paper form was watched; its lines count in none of the figures above.")
    section = Section(
        title="Gaps and downtime",
        source="measured; overrides and paper forms declared",
        says=tuple(_says(look, gaps, len(overrides), papers)),
        tables=tuple(tables),
        notes=tuple(each for each in notes if each),
    )
    return Part(section, [_gap_table(gaps), _lost_table(gaps.lost), _override_table(look), _paper_table(look, papers)])


def _says(look: Looking, gaps: Gaps, overrides: int, papers: Sequence[Transcript]) -> list[str]:
    count = sum(len(each.gaps) for each in gaps.silences)
    says = []
    if count:
        says.append(
            f"{plural(count, 'gap')} of a minute or more without temperature, {in_words(gaps.silent_ms // 1000 * 1000)}"
            " in all."
        )
    else:
        says.append("No gap of a minute or more in the temperatures.")
    if gaps.lost:
        came = sum(each.readings for each in gaps.lost if each.found_ms is not None)
        never = sum(each.readings for each in gaps.lost) - came
        says.append(f"Readings lost: {number(never)}; thought lost and come after all: {number(came)}.")
    else:
        says.append("No reading was lost.")
    for silence in gaps.silences:
        for sensor, ms in silence.stopped:
            says.append(
                f"{sensor} at {look.label(silence.basin)} gave its last value {look.minute(ms)}: replaced, or out of "
                "order since."
            )
    says.append(
        f"Clock: {plural(gaps.unsynchronised, 'closure')} dated by one not synchronised, {gaps.dated_back} dated back "
        "once it was."
        if gaps.unsynchronised or gaps.dated_back
        else "Each closure was dated by a synchronised clock."
    )
    if look.asked.everywhere and (wrong := look.book.all(ClockWrong, **look.range)):
        says.append(f"The collector's clock was said to have been wrong: {', '.join(each.id for each in wrong)}.")
    for each in gaps.damaged[:20]:
        begin, end = look.minute(each.since_ms), look.minute(each.until_ms)
        says.append(f"Readings of {look.label(each.basin)} from {begin} to {end} cannot be shown: {each.why}.")
    if len(gaps.damaged) > 20:
        says.append(f"And {len(gaps.damaged) - 20} more such pages: soakledger verify names them all.")
    site = "" if look.asked.everywhere or not papers else ", of the whole site"
    says.append(
        sentence(
            f"{plural(overrides, 'load')} started by an override; {plural(len(papers), 'paper form')} typed in{site}."
        )
    )
    return says


def _silence(look: Looking, each: Silence) -> tuple[str, ...]:
    heard = "not one in the range"
    if each.heard:
        heard = f"{look.minute(each.heard[0])} to {look.minute(each.heard[1])}"
    return (
        look.label(each.basin),
        number(len(each.gaps)),
        in_words(each.total_ms // 1000 * 1000),
        in_words(each.longest_ms // 1000 * 1000),
        heard,
    )


def _gap(look: Looking, basin: str, gap: tuple[str, tuple[int, int]]) -> tuple[str, ...]:
    sensor, (begin, end) = gap
    return (
        look.minute(begin),
        look.minute(end),
        look.label(basin),
        in_words((end - begin) // 1000 * 1000),
        sensor or "the whole basin",
    )


def _override(look: Looking, load_id: str) -> tuple[str, ...]:
    load = next(each for each in look.loads if each.id == load_id)
    override = load.override
    if override is None:
        return (load.id, "", "", "", "")
    reason, withheld = look.shown([override.reason])
    return (
        load.id,
        f"{look.minute(override.at_ms)}, {look.name_of(override.by)}",
        look.label(load.basin),
        " ".join(override.blocks),
        " ".join(reason) or ("(names somebody: see the load)" if withheld else "none given"),
    )


def _gap_table(gaps: Gaps) -> Table:
    rows = (
        (each.basin, sensor, utc(begin), utc(end), end - begin)
        for each in gaps.silences
        for sensor, (begin, end) in each.gaps
    )
    head = ("basin", "sensor", "from_utc", "to_utc", "for_ms")
    return Table("gaps.csv", "Times of a minute or more without temperature; no sensor: the whole basin", head, rows)


def _lost_table(lost: Sequence[Lost]) -> Table:
    head = ("basin", "stream", "first", "last", "readings", "after_utc", "before_utc", "noticed_utc", "came_utc")
    rows = (
        (
            *(each.basin, each.stream, each.first, each.last, each.readings, utc(each.after_ms), utc(each.before_ms)),
            *(utc(each.noticed_ms), utc(each.found_ms)),
        )
        for each in lost
    )
    return Table("lost.csv", "Readings that the nodes no longer held when they were asked for", head, rows)


def _override_table(look: Looking) -> Table:
    head = ("load", "basin", "at_utc", "by", "what_stood_against_it", "reason")
    rows = (
        (
            *(each.id, each.basin, utc(each.override.at_ms), look.name_of(each.override.by)),
            *(" ".join(each.override.blocks), " ".join(look.shown([each.override.reason])[0])),
        )
        for each in look.loads
        if each.override
    )
    return Table("overrides.csv", "Loads that a supervisor let start though something stood against it", head, rows)


def _paper_table(look: Looking, papers: Sequence[Transcript]) -> Table:
    head = ("form", "from_utc", "to_utc", "typed_in_utc", "lines", "lines_that_name_nobody", "picture_sha256")
    rows = (
        (
            *(each.id, utc(each.from_ms), utc(each.until_ms), utc(each.at_ms), len(each.lines)),
            *(" / ".join(look.shown(each.lines)[0]), each.picture_sha256),
        )
        for each in papers
    )
    return Table("paper-forms.csv", "Paper downtime forms typed in later", head, rows)
