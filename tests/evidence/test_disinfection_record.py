"""A disinfection record: what it says, that it is archival, that it comes again, and that anybody can check it."""

from __future__ import annotations

import hashlib
import json
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner
from msgspec import to_builtins
from msgspec.structs import replace
from pdfkit import alternatives, assert_archival, attached, opened, said
from recordkit import (
    CLINIC_MET,
    COLD,
    EARLY,
    MET,
    NOT_SEALED,
    SAM,
    TINA,
    TOM,
    UNASKED,
    UNPROVEN,
    Office,
    office,
    pagekit,
)

from collector.evidence.issue import CSV_NAME, JSON_NAME
from collector.ledger import Head, Ledger, head
from collector.machine import ClosureJudged
from collector.read import Reader
from collector.rebuild import rebuild_folder
from collector.record import shelf
from collector.record.things import Issued, SensorCheck, Thing
from collector.store import Store
from collector.verify import verify
from soak.closure import Verdict
from soakledger import main


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Office]:
    """To be written to only by issuing."""
    made = office(tmp_path_factory.mktemp("shared") / "data")
    yield made
    made.close()


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Office]:
    made = office(tmp_path / "data")
    yield made
    made.close()


@pytest.fixture(scope="module")
def met(shared: Office) -> bytes:
    return shared.paper(MET)


def squeezed(text: str) -> str:
    return "".join(text.split())


def assert_says(paper: bytes, *texts: str) -> None:
    whole = said(paper)
    for text in texts:
        assert squeezed(text) in whole, text


@pytest.mark.parametrize(
    ("closure", "word"), [(MET, "Soak met"), (EARLY, "Not met"), (UNPROVEN, "Unproven"), (UNASKED, "Unproven")]
)
def test_it_is_archival_whatever_the_verdict(shared: Office, closure: str, word: str) -> None:
    made = shared.made(shared.issue(closure))
    basin = "Basin 5, store room (n3/b1)" if closure == UNASKED else "Basin 1, scope room (n1/b1)"
    assert made.issued.title.startswith(f"Disinfection record: {basin}, 2026-03-03 ")
    assert_archival(made.content, made.issued.title)
    assert_says(made.content, word, "monitoring aid", "Declared by people, not measured")
    with opened(made.content) as pdf:
        assert [str(each.AFRelationship) for each in pdf.Root.AF] == ["/Data", "/Data"]
        assert {str(each.EF.F.Subtype) for each in pdf.Root.AF} == {"/text/csv", "/application/json"}
        assert len(pdf.pages) <= 2


def test_it_says_what_was_soaked_and_in_what(met: bytes) -> None:
    assert_says(
        met,
        *("13 min 59 s proven without a break, 12 min required.", "Soak met, rinse next"),
        *("Lid closed 12:40:49, seen", "Lid opened 12:54:49, seen", "Coldest, corrected 21.238 °C"),
        *("Allowance 0.658 °C to spare", "0.58 °C", "Contact time 12 min", "Minimum 20 °C"),
        *("GS-01, gastroscope, serial GS-01-2291", "from encounter E-4417"),
        "point-of-use clean, leak test, clean, rinse: Tina Test 12:22:55",
        *("soak met, by this closure, in which it lay from closing to opening", "Dried Tom Test 12:59:39"),
        *("Released Sam Test 12:59:44", "encounter E-4431, 12:59:54 (Tom Test), without release"),
        *("poured 12:22:00 by Tina Test", "revision R7, dated 2025-10-01, lot LOT-1", "3000 ml, lot LOT-1, bottle B1"),
        *("pass; dipped 12:22:05 by Tina Test, read 12:22:25 by Tina Test, within the strip's window", "0.3 %"),
        *("S1, lot STRIP-9, expires 2026-12-31, opened 12:21:50", "passed: 3 read as passing in full strength"),
        *("GS-02 was used without having been released.", "No check of this sensor before this soak is on record"),
        *("for Olga Test: audit of March", "soakledger verify --data DIR --known NUMBER:HASH"),
    )
    assert any("lid closed for 13 min 59 s, corrected from 21.23 °C to 21.37 °C" in each for each in alternatives(met))


