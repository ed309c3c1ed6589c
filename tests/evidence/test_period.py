"""A period report: figures worked out by hand, as the statistics have them; archival, the same again, never thinner."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import stat
import subprocess
import zipfile
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from pdfkit import assert_archival, attached, opened, said
from recordkit import COLD, EARLY, MET, OLGA, SAM, TINA, Office, office, pagekit

from collector import credentials
from collector.ledger import Ledger
from collector.period.asked import asked as asked_for
from collector.period.issue import Enclosed, issued, make, zip_issued, zip_now
from collector.period.sheet import report_of
from collector.read import Reader
from collector.record import shelf
from collector.record.book import Book
from collector.record.errors import RefusedError
from collector.record.things import (
    Alarm,
    Fill,
    MecResult,
    MecTest,
    PeriodReport,
    Poured,
    Role,
    Seen,
    SensorCheck,
    Thing,
)
from collector.verify import verify
from dashboard.statistics.asked import Wanted, asked
from dashboard.statistics.sheet import Statistics
from soak.alarms import Priority
from soakledger import main

FIRST, LAST = "2026-02-02", "2026-03-03"
MINUTE_MS = 60_000
PASSWORD = "copper lantern walks north"  # noqa: S105
XSS = "<script>alert(1)</script>"


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    """To be written to only by issuing."""
    made = office(tmp_path_factory.mktemp("period") / "data")
    yield made
    made.close()


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Office]:
    made = office(tmp_path / "data")
    yield made
    made.close()


@pytest.fixture(scope="module")
def morning(shared: Office) -> str:
    """The morning of `recorded`, issued."""
    return report(shared)


def report(made: Office, first: str = FIRST, last: str = LAST, **more: str) -> str:
    return made.do("issue-period-report", OLGA, first=first, last=last, **more)


def says(made: Office, issued_id: str) -> Enclosed:
    return issued(made.desk.connection, issued_id)[2]


def figures(enclosed: Enclosed) -> dict[str, str]:
    return {each.what: each.figure for each in enclosed.sheet.figures}


def section(enclosed: Enclosed, title: str) -> str:
    """All that a section says: sentences, cells, notes."""
    (part,) = [each for each in enclosed.sheet.sections if each.title == title]
    cells = [cell for shown in part.tables for row in shown.rows for cell in row]
    return "\n".join((*part.says, *cells, *part.notes))


def rows(made: Office, issued_id: str, name: str) -> list[dict[str, str]]:
    archive = zipfile.ZipFile(io.BytesIO(zip_issued(made.desk.connection, issued_id)))
    return list(csv.DictReader(io.StringIO(archive.read(name).decode())))


def put(made: Office, *things: Thing) -> None:
    """Record things as they are, past their rules."""
    with made.desk.transaction():
        for thing in things:
            changes = {thing.KIND: {thing.id: msgspec.to_builtins(thing)}}
            body = {"changes": changes, "about": f"{thing.KIND}/{thing.id}"}
            record = Ledger(made.desk.connection, lambda: made.now_ms).append("given-by-a-test", body, who="kit")
            shelf.write(made.desk.connection, record.number, changes)


def refused(made: Office, **asked_for: str) -> tuple[str, str]:
    try:
        made.do("issue-period-report", OLGA, **asked_for)
    except RefusedError as refusal:
        return refusal.rule, str(refusal)
    raise AssertionError("it was issued")


def test_the_first_page_has_the_answer(shared: Office, morning: str) -> None:
    """By hand: one soak met with GS-01 and GS-02, one opened early with GS-03; GS-02 was used without release."""
    assert figures(says(shared, morning)) == {
        "soaks": "2",
        "met": "1",
        "not met": "1",
        "unproven": "0",
        "failed, nothing on record of what was done": "1",
        "devices used without release": "1",
        "MEC tests failed or doubtful": "0",
        "loads started by override": "1",
        "closures of which nobody knows the load": "16",
        "sensors overdue or without a check": "6",
        "look-backs open": "1",
        "without temperature, all basins": "54 min",
    }
    assert dict(says(shared, morning).sheet.says)["Soaks"] == (
        "2 soaks: 1 met, 1 not met, 0 unproven. Failed: 1 of 2 (50 %)."
    )


def test_the_numbers_are_those_of_the_statistics(shared: Office, morning: str) -> None:
    reader = Reader(shared.data)
    now_ms = says_at(shared, morning)
    wanted = Wanted(since=FIRST, until=LAST)
    what = asked(wanted, reader.basins(), pagekit.WHEN, now_ms)
    body = Statistics(Book.looking(reader.connection, now_ms), what, pagekit.WHEN).body()
    reader.close()
    found = figures(says(shared, morning))
    assert [int(found[each]) for each in ("soaks", "met", "not met", "unproven")] == [
        body.soaks,
        body.met,
        body.not_met,
        body.unproven,
    ]
    (shown,) = next(each for each in says(shared, morning).sheet.sections if each.title == "Soaks").tables
    assert [row[2:6] for row in shown.rows[:-1]] == [
        tuple(map(str, (each.soaks, each.met, each.not_met, each.unproven))) for each in body.by_basin
    ]
    apart = (body.apart.opening_said, body.apart.after_met, body.apart.unassigned, body.apart.in_passing)
    assert shown.rows[-1][7:] == tuple(map(str, apart))


def says_at(made: Office, issued_id: str) -> int:
    return issued(made.desk.connection, issued_id)[1].at_ms


def test_each_failure_leads_to_its_soak_and_says_what_was_done(own: Office) -> None:
    assert "not settled yet" in section(says(own, report(own)), "Failures and corrective action")
    own.do("note-closure", closure=EARLY, note="Timer misread.")
    own.do("note-closure", closure=EARLY, note="Tina knows why.")
    own.do("quarantine-device", device="GS-03", next_action="Reprocess.", reason="Its soak was not met.")
    own.do("lift-quarantine", device="GS-03", reason="To be processed again.")
    turn = own.do("begin-turn", device="GS-03", came_from="E-9")
    issued_id = report(own)
    text = section(says(own, issued_id), "Failures and corrective action")
    assert "1 soak failed. Each has an action on record." in text
    assert "Opened with 9 min 10 s of 12 min proven without a break." in text
    again = f"GS-03: in quarantine; processed again from 2026-03-03 13:28 ({turn}): now preparing"
    assert again in text
    assert "Timer misread.\nReprocess.\n(1 text naming somebody left out)" in text
    (row,) = rows(own, issued_id, "failures.csv")
    assert (row["closure"], row["verdict"], row["action_on_record"]) == (EARLY, "not met", "yes")
    paper = own.do("issue-disinfection-record", closure=f"row:{row['row']}")
    assert own.made(paper).issued.subject == EARLY
    assert f"row:{row['row']}, record {row['record']}" in text


def test_solution_and_tests_are_a_log_with_signatures(own: Office) -> None:
    put(
        own,
        MecTest(
            id="M2",
            fill="F1",
            strip_bottle="S1",
            by=TINA,
            dipped_ms=pagekit.NOW_MS - 100_000,
            read_from_ms=pagekit.NOW_MS - 95_000,
            read_until_ms=pagekit.NOW_MS - 40_000,
            result=MecResult.DOUBTFUL,
            read_ms=pagekit.NOW_MS - 90_000,
            read_by=TINA,
        ),
    )
    enclosed = says(own, report(own))
    assert figures(enclosed)["MEC tests failed or doubtful"] == "1"
    text = section(enclosed, "Solution and MEC log")
    assert "1 fill in use: 1 poured, 0 discarded in the range." in text
    assert "2 MEC tests: 1 pass, 1 doubtful. Doubtful is a fail." in text
    assert "1 load of 2 started without a MEC test: L2." in text
    assert "3000 ml, lot LOT-1 (B1), 2026-03-03 12:22, Tina Test" in text
    assert "passed 2026-03-03 12:21, Tina Test: 3 passing in full strength, 3 failing in the dilution" in text
    (tests,) = [each for each in enclosed.sheet.sections if each.title == "Solution and MEC log"]
    assert [row[0] for row in tests.tables[1].rows] == ["M2", "M1"]


def test_sensors_that_are_overdue_are_counted(own: Office) -> None:
    own.now_ms -= 600_000
    own.do("set-policy", "ada", sensor_check_days=1, reason="Each day.")
    own.do(
        "record-sensor-check",
        sensor=pagekit.sensor(1),
        basin="n1/b1",
        reference="reference thermometer 4, certificate C-88",
        reference_mc=21_400,
        indicated_mc=21_300,
        u_mc=200,
    )
    enclosed = says(own, report(own))
    assert figures(enclosed)["sensors overdue or without a check"] == "5"
    text = section(enclosed, "Sensor checks")
    assert "1 sensor check in the range; no independent thermometer reading." in text
    assert "-0.1 °C\n0.1 °C\n0.2 °C\n2026-03-04" in text
    own.now_ms += 2 * 86_400_000
    later = section(says(own, report(own, last="2026-03-05")), "Sensor checks")
    assert "At its end, of 6 sensors: 1 overdue, 5 without any check on record." in later
    assert "overdue since 2026-03-04" in later
    (check,) = shelf.find_all(own.desk.connection, SensorCheck)
    put(own, msgspec.structs.replace(check, void="The reference was broken."))
    void = says(own, report(own, last="2026-03-05"))
    assert figures(void)["sensors overdue or without a check"] == "6"
    assert "certificate C-88; void: The reference was broken." in section(void, "Sensor checks")


def test_alarms_are_told_by_kind_and_role_and_nobody_is_named(own: Office) -> None:
    for number, (seen, after) in enumerate(((TINA, 1), (SAM, 3), ("basin-button", 5), (None, 0)), 1):
        at_ms = pagekit.NOW_MS - 10 * MINUTE_MS * number
        seen_by = Seen(seen, at_ms + after * MINUTE_MS, "Looked.") if seen else None
        fields = {"about": "n1/b1", "basin": "n1/b1", "text": "Cold.", "cause_ms": at_ms, "raised_ms": at_ms}
        alarm = Alarm(id=f"AL{number}", code="below-minimum", priority=Priority.MEDIUM, seen=seen_by, **fields)
        put(own, msgspec.structs.replace(alarm, ended_ms=at_ms + 6 * MINUTE_MS))
    issued_id = report(own)
    text = section(says(own, issued_id), "Alarms and response")
    assert "4 alarms raised in the range." in text
    assert "Seen by: at the basin's button 1, supervisor 1, technician 1." in text
    assert "medium\nsolution too cold\n4\n0\n3\n3 min\n5 min\n1\n0" in text
    everything = text + "".join(map(str, rows(own, issued_id, "alarms.csv")))
    for name in ("Tina", "tina", "Sam Test"):
        assert name not in everything
    assert [each["seen_by_role"] for each in rows(own, issued_id, "alarms.csv")][-1] == "technician"


def test_unassigned_closures_and_how_they_were_resolved(own: Office) -> None:
    own.do("answer-closures", TINA, closures=[COLD], answer="empty")
    other = f"{pagekit.stream_id('n1', 'b1', 'a')}:601"
    own.do("answer-closures", TINA, closures=[other], answer="not known", reason="Before my shift.")
    issued_id = report(own)
    enclosed = says(own, issued_id)
    text = section(enclosed, "Unassigned closures")
    assert figures(enclosed)["closures of which nobody knows the load"] == "15"
    assert (
        "16 closures of a minute or more without a load on record: 14 of which nobody has said anything, "
        "1 of which nobody knows what was in it, 1 said to have been empty."
    ) in text
    assert "not known. Before my shift." in text
    assert len(rows(own, issued_id, "unassigned.csv")) == 16


def test_gaps_losses_clocks_overrides_and_paper_are_said(own: Office) -> None:
    begin, end = pagekit.NOW_MS - 5 * 3_600_000, pagekit.NOW_MS - 4 * 3_600_000
    own.do("transcribe-downtime", from_ms=begin, until_ms=end, lines=["Basin 1, 8:20 to 8:33, GS-07", "Tina: basin 2"])
    own.damage("INSERT INTO lost VALUES (1, 90000, 90099, ?, NULL)", pagekit.NOW_MS)
    own.damage("UPDATE closure SET clock_synced = 0 WHERE id = 3")
    issued_id = report(own)
    enclosed = says(own, issued_id)
    text = section(enclosed, "Gaps and downtime")
    assert "Readings lost: 100; thought lost and come after all: 0." in text
    assert "Clock: 1 closure dated by one not synchronised, 0 dated back once it was." in text
    assert "1 load started by an override; 1 paper form typed in." in text
    assert "No strips at hand; the next patient waits." in text
    assert "100 readings lost: whatever happened in them is not counted." in enclosed.sheet.limits
    assert any("1 closure dated by a clock that was not synchronised" in each for each in enclosed.sheet.limits)
    gaps = rows(own, issued_id, "gaps.csv")
    first = next(each for each in gaps if each["basin"] == "n1/b1" and each["sensor"])
    assert 60_000 <= int(first["for_ms"]) <= 63_000, "a minute without a value, from the value before to the one after"
    (form,) = rows(own, issued_id, "paper-forms.csv")
    assert (form["lines"], form["lines_that_name_nobody"]) == ("2", "Basin 1, 8:20 to 8:33, GS-07")


def test_a_gap_between_two_starts_of_a_node_is_one_gap(own: Office) -> None:
    player = pagekit.Player(own.data)
    before = [pagekit.Span(600, "open")]
    player.play("n3/b1", before, [pagekit.sensor(6)], end_ms=pagekit.NOW_MS - 5 * 3_600_000, stream="b")
    player.close()
    gaps = [each for each in rows(own, report(own), "gaps.csv") if each["basin"] == "n3/b1"]
    assert [(each["sensor"], each["for_ms"]) for each in gaps] == [
        (pagekit.sensor(6), str(5 * 3_600_000 - 1_599_000)),
        ("", "601001"),
    ], "from its last value then to its first one now; and from its last one now to the issue"


def test_a_damaged_page_is_said_on_the_first_page(own: Office) -> None:
    own.damage("UPDATE page SET body = CAST('x' AS BLOB) WHERE rowid = (SELECT min(rowid) FROM page)")
    enclosed = says(own, report(own))
    assert any("1 page of readings damaged or gone" in each for each in enclosed.sheet.limits)
    assert "cannot be shown: it is not kept as it was sealed." in section(enclosed, "Gaps and downtime")
    assert figures(enclosed)["soaks"] == "2"


def test_look_backs_and_corrections(own: Office) -> None:
    before = section(says(own, report(own)), "Look-backs")
    assert "1 opened, 0 closed in the range; 1 open when this was issued." in before
    assert "used-without-release: GS-02 was used without having been released." in before
    assert "1 not settled\nnot told on record" in before
    note = {"outcome": "no risk", "note": "Its soak had met."}
    own.do("resolve-devices", look_back="K1", devices=["GS-02"], **note)
    own.do("tell-infection-prevention", look_back="K1", whom="infection prevention", how="by telephone")
    own.do("close-look-back", look_back="K1", conclusion="The patient was told.")
    own.do("change-device", id="GS-01", serial="GS-01-9999", reason="typed wrongly")
    enclosed = says(own, report(own))
    after = section(enclosed, "Look-backs")
    assert "1 opened, 1 closed in the range; 0 open when this was issued." in after
    assert "Sam Test: The patient was told." in after
    assert "1 no risk\ntold 2026-03-03 13:28" in after
    corrections = section(enclosed, "Corrections")
    assert "1 record corrected or changed what was on file." in corrections
    assert "change device\ndevice GS-01\ntyped wrongly" in corrections
    assert figures(enclosed)["look-backs open"] == "0"


def test_it_is_archival_and_its_tables_are_inside(shared: Office, morning: str) -> None:
    made = make(shared.desk.connection, morning)
    assert made.name == f"period-report_{FIRST}_{LAST}_{morning}"
    assert_archival(made.content, f"Period report: Harbour Lane Clinic, {FIRST} to {LAST}")
    inside = attached(made.content)
    whole = said(made.content)
    for name, content in inside.items():
        assert hashlib.sha256(content).hexdigest() in whole, name
    assert len(list(csv.reader(io.StringIO(inside["closures.csv"].decode())))) == 1 + 22
    for text in ("Nobodyiscountedorcompared", "monitoringaid", "2soaks:1met,1notmet,0unproven."):
        assert text in whole
    assert whole.count("monitoringaid") == 1, "the caution stands once"
    with opened(made.content) as pdf:
        assert len(pdf.pages) <= 5


def test_the_same_bytes_come_again_whatever_is_recorded_since(own: Office) -> None:
    issued_id = report(own)
    paper, tables = make(own.desk.connection, issued_id).content, zip_issued(own.desk.connection, issued_id)
    own.do("note-closure", closure=MET, note="The lid was stiff.")
    own.do("close-look-back", look_back="K1", conclusion="Told.", reason="All was said.")
    assert make(own.desk.connection, issued_id).content == paper
    assert zip_issued(own.desk.connection, issued_id) == tables
    assert make(own.desk.connection, report(own)).content != paper


def test_the_ledger_holds_and_things_can_be_made_again(own: Office) -> None:
    report(own, reason="Committee of March")
    assert verify(own.data, processes=1).wrong is None
    thing = own.desk.connection.execute("SELECT body FROM thing WHERE kind = ?", (PeriodReport.KIND,)).fetchone()
    assert json.loads(thing[0])["reason"] == "Committee of March"


def test_an_empty_range_says_so(own: Office) -> None:
    issued_id = report(own, first="2026-02-10", last="2026-02-11")
    enclosed = says(own, issued_id)
    assert figures(enclosed)["soaks"] == "0"
    assert "The range is empty: no closure of these basins ended in it." in enclosed.sheet.limits
    assert "Nothingwassoaked:noclosureoftherangeheldaload." in said(make(own.desk.connection, issued_id).content)
    assert any(each.startswith("No temperature at all was read at:") for each in enclosed.sheet.limits) or not rows(
        own, issued_id, "gaps.csv"
    )


def test_one_basin_or_place_only(shared: Office) -> None:
    of_one = says(shared, report(shared, basin="n1/b2"))
    assert (figures(of_one)["soaks"], figures(of_one)["closures of which nobody knows the load"]) == ("0", "4")
    assert of_one.sheet.scope == "Basin 2 (n1/b2)"
    assert any("No load is on record, so no closure counts as a soak" in each for each in of_one.sheet.limits)
    of_place = says(shared, report(shared, place="scope room"))
    assert figures(of_place)["soaks"] == "2"
    assert of_place.sheet.scope.startswith("scope room: Basin 1 (n1/b1), Basin 2 (n1/b2)")


@pytest.mark.parametrize(
    ("changed", "rule", "text"),
    [
        ({"first": "2026-03-03", "last": "2026-03-02"}, "range-reversed", "Exchange them."),
        ({"last": "2026-03-04"}, "range-in-future", "has not come yet: today is 2026-03-03"),
        ({"first": "1626-03-03"}, "range-too-long", "146098 days; a report holds at most 400"),
        ({"first": "1969-12-30", "last": "1970-01-02"}, "range-before", "Nothing can be on record of 1969-12-30"),
        ({"first": "2026-02-30"}, "date", "is no date of the calendar"),
        ({"basin": "n9/b9"}, "unknown-basin", "There are: n1/b1, n1/b2"),
        ({"basin": XSS}, "unknown-basin", "There is no basin"),
        ({"place": "roof"}, "unknown-place", "There are: scope room, ultrasound, store room."),
        ({"basin": "n2/b1", "place": "scope room"}, "unknown-basin", "Leave one of them out."),
    ],
)
def test_what_makes_no_sense_is_refused(shared: Office, changed: dict[str, str], rule: str, text: str) -> None:
    records = shared.desk.connection.execute("SELECT count(*) FROM ledger").fetchone()
    found = refused(shared, **{"first": FIRST, "last": LAST, **changed})
    assert found[0] == rule
    assert text in found[1]
    assert shared.desk.connection.execute("SELECT count(*) FROM ledger").fetchone() == records


def test_text_in_any_script_survives_and_no_formula_gets_into_a_table(own: Office) -> None:
    for note in ("=1+2", XSS, "مرحبا 你好 \U0001f600", '#import "x" $a$ _b_'):
        own.do("note-closure", closure=EARLY, note=note)
    issued_id = report(own, reason="#panic() 你好")
    made = make(own.desk.connection, issued_id)
    assert_archival(made.content, f"Period report: Harbour Lane Clinic, {FIRST} to {LAST}")
    assert "<script>alert(1)</script>" in said(made.content)
    assert "U+1F600" in said(made.content)
    (row,) = rows(own, issued_id, "failures.csv")
    assert row["written"].startswith("'=1+2 / <script>")


def test_a_long_list_is_cut_on_paper_only_and_says_so(own: Office) -> None:
    fields = {"fill": "F1", "strip_bottle": "S1", "by": TINA, "read_by": TINA, "result": MecResult.PASS}
    at_ms = pagekit.NOW_MS - 3_600_000
    for number in range(2, 352):
        times = {"dipped_ms": at_ms, "read_from_ms": at_ms, "read_until_ms": at_ms + 9_000, "read_ms": at_ms + 1_000}
        put(own, MecTest(id=f"M{number}", **fields, **times))
    issued_id = report(own)
    assert "300 of 351 are shown; mec-tests.csv, attached, has them all." in section(
        says(own, issued_id), "Solution and MEC log"
    )
    assert len(rows(own, issued_id, "mec-tests.csv")) == 351
    with opened(make(own.desk.connection, issued_id).content) as pdf:
        assert len(pdf.pages) > 6


def test_a_changed_record_is_no_report(own: Office) -> None:
    issued_id = report(own)
    number = says_number(own, issued_id)
    own.damage("UPDATE ledger SET body = replace(body, '2 soaks:', '9 soaks:') WHERE number = ?", number)
    with pytest.raises(RefusedError, match="does not give its hash"):
        make(own.desk.connection, issued_id)


def says_number(made: Office, issued_id: str) -> int:
    return issued(made.desk.connection, issued_id)[1].number


def test_a_fill_of_another_basin_is_in_no_report_of_this_one(own: Office) -> None:
    at_ms = pagekit.NOW_MS - 7_200_000
    poured = (Poured(bottle="B2", lot="LOT-2", volume_ml=500, by=SAM, at_ms=at_ms),)
    life = {"use_by_ms": at_ms + 86_400_000, "use_by_why": "reuse life", "tested_after_ms": at_ms}
    put(own, Fill(id="F2", basin="n2/b1", profile="typed", poured=poured, poured_ms=at_ms, poured_by=SAM, **life))
    times = {"dipped_ms": at_ms, "read_from_ms": at_ms, "read_until_ms": at_ms + 9_000, "read_ms": at_ms + 1_000}
    put(own, MecTest(id="M2", fill="F2", strip_bottle="S1", by=TINA, result=MecResult.FAIL, **times))
    of_one, of_all = says(own, report(own, basin="n1/b1")), says(own, report(own))
    assert "LOT-2" not in section(of_one, "Solution and MEC log")
    assert "LOT-2" in section(of_all, "Solution and MEC log")
    assert [figures(each)["MEC tests failed or doubtful"] for each in (of_one, of_all)] == ["0", "1"]


def test_tables_alone_are_issued_by_nobody_and_say_so(shared: Office, morning: str) -> None:
    book = Book.looking(shared.desk.connection, shared.now_ms)
    archive = zipfile.ZipFile(io.BytesIO(zip_now(book, FIRST, LAST)))
    manifest = json.loads(archive.read("manifest.json"))
    assert manifest["ledger"]["issue"].startswith("none: not issued")
    assert len(archive.namelist()) == 1 + len(says(shared, morning).tables)
    for each in manifest["files"]:
        assert hashlib.sha256(archive.read(each["name"])).hexdigest() == each["sha256"]
    of_issue = zipfile.ZipFile(io.BytesIO(zip_issued(shared.desk.connection, morning)))
    assert json.loads(of_issue.read("manifest.json"))["ledger"]["issue"] == morning


@pytest.mark.parametrize("who", [TINA, SAM, OLGA, "ada"])
def test_every_role_may_issue(shared: Office, who: str) -> None:
    assert len(Role) == 4
    assert shared.do("issue-period-report", who, first=LAST, last=LAST).startswith("PR")


def test_the_command_writes_it_again_and_the_tables(shared: Office, morning: str, tmp_path: Path) -> None:
    run = CliRunner().invoke
    paper, tables = tmp_path / "report.pdf", tmp_path / "tables.zip"
    data = ["period-report", "--data", str(shared.data)]
    done = run(main, [*data, "--again", morning, "--out", str(paper)])
    assert done.exit_code == 0, done.output
    digest = subprocess.run(["sha256sum", paper], capture_output=True, text=True, check=True).stdout[:64]
    assert digest in done.output
    done = run(main, [*data, "--from", FIRST, "--to", LAST, "--basin", "n1/b1", "--out", str(tables)])
    assert done.exit_code == 0, done.output
    assert "failures.csv" in zipfile.ZipFile(tables).namelist()
    again = run(main, [*data, "--from", FIRST, "--to", LAST, "--out", str(tables)])
    assert (again.exit_code, "is there already" in again.output) == (2, True)
    wrong = run(main, [*data, "--from", LAST, "--to", FIRST, "--out", str(tmp_path / "x.zip")])
    assert (wrong.exit_code, "Exchange them." in wrong.output) == (5, True)
    assert not (tmp_path / "x.zip").exists()
    nobody = run(main, [*data, "--from", FIRST, "--to", LAST, "--out", str(tmp_path / "y.pdf")])
    assert (nobody.exit_code, "who issues it stands on record" in nobody.output) == (2, True)


@pytest.mark.parametrize("letters", [250, 300])
@pytest.mark.parametrize(
    ("command", "asked_so", "ending"),
    [
        ("period-report", ["--from", FIRST, "--to", LAST], "zip"),
        ("disinfection-record", ["--again", "E1"], "pdf"),
    ],
)
def test_a_name_that_no_disk_takes_is_said(
    shared: Office, tmp_path: Path, command: str, asked_so: list[str], ending: str, letters: int
) -> None:
    out = tmp_path / f"{'a' * letters}.{ending}"
    done = CliRunner().invoke(main, [command, "--data", str(shared.data), *asked_so, "--out", str(out)])
    assert (done.exit_code, "cannot be written (File name too long)" in done.output) == (2, True), done.output


def test_the_command_issues_in_somebodys_name(own: Office, tmp_path: Path) -> None:
    credentials.set_secret(own.desk.connection, OLGA, credentials.Kind.PASSWORD, PASSWORD)
    own.desk.connection.commit()
    paper = tmp_path / "report.pdf"
    asked_so = ["--from", FIRST, "--to", LAST, "--as", OLGA, "--reason", "audit", "--out", str(paper)]
    wrong = CliRunner().invoke(main, ["period-report", "--data", str(own.data), *asked_so], input="another one\n")
    assert wrong.exit_code == 5, wrong.output
    assert not paper.exists()
    done = CliRunner().invoke(main, ["period-report", "--data", str(own.data), *asked_so], input=f"{PASSWORD}\n")
    assert done.exit_code == 0, done.output
    assert_archival(paper.read_bytes(), f"Period report: Harbour Lane Clinic, {FIRST} to {LAST}")
    assert shelf.find_all(own.desk.connection, PeriodReport)[-1].by == OLGA
    assert stat.S_IMODE(paper.stat().st_mode) == 0o600


def test_nothing_is_issued_for_a_folder_that_is_not_there(own: Office, tmp_path: Path) -> None:
    credentials.set_secret(own.desk.connection, OLGA, credentials.Kind.PASSWORD, PASSWORD)
    own.desk.connection.commit()
    asked_so = ["--from", FIRST, "--to", LAST, "--as", OLGA, "--out", str(tmp_path / "nowhere" / "x.pdf")]
    done = CliRunner().invoke(main, ["period-report", "--data", str(own.data), *asked_so], input=f"{PASSWORD}\n")
    assert (done.exit_code, "cannot be written (No such file or directory)" in done.output) == (2, True), done.output
    assert not shelf.find_all(own.desk.connection, PeriodReport)


def test_a_reason_that_is_no_text_is_refused(own: Office, tmp_path: Path) -> None:
    """A byte that is no UTF-8 comes from the command line as half a character."""
    credentials.set_secret(own.desk.connection, OLGA, credentials.Kind.PASSWORD, PASSWORD)
    own.desk.connection.commit()
    asked_so = ["--from", FIRST, "--to", LAST, "--as", OLGA, "--reason", "\udcff", "--out", str(tmp_path / "x.pdf")]
    done = CliRunner().invoke(main, ["period-report", "--data", str(own.data), *asked_so], input=f"{PASSWORD}\n")
    assert (done.exit_code, "(U+DCFF)" in done.output) == (5, True), done.output
    assert not shelf.find_all(own.desk.connection, PeriodReport)


def test_a_preview_issues_nothing(shared: Office) -> None:
    records = shared.desk.connection.execute("SELECT count(*) FROM ledger").fetchone()
    book = Book.looking(shared.desk.connection, shared.now_ms)
    found = report_of(book, asked_for(book, FIRST, LAST))
    assert found.sheet.figures[0].figure == "2"
    assert shared.desk.connection.execute("SELECT count(*) FROM ledger").fetchone() == records
