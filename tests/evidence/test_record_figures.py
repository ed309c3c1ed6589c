"""Figures through the whole path, from the kernel's text to the paper; clocks that jump, any script, the command."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import subprocess
import sys
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from pdfkit import attached, said
from recordkit import MET, PEOPLE, SAM, House, Office, office, pagekit

from collector import credentials
from collector.credentials import Kind
from collector.evidence import issue
from collector.evidence.issue import CSV_NAME
from collector.evidence.ledger_json import HOW
from collector.evidence.reissue import qr
from collector.evidence.sealed import Taken, as_csv
from collector.evidence.trend import Marks, drawn
from collector.evidence.typeset import typeset, typesetter
from collector.settings import Settings
from firmware.scratchpad import judge
from firmware.simulator.wire1 import scratchpad, w1_slave_text
from soak.reading import Lid, Reading, Why
from soak.requirement import SensorTerms
from soakledger import main

# DS18B20 datasheet, Table 1, Temperature/Data Relationship: the register, and what the kernel's integer division makes
# of it in millidegrees.
REGISTER_TABLE = {
    0x07D0: "125.000",
    0x0550: "85.000",
    0x0191: "25.062",
    0x00A2: "10.125",
    0x0008: "0.500",
    0x0000: "0.000",
    0xFFF8: "-0.500",
    0xFF5E: "-10.125",
    0xFE6F: "-25.062",
    0xFC90: "-55.000",
}
SENSOR = pagekit.sensor(1)
BOOTED_MS = pagekit.NOW_MS - 3_600_000


def readings(registers: Sequence[int], from_ms: int = 60_000) -> list[Reading]:
    """Ten seconds open, a second closed for each register, ten seconds open; each as the kernel prints it."""
    found = []
    lids = [Lid.OPEN] * 10 + [Lid.CLOSED] * len(registers) + [Lid.OPEN] * 10
    for second, (lid, register) in enumerate(zip(lids, [0] * 10 + list(registers) + [0] * 10, strict=True)):
        signed = register - 0x10000 if register & 0x8000 else register
        mc = judge(w1_slave_text(scratchpad(signed)).encode())
        assert isinstance(mc, int)
        found.append(Reading(from_ms + 1_000 * second, Why.TICK, lid, {SENSOR: mc}))
    return found


def played(folder: Path, parts: Sequence[tuple[list[Reading], int]], **need: Any) -> Office:
    """A basin with these readings, each part with the wall clock at its node's start."""
    basin = pagekit.basin_settings("n1/b1", "Basin 1", [SENSOR], **(pagekit.NEED | need))
    player = pagekit.Player(folder, Settings(pagekit.CLINIC, basin=[basin]))
    number = 1
    for part, booted_ms in parts:
        player._send("n1", "b1", part, booted_ms, "a", first=number)
        number += len(part)
    player.close()
    House(folder, {}).put(*PEOPLE.values())
    return Office(folder)


def test_a_soak_whose_page_is_not_full_yet_waits_for_it(tmp_path: Path) -> None:
    made = played(tmp_path / "data", [(readings([0x0150] * 60), BOOTED_MS)])
    assert made.refused(f"{pagekit.stream_id('n1', 'b1', 'a')}:11")[0] == "readings-not-sealed"
    made.close()


def table(paper: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(attached(paper)[CSV_NAME].decode())))


def test_the_datasheets_register_table_from_the_kernels_text_to_the_paper(tmp_path: Path) -> None:
    registers = [register for register in REGISTER_TABLE for _ in range(60)]
    made = played(tmp_path / "data", [(readings(registers), BOOTED_MS)], min_temp_c="-55", contact="30s")
    paper = made.paper(f"{pagekit.stream_id('n1', 'b1', 'a')}:11")
    closed = [row for row in table(paper) if row["lid"] == "closed"]
    assert [row[f"indicated_c {SENSOR}"] for row in closed] == [REGISTER_TABLE[each] for each in registers]
    assert [row[f"temp_c {SENSOR}"] for row in closed] == [REGISTER_TABLE[each] for each in registers]
    whole = said(paper)
    assert "Coldest,corrected-55°C" in whole
    assert "Warmest,corrected125°C" in whole
    made.close()


