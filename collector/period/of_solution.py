"""Solution and MEC log: fills, tests, strip bottles and their control tests. Whoever signed is named: it is a log."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence

from collector.period.looking import Looking, utc
from collector.period.parts import Cell, Part, Section, Shown, Table, cut, number, plural, sentence
from collector.record.things import Fill, MecResult, MecTest, Profile, StripBottle

_RESULTS = (MecResult.PASS, MecResult.FAIL, MecResult.DOUBTFUL, MecResult.NOT_READ, None)
_WAITS = "waits to be read"


def of_solution(look: Looking) -> Part:
    """The section of solutions."""
    fills, tests = _fills(look), tests_of(look)
    strips = _strips(look, tests)
    tables, notes = [], []
    if fills:
        shown, left_out = cut(_fill_rows(look, fills, tests), "fills.csv")
        head = ("Fill", "Solution", "Poured", "Use by", "Loads", "MEC tests", "Discarded, and why")
        tables.append(Shown("Fills", head, shown, widths=(0, 3, 4, 0, 0, 3, 4), right=(4,)))
        notes += [left_out]
    if tests:
        worst_first = sorted(tests, key=lambda each: each.result is MecResult.PASS)
        shown, left_out = cut([_test_row(look, each) for each in worst_first], "mec-tests.csv")
        columns = ("Test", "Fill", "Dipped", "Read", "Result", "Strips", "For load")
        tables.append(Shown("MEC tests", columns, shown, widths=(0, 0, 3, 3, 2, 0, 0)))
        notes += ["MEC tests that did not pass stand first.", left_out]
    if strips:
        strip_columns = ("Strip bottle", "Lot", "Expires", "Opened", "Use by", "Control tests")
        rows = tuple(_strip_row(look, each) for each in strips)
        tables.append(Shown("Strip bottles", strip_columns, rows, widths=(0, 0, 0, 0, 0, 1)))
    section = Section(
        title="Solution and MEC log",
        source="declared, and printed on labels",
        says=tuple(_says(look, fills, tests)),
        tables=tuple(tables),
        notes=tuple(each for each in notes if each),
    )
    return Part(section, [_fill_table(look, fills), _test_table(look, tests), _strip_table(strips)])


def failed_tests(tests: Sequence[MecTest]) -> int:
    """Tests that failed, doubtful ones among them: doubtful is a fail."""
    return sum(each.result in (MecResult.FAIL, MecResult.DOUBTFUL) for each in tests)


def _says(look: Looking, fills: Sequence[Fill], tests: Sequence[MecTest]) -> list[str]:
    poured = sum(look.within(each.poured_ms) for each in fills)
    discarded = [each.discarded for each in fills if each.discarded and look.within(each.discarded.at_ms)]
    counts = Counter(each.result for each in tests)
    used = f"{plural(len(fills), 'fill')} in use: {poured} poured, {len(discarded)} discarded in the range."
    says = [sentence(used)]
    if tests:
        words = ", ".join(
            f"{number(counts[each])} {each.value if each else _WAITS}" for each in _RESULTS if counts[each]
        )
        says.append(f"{plural(len(tests), 'MEC test')}: {words}. Doubtful is a fail.")
    else:
        says.append("No MEC test is on record.")
    profiles = {each.id: each for each in look.book.all(Profile)}
    by_fill = {each.id: each for each in fills}

    def monitored(fill_id: str) -> bool:
        fill = by_fill.get(fill_id)
        profile = profiles.get(fill.profile) if fill else None
        return profile is None or profile.mec_monitored

    untested = [each for each in look.loads if not each.mec_test and monitored(each.fill)]
    if untested:
        ids = ", ".join(each.id for each in untested[:20]) + (" and more" if len(untested) > 20 else "")
        says.append(f"{plural(len(untested), 'load')} of {number(len(look.loads))} started without a MEC test: {ids}.")
    elif look.loads:
        says.append("Each load whose solution is monitored was cleared by a MEC test.")
    if gaps := [each for each in discarded if each.not_neutralised]:
        says.append(f"{plural(len(gaps), 'fill')} discarded with less neutraliser than the site's rule asks for.")
    return says


def _fills(look: Looking) -> list[Fill]:
    """In use at any time of the range."""
    asked = look.asked
    return [
        each
        for each in look.book.all(Fill, until_ms=asked.until_ms)
        if each.basin in asked.keys and (each.discarded is None or each.discarded.at_ms >= asked.since_ms)
    ]


def tests_of(look: Looking) -> list[MecTest]:
    """MEC tests dipped in the range, oldest first."""
    here = {each.id for each in look.book.all(Fill) if each.basin in look.asked.keys}
    return [each for each in look.book.all(MecTest, **look.range) if each.fill in here]


def _strips(look: Looking, tests: Sequence[MecTest]) -> list[StripBottle]:
    """Used for these tests; for the whole site also those opened or control-tested in the range."""
    used = {each.strip_bottle for each in tests}
    return [
        each
        for each in look.book.all(StripBottle)
        if each.id in used
        or (
            look.asked.everywhere
            and (look.within(each.opened_ms) or any(look.within(one.at_ms) for one in each.control_results))
        )
    ]


def _fill_rows(look: Looking, fills: Sequence[Fill], tests: Sequence[MecTest]) -> list[tuple[str, ...]]:
    by_fill: dict[str, Counter[str]] = defaultdict(Counter)
    for each in tests:
        by_fill[each.fill][each.result.value if each.result else _WAITS] += 1
    rows: list[tuple[str, ...]] = []
    for fill in fills:
        profile = look.book.find(Profile, fill.profile)
        poured = [
            f"{each.volume_ml} ml, lot {each.lot} ({each.bottle}), {look.minute(each.at_ms)}, {look.name_of(each.by)}"
            for each in fill.poured
        ]
        counts = ", ".join(f"{count} {result}" for result, count in by_fill[fill.id].items()) or "none in the range"
        rows.append(
            (
                f"{fill.id}\n{look.label(fill.basin)}",
                f"{profile.name}, revision {profile.revision}" if profile else f"{fill.profile}, not on file",
                "\n".join(poured),
                look.minute(fill.use_by_ms).replace(" ", "\n"),
                str(fill.loads),
                counts + (f"; out of use since {look.minute(fill.failed_ms)}" if fill.failed_ms is not None else ""),
                _discarded(look, fill),
            )
        )
    return rows


def _discarded(look: Looking, fill: Fill) -> str:
    gone = fill.discarded
    if gone is None or gone.at_ms >= look.asked.until_ms:
        past = fill.use_by_ms < look.asked.until_ms
        return "still in its basin" + (", past its use-by" if past else "")
    more = [f"{gone.neutralised_g} g of neutraliser"] if gone.neutralised_g is not None else []
    more += [f"not neutralised: {gone.not_neutralised}"] if gone.not_neutralised else []
    more += [gone.how_neutralised] if gone.how_neutralised else []
    return "; ".join([f"{look.minute(gone.at_ms)}, {look.name_of(gone.by)}: {gone.reason}", *more])


def _test_row(look: Looking, test: MecTest) -> tuple[str, ...]:
    result = test.result.value if test.result else _WAITS
    late = test.read_ms is not None and not test.read_from_ms <= test.read_ms <= test.read_until_ms
    window = ", read outside the strip's window" if late and test.result is not MecResult.NOT_READ else ""
    return (
        test.id,
        test.fill,
        f"{look.minute(test.dipped_ms)}, {look.name_of(test.by)}",
        f"{look.minute(test.read_ms)}, {look.name_of(test.read_by)}" if test.read_ms is not None else "",
        result + window,
        test.strip_bottle,
        test.used_for,
    )


def _strip_row(look: Looking, strips: StripBottle) -> tuple[str, ...]:
    controls = [
        f"{'passed' if each.passed else 'FAILED'} {look.minute(each.at_ms)}, {look.name_of(each.by)}: "
        f"{each.positives_passed} passing in full strength, {each.negatives_failed} failing in the dilution"
        for each in strips.control_results
    ]
    none = f"none asked for: {strips.no_controls_why}" if strips.no_controls_why else "none on record"
    return (
        strips.id,
        strips.lot,
        strips.expires,
        look.minute(strips.opened_ms) or "not opened",
        look.minute(strips.use_by_ms)[:10],
        "\n".join(controls) or none,
    )


def _fill_table(look: Looking, fills: Sequence[Fill]) -> Table:
    head = ("fill", "basin", "profile", "poured_utc", "poured_by", "poured_ml", "lots", "bottles", "use_by_utc")
    more = ("loads", "failed_utc", "discarded_utc", "discarded_by", "discarded_why", "neutralised_g", "not_neutralised")

    def row(fill: Fill) -> tuple[Cell, ...]:
        gone = fill.discarded
        return (
            *(fill.id, fill.basin, fill.profile, utc(fill.poured_ms), look.name_of(fill.poured_by), fill.volume_ml()),
            " ".join(dict.fromkeys(each.lot for each in fill.poured)),
            " ".join(each.bottle for each in fill.poured),
            *(utc(fill.use_by_ms), fill.loads, utc(fill.failed_ms)),
            *((utc(gone.at_ms), look.name_of(gone.by), gone.reason) if gone else (None, None, None)),
            *((gone.neutralised_g, gone.not_neutralised) if gone else (None, None)),
        )

    return Table("fills.csv", "Fills in use in the range", (*head, *more), map(row, fills))


def _test_table(look: Looking, tests: Sequence[MecTest]) -> Table:
    head = ("test", "fill", "strip_bottle", "dipped_utc", "dipped_by", "read_from_utc", "read_until_utc", "read_utc")
    more = ("read_by", "result", "reader_screened", "for_load")
    rows = (
        (
            *(each.id, each.fill, each.strip_bottle, utc(each.dipped_ms), look.name_of(each.by)),
            *(utc(each.read_from_ms), utc(each.read_until_ms), utc(each.read_ms)),
            look.name_of(each.read_by) if each.read_by else None,
            each.result.value if each.result else _WAITS,
            "yes" if each.screened else "no",
            each.used_for,
        )
        for each in tests
    )
    return Table("mec-tests.csv", "Every MEC test dipped in the range", (*head, *more), rows)


def _strip_table(strips: Sequence[StripBottle]) -> Table:
    head = ("strip_bottle", "profile", "lot", "expires", "opened_utc", "use_by_utc", "controls_utc", "controls")
    more = ("positives_passed", "negatives_failed")

    def rows(each: StripBottle) -> list[tuple[Cell, ...]]:
        own = (each.id, each.profile, each.lot, each.expires, utc(each.opened_ms), utc(each.use_by_ms))
        results = [
            (*own, utc(one.at_ms), "passed" if one.passed else "failed", one.positives_passed, one.negatives_failed)
            for one in each.control_results
        ]
        return list(results) or [(*own, None, f"none: {each.no_controls_why}".removesuffix(": "), None, None)]

    lines = (line for each in strips for line in rows(each))
    return Table("strip-bottles.csv", "Strip bottles used, each set of control tests", (*head, *more), lines)