def test_one_that_was_opened_early_says_why_and_what_overrode_it(shared: Office) -> None:
    assert_says(
        shared.paper(EARLY),
        "Opened with 9 min 10 s of 12 min proven without a break.",
        "opened-early, 13:14:00",
        "No strips at hand; the next patient waits.",
        "An override changes no verdict and makes nothing releasable.",
        "reprocess",
    )


def test_one_without_a_load_says_so(shared: Office) -> None:
    assert_says(shared.paper(CLINIC_MET), "No load is on record for it: nobody has said what was in it.")


def test_the_same_bytes_come_again_whatever_is_recorded_since(own: Office) -> None:
    issued = own.issue(MET)
    first = own.made(issued).content
    own.do("note-closure", closure=MET, note="The lid was stiff.")
    own.do("change-device", id="GS-01", serial="GS-01-9999", reason="typed wrongly")
    own.do("record-use", TOM, device="GS-01", encounter="E-5000")
    own.issue(MET)
    assert own.made(issued).content == first
    second = own.paper(MET)
    assert second != first
    assert_says(second, "The lid was stiff.", "encounter E-5000")


def test_another_process_makes_the_same_bytes(own: Office, tmp_path: Path) -> None:
    issued = own.issue(EARLY)
    made = own.made(issued)
    own.close()
    outcome = CliRunner().invoke(
        main, ["disinfection-record", "--data", str(own.data), "--again", issued, "--out", str(tmp_path / "again.pdf")]
    )
    assert outcome.exit_code == 0, outcome.output
    assert (tmp_path / "again.pdf").read_bytes() == made.content
    assert outcome.stdout == f"{issued} record {made.record.number} not met sha256 {made.sha256}\n"


def test_sha256sum_of_what_is_attached_is_printed(met: bytes, tmp_path: Path) -> None:
    whole = said(met)
    for name, content in attached(met).items():
        (tmp_path / name).write_bytes(content)
        run = subprocess.run(["sha256sum", name], cwd=tmp_path, capture_output=True, text=True, check=True)
        assert run.stdout.split()[0] in whole
    assert set(attached(met)) == {CSV_NAME, JSON_NAME}


def test_the_readings_attached_give_the_same_verdict(shared: Office, tmp_path: Path) -> None:
    """By the rule as it stands for anybody's file: what is attached is enough to judge the soak again."""
    for closure, verdict, credited_s in ((MET, "met", 839.4), (EARLY, "not met", 550.4), (UNPROVEN, "unproven", 499.0)):
        (tmp_path / "readings.csv").write_bytes(attached(shared.paper(closure))[CSV_NAME])
        asked = ["--min-temp", "20", "--contact", "12m", "--uncertainty", "0.58", "--json"]
        outcome = CliRunner().invoke(main, ["assess", str(tmp_path / "readings.csv"), *asked])
        (found,) = json.loads(outcome.stdout)["closures"]
        assert (found["verdict"], found["credited_s"]) == (verdict, credited_s)
        assert found["closing_seen"] is True


def test_the_readings_are_csv_as_rfc_4180_has_it(met: bytes) -> None:
    lines = attached(met)[CSV_NAME].decode().split("\r\n")
    assert lines[0] == ("number,time_s,utc,lid,why,indicated_c 28-000000000001,temp_c 28-000000000001,fault")
    assert lines[1].startswith("5409,")
    assert lines[121] == "5529,5580.600,2026-03-03T11:40:49.600Z,closed,lid,21.300,21.300,"
    assert lines[-1] == ""
    assert len(lines) == 1 + (6489 - 5409 + 1) + 1


def test_anybody_can_make_the_hashes_of_the_records_again(met: bytes) -> None:
    content = json.loads(attached(met)[JSON_NAME])
    numbers = [each["number"] for each in content["records"]]
    assert numbers == sorted(set(numbers))
    kinds = {each["kind"] for each in content["records"]}
    assert kinds >= {"closure", "page", "start-load", "attest-steps", "read-mec-test", "pour-fill", "record-controls"}
    for each in content["records"]:
        fields = {
            **{name: json.dumps(each[name], ensure_ascii=False) for name in ("kind", "previous", "reason", "who")},
            **{name: json.dumps(content["site"] if name == "site" else each[name]) for name in ("site", "software")},
            **{name: str(each[name]) for name in ("at_ms", "format", "number")},
            "body": each["body"],
        }
        text = "{" + ",".join(f'"{name}":{fields[name]}' for name in sorted(fields)) + "}"
        assert hashlib.sha256((content["tag"] + text).encode()).hexdigest() == each["hash"]