def test_the_ice_point_is_0_000(tmp_path: Path) -> None:
    made = played(tmp_path / "data", [(readings([0x0000] * 600), BOOTED_MS)], min_temp_c="-1", contact="30s")
    paper = made.paper(f"{pagekit.stream_id('n1', 'b1', 'a')}:11")
    assert {row[f"indicated_c {SENSOR}"] for row in table(paper)} == {"0.000"}
    assert "Coldest,corrected0°C" in said(paper)
    made.close()


def test_a_clock_that_goes_back_by_an_hour_in_the_middle(tmp_path: Path) -> None:
    whole = readings([0x0150] * 800)
    parts = [(whole[:400], BOOTED_MS), (whole[400:], BOOTED_MS - 3_600_000)]
    made = played(tmp_path / "data", parts)
    paper = made.paper(f"{pagekit.stream_id('n1', 'b1', 'a')}:11")
    rows = table(paper)
    assert all(float(after["time_s"]) - float(before["time_s"]) == 1 for before, after in pairwise(rows))
    assert [before["number"] for before, after in pairwise(rows) if after["utc"] < before["utc"]] == ["400"]
    text = said(paper)
    assert "Soakmet" in text
    assert "backby1hatreading401:timesofdaybeforeandafteritdonotcompare" in text
    made.close()


def test_the_words_of_a_paper_take_any_script(tmp_path: Path) -> None:
    made = office(tmp_path / "data")
    made.do("note-closure", SAM, closure=MET, note="Der Deckel klemmte; крышка; 蓋 😀; المغطس; 3½ °C ≥ 2")
    whole = said(made.paper(MET))
    assert "DerDeckelklemmte;крышка;⟨U+84CB⟩⟨U+1F600⟩;" in whole
    assert "3½°C≥2" in whole
    made.close()


_ANY = st.text(alphabet=st.characters(categories=["L", "M", "N", "P", "S", "Z", "C"]), max_size=30)


@settings(max_examples=25)
@given(_ANY, _ANY, _ANY)
def test_no_text_stops_a_paper(one: str, two: str, three: str) -> None:
    """Whatever stood in any field of the record, also past the rules of today."""
    words = json.loads(GOLDEN.read_text())
    words |= {"site": one, "basin": two, "when": three, "superseded": one, "no_load": two, "sensors_note": three}
    words["findings"] = [[one, two]]
    words["devices"] = [[three, [[one, two], [three, one]]]]
    words["said"] = words["alarms"] = words["load"] = [[two, three]]
    words["verdicts"] = [[one] * 7, [two] * 7]
    typeset("disinfection-record-1", words, title=one, at_ms=pagekit.NOW_MS)


GOLDEN = Path(__file__).with_name("golden_record.json")
GOLDEN_SHA256 = {"typst 0.15.2": "69986cef94f26e12674a594675b4a9393f33f9889304b182e8ab0ec9fa1aad15"}


def test_papers_that_are_out_still_come_with_the_same_bytes() -> None:
    """A template that papers were issued with is never changed, and another typesetter is noticed.

    Where this fails: put the template back and make a new one with the next number. If typst itself was exchanged, add
    its digest here, and say in the changelog that papers issued before come with the same words in other bytes.
    """
    words = json.loads(GOLDEN.read_text())
    paper = typeset("disinfection-record-1", words, title="Disinfection record", at_ms=pagekit.NOW_MS)
    assert hashlib.sha256(paper).hexdigest() == GOLDEN_SHA256[typesetter()]


