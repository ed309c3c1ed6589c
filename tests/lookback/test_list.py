"""The list for infection prevention: every row, the same bytes again, any text; and a rebuild gives the same record."""

from __future__ import annotations

import csv
import hashlib
import io
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from lookbackkit import SUPERVISOR, Ward, morning, open_one

from collector.evidence.typeset import TEMPLATES
from collector.lookback import issued
from collector.lookback.paper import TEMPLATE
from collector.rebuild import rebuild_folder
from collector.record.rounds.lookback_answers import IssueList, ResolveDevices, TellInfectionPrevention
from collector.record.rounds.lookbacks import CloseLookBack
from collector.record.things import LookBackList, Outcome
from collector.schema import FILE_NAME
from tests.evidence.pdfkit import assert_archival, attached, said

HOSTILE = '=HYPERLINK("http://x") <script>alert(1)</script> #panic() 漢字 😀'


@pytest.fixture
def ward(tmp_path: Path) -> Iterator[Ward]:
    """The morning with a look-back that is resolved in part, told of, and its list."""
    one = morning(tmp_path / "record")
    open_one(one, "profile-wrong", profile="opa")
    one.do(TellInfectionPrevention(look_back="K1", whom=HOSTILE, how="by letter"), SUPERVISOR)
    resolve = ResolveDevices(look_back="K1", devices=("A2",), outcome=Outcome.CULTURE, note=HOSTILE)
    one.do(resolve, SUPERVISOR)
    one.do(IssueList(look_back="K1"), SUPERVISOR)
    yield one
    one.close()
    one.recording.close()


def the_list(ward: Ward) -> LookBackList:
    return ward.recording.get(LookBackList, "KL1")


def test_every_round_is_a_row_with_what_is_on_record(ward: Ward) -> None:
    content = issued.content(the_list(ward))
    assert [(row.device, row.round, row.encounter) for row in content.rows] == [
        ("A1", "T1", ""),
        ("A2", "T2", "ENC-7"),
        ("A3", "T3", ""),
    ]
    assert content.rows[0].stood == "in the storage cabinet: cabinet 2"
    assert content.rows[0].credited == "12 min 59 s of 12 min"
    assert content.rows[1].outcome == f"culture, 2026-03-02 09:47: {HOSTILE}"
    assert content.rows[2].outcome == "not resolved"
    assert content.people == ["Sam Test", "Tina Test", "Tom Test"]
    assert content.state == "open; 2 of 3 devices not resolved"


def test_what_sets_an_issued_list_is_never_changed() -> None:
    """Whoever changes it makes the next one, with the next number: papers that were issued must come again."""
    template = (TEMPLATES / f"{TEMPLATE}.typ").read_bytes()
    assert hashlib.sha256(template).hexdigest() == "c4280397c9e09501894305513619776c2d24c85192d1f5182d3ee7c36ae1d15c"


def test_no_cell_is_a_formula(ward: Ward) -> None:
    rows = list(csv.reader(io.StringIO(issued.as_csv(the_list(ward)).decode())))
    assert len(rows) == 4
    assert not [cell for row in rows for cell in row if cell.startswith(("=", "+", "-", "@"))]
    assert issued._plain("=1+1") == "'=1+1"


def test_the_paper_says_every_row_has_the_table_inside_and_comes_again(ward: Ward) -> None:
    paper, table = issued.as_pdf(the_list(ward)), issued.as_csv(the_list(ward))
    assert_archival(paper, "Look-back K1, list KL1")
    assert attached(paper) == {"KL1.csv": table}
    text = said(paper)
    for row in issued.content(the_list(ward)).rows:
        for figure in (row.device, row.round, row.load, row.encounter, row.allowance, row.verdict, "ENC-7"):
            assert "".join(figure.split()) in text
    assert "Itdoesnotassessanyrisktoapatient" in text
    assert "#panic()" in text
    ward.do(CloseLookBack(look_back="K1", conclusion="Done.", reason="A test."), SUPERVISOR)
    assert issued.as_pdf(the_list(ward)) == paper


def test_a_rebuild_gives_the_same_look_backs_and_lists(ward: Ward) -> None:
    def kept() -> list[object]:
        with closing(sqlite3.connect(ward.recording.data / FILE_NAME)) as connection:
            return connection.execute("SELECT * FROM thing ORDER BY kind, id").fetchall()

    before = kept()
    ward.close()
    ward.recording.close()
    with closing(sqlite3.connect(ward.recording.data / FILE_NAME)) as connection:
        connection.execute("DELETE FROM thing WHERE kind LIKE 'look-back%'")
        connection.commit()
    assert kept() != before
    rebuild_folder(ward.recording.data, keep=True)
    assert kept() == before