def test_the_chain_s_head_on_the_paper_holds_the_chain_to_it(own: Office) -> None:
    made = own.made(own.issue(MET))
    assert head(own.desk.connection) == Head(made.record.number, made.record.hash)
    assert_says(made.content, made.record.hash, f"the ledger had {made.record.number} records, this one the last")
    printed = Head(made.record.number, made.record.hash)
    own.do("note-closure", closure=MET, note="Later.")
    assert verify(own.data, processes=1, known=[printed]).wrong is None
    wrong = verify(own.data, processes=1, known=[Head(printed.records, "0" * 64)]).wrong
    assert wrong is not None
    assert wrong.number == printed.records


def test_names_are_those_of_then_and_those_of_now(own: Office) -> None:
    own.do("change-device", id="GS-01", serial="GS-01-9999", reason="typed wrongly")
    own.do("change-device-type", id="gastroscope", name="gastroscope, paediatric", reason="named more closely")
    assert_says(
        own.paper(MET),
        "GS-01, gastroscope (now: gastroscope, paediatric), serial GS-01-2291 (now: GS-01-9999)",
    )


def test_a_verdict_that_was_superseded_has_a_paper_that_says_so(own: Office) -> None:
    supersede(own)
    old = own.paper("row:1")
    assert_says(
        old,
        "Superseded: soak met",
        "Do not rely on this verdict.",
        "This verdict no longer stands.",
        "took its place: not met. Both stay on record.",
    )
    assert_says(old, "superseded", "stands", "Verdicts given of it")
    new = own.paper(CLINIC_MET)
    assert_says(new, "Not met", "Verdicts given of it")
    assert squeezed("This verdict no longer stands") not in said(new)
    (thing,) = [each for each in issued(own) if each.verdict == "not met"]
    assert thing.subject == CLINIC_MET


def supersede(own: Office) -> None:
    """Judge the first soak again by a longer contact time, as a corrected label would."""
    with Reader(own.data) as reader:
        stored = reader.closure(1)
    assert stored is not None
    assert stored.closure.requirement is not None
    requirement = replace(stored.closure.requirement, contact_ms=20 * 60_000)
    closure = replace(stored.closure, requirement=requirement, verdict=Verdict.NOT_MET)
    store = Store(own.data, lambda: own.now_ms)
    number = store.db.conn.execute("SELECT number FROM closure WHERE id = 1").fetchone()[0]
    judged = ClosureJudged(
        pagekit.stream_id("n1", "b1", "a"), stored.closing_utc_ms, True, closure, None, None, supersedes=[number]
    )
    with store.transaction():
        store._append(judged)
    store.close()


def issued(own: Office) -> list[Issued]:
    return shelf.find_all(own.desk.connection, Issued)