def test_what_is_drawn_and_attached_anew_stays_as_it_was() -> None:
    """The drawing, the code and the attachments are made again from the record: as papers that are out have them."""
    taken = [
        Taken(number, BOOTED_MS + 1_000 * number, each)
        for number, each in enumerate(readings([0x0150, 0x0151, 0x014F] * 250, 1_000), 1)
    ]
    taken[300:320] = [each._replace(reading=replace(each.reading, mc={SENSOR: None})) for each in taken[300:320]]
    marks = Marks(11, 760, "12:00:11", "12:12:41", 761_000, 20_000, 25_000)
    drawing = drawn(taken, {SENSOR: SensorTerms(580, 40)}, marks)
    code = qr("4711:" + "0123456789abcdef" * 4)
    assert (digest(drawing), digest(code)) == (
        "ac3988eafc9cb653f1469da7cebc85a8baa717503859611d4f0df24a5cc330dd",
        "ec79b50adf99dca522431cb8dda3376a941e5bda4412cd344a1a688cf5c7fcfa",
    )
    assert (digest(as_csv(taken, {SENSOR: SensorTerms(580, 40)}).decode()), digest(HOW)) == (
        "d050858a8ea554447e5bb614d4577693105c763b720c758d416ba876679b9d56",
        "2db025f36ad76343a730e03c2ab0cefc663d290c4af6804d439bcc8605f17a9f",
    )
    assert (issue.CSV_NAME, issue.JSON_NAME) == ("readings.csv", "ledger-records.json")
    assert issue._CSV_IS == "Every reading of the soak, with some before and after it; soakledger assess reads it"
    assert issue._JSON_IS == (
        "The ledger's records about the soak, verbatim, with what it takes to make their hashes again"
    )


def digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def run(*words: str, given_in: str = "") -> Any:
    return CliRunner().invoke(main, ["disinfection-record", *words], input=given_in)


class TestCommand:
    """`soakledger disinfection-record`."""

    @pytest.fixture
    def made(self, tmp_path: Path) -> Office:
        made = office(tmp_path / "data")
        password(made)
        return made

    def test_one(self, made: Office, tmp_path: Path) -> None:
        out = tmp_path / "paper.pdf"
        words = ("--data", str(made.data), "--as", "ada", "--closure", MET, "--reason", "asked for", "--out", str(out))
        done = run(*words, given_in=PASSWORD)
        assert done.exit_code == 0, done.output
        sha256 = subprocess.run(["sha256sum", out], capture_output=True, text=True, check=True).stdout.split()[0]
        assert done.stdout.startswith("E1 record ")
        assert done.stdout.endswith(f" met sha256 {sha256}\n")
        assert "askedfor" in said(out.read_bytes())
        over = run(*words, given_in=PASSWORD)
        assert (over.exit_code, over.stderr) == (
            2,
            f"soakledger disinfection-record: {out} is there already. "
            "Name another file: papers are not written over.\n",
        )

    def test_many_with_one_that_cannot_be_issued(self, made: Office, tmp_path: Path) -> None:
        made.damage("UPDATE page SET body = CAST('x' AS BLOB) WHERE stream_id = 1 AND first <= 6971 AND last >= 7522")
        out = tmp_path / "papers.zip"
        range_ = ("--from", "2026-03-03T00:00:00+01:00", "--to", "2026-03-04T00:00:00+01:00")
        done = run("--data", str(made.data), "--as", "ada", *range_, "--zip", str(out), given_in=PASSWORD)
        assert done.exit_code == 1, done.output
        assert "closures without a load left out" in done.stdout
        assert "is damaged" in done.stderr
        check = [sys.executable, "-c", "import sys, zipfile; print(zipfile.ZipFile(sys.argv[1]).testzip())", str(out)]
        assert subprocess.run(check, capture_output=True, text=True, check=True).stdout == "None\n"

    @pytest.mark.parametrize(
        ("words", "code", "text"),
        [
            ((), 2, "Give --closure or --again with --out, or --from and --to with --zip."),
            (("--closure", MET, "--zip", "x"), 2, "Give --closure or --again with --out"),
            (("--closure", MET, "--out", "x.pdf"), 2, "Give --as: who issues it stands on record."),
            (("--again", "E77", "--out", "x.pdf"), 5, "There is no issued 'E77'."),
            (("--as", "ada", "--from", "soon", "--to", "later", "--zip", "x.zip"), 2, "--from is 'soon'."),
        ],
    )
    def test_what_cannot_be_used(
        self,
        made: Office,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        words: tuple[str, ...],
        code: int,
        text: str,
    ) -> None:
        monkeypatch.chdir(tmp_path)
        done = run("--data", str(made.data), *words, given_in=PASSWORD)
        assert (done.exit_code, text in done.stderr) == (code, True), done.stderr
        assert [each.name for each in tmp_path.iterdir()] == ["data"]


PASSWORD = "copper lantern walks north"  # noqa: S105


def password(made: Office) -> None:
    credentials.set_secret(made.desk.connection, "ada", Kind.PASSWORD, PASSWORD)
    made.desk.connection.commit()