class TestRefused:
    """No paper is thinner than what was asked for."""

    def test_a_closure_that_is_not_there(self, shared: Office) -> None:
        expected = (
            "unknown-closure",
            "There is no ended closure 'nothing:1' on record.",
            "Open the soak in the list of closures and issue it from there; one that still runs has no record yet.",
        )
        assert shared.refused("nothing:1") == expected
        assert shared.refused("row:99999")[0] == "unknown-closure"
        assert shared.refused(NOT_SEALED)[0] == "unknown-closure"
        assert shared.refused("abc")[0] == "unknown-closure"

    def test_readings_that_no_page_holds_yet(self, own: Office) -> None:
        own.damage("DELETE FROM page WHERE first = (SELECT max(first) FROM page WHERE first <= 7522) AND stream_id = 1")
        assert own.refused(EARLY) == (
            "readings-not-sealed",
            "Not all readings of this soak are sealed yet, so no digest covers them: a paper about them could not be "
            "proven later.",
            "They are sealed within the hour while the collector runs. Issue it then.",
        )

    def test_a_damaged_page_before_and_after(self, own: Office) -> None:
        issued_id = own.issue(MET)
        own.damage("UPDATE page SET body = CAST(substr(body, 1, 40) || x'00' || substr(body, 42) AS BLOB)")
        rule, text, step = own.refused(MET)
        assert rule == "page-damaged"
        assert text.endswith("bytes were changed): there is no evidence of this soak without it.")
        assert step.startswith("Run `soakledger verify`")
        assert own.refused_again(issued_id)[0] == "page-damaged"

    def test_a_changed_record_and_a_changed_tail(self, own: Office) -> None:
        issued_id = own.issue(MET)
        number = own.made(issued_id).record.number
        own.damage("UPDATE ledger SET reason = 'another' WHERE number = ?", number)
        assert own.refused(MET)[:2] == (
            "chain-broken",
            f"Record {number} of the ledger does not give its hash: it, or the one before it, was changed.",
        )
        assert own.refused_again(issued_id)[0] == "chain-broken"

    def test_a_record_that_is_missing_from_the_tail(self, own: Office) -> None:
        own.issue(MET)
        own.damage("DELETE FROM ledger WHERE number = (SELECT max(number) - 3 FROM ledger)")
        assert own.refused(MET)[:2] == ("chain-broken", "Of the last 64 records of the ledger some are missing.")

    def test_a_record_of_a_newer_version(self, own: Office) -> None:
        issued_id = own.issue(MET)
        own.damage("UPDATE ledger SET format = 2 WHERE number = (SELECT max(number) FROM ledger)")
        rule, text, step = own.refused(MET)
        assert rule == "newer-version"
        assert text.endswith(
            "is written in format 2; this version reads up to 1. A newer version of this program wrote it, so a paper "
            "from here could leave something out."
        )
        assert step == "Issue it with that version, or a later one."
        assert own.refused_again(issued_id)[0] == "newer-version"

    def test_a_thing_that_this_version_cannot_read(self, own: Office) -> None:
        own.damage("UPDATE thing SET body = json_set(body, '$.result', 'glowing') WHERE kind = 'mec-test'")
        assert own.refused(MET)[0] == "newer-version"

    def test_a_paper_that_was_never_issued(self, shared: Office) -> None:
        assert shared.refused_again("E999")[0] == "unknown-issued"


@pytest.mark.parametrize("who", [TINA, SAM, "olga", "ada"])
def test_every_role_may_issue(shared: Office, who: str) -> None:
    """It says nothing that they may not read, and who asked for it stands on record."""
    assert shared.made(shared.issue(COLD, who=who)).record.who == who


def test_checks_on_either_side_are_told_with_their_reference(own: Office) -> None:
    sensor, closed_ms = pagekit.sensor(1), pagekit.NOW_MS - 2_231_000
    check = {"sensor": sensor, "basin": "n1/b1", "by": "tom", "correction_mc": 40, "u_mc": 200, "error_mc": -40}
    for number, at_ms in ((1, closed_ms - 86_400_000), (2, pagekit.NOW_MS)):
        put(own, SensorCheck(id=f"C{number}", at_ms=at_ms, reference=f"reference {number}, certificate C-88", **check))
    assert_says(
        own.paper(MET),
        "C1, 2026-03-02 12:40:49 by Tom Test: correction +0.04 °C, U 0.2 °C, found -0.04 °C off, against reference 1,",
        "C2, 13:18:00 by Tom Test: correction +0.04 °C, U 0.2 °C, found -0.04 °C off, against reference 2,",
        "+0.04 °C",
    )


def put(own: Office, thing: Thing) -> None:
    """On record past its rules."""
    with own.desk.transaction():
        changes = {thing.KIND: {thing.id: to_builtins(thing)}}
        body = {"changes": changes, "about": f"{thing.KIND}/{thing.id}"}
        record = Ledger(own.desk.connection, lambda: own.now_ms).append("given-by-a-test", body, who="kit")
        shelf.write(own.desk.connection, record.number, changes)


def test_a_rebuild_gives_the_same_papers(own: Office) -> None:
    issued_id = own.issue(MET)
    first = own.made(issued_id).content
    own.close()
    assert "thing" not in rebuild_folder(own.data, keep=True).differing
    assert Office(own.data).made(issued_id).content == first
