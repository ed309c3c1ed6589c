"""The paper form for soaks while the system is down."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from collector.downtime_form import FILL_COLUMNS, SOAK_COLUMNS, form
from collector.paper import Paper
from collector.record.things import Step
from soakledger import main

# Record items of ANSI/AAMI ST58 as the CIHQ newsletter of March 2022 lists them; a study guide for sterile-processing
# technicians; an audit checklist; a summary of endoscope guidelines. One distinctive word of each.
PUBLISHED = [
    "soaking tray",
    "date processed",
    "link to the patient",
    "contents of the load",
    "procedure",
    "HLD lot number",
    "shelf-life",
    "original container was opened",
    "use life of the open container",
    "activated or diluted",
    "secondary container",
    "reuse life",
    "exposure time",
    "exposure temperature",
    "time of cycle",
    "chemical concentration",
    "operator",
    "biological indicator",
    "device id",
    "chemical",
    "MEC test result",
    "contact time",
    "temperature",
    "rinse water",
    "technician",
    "strip lot number",
    "expiry on the soak container",
    "results of concentration tests",
    "expiry of strips",
    "expiry of chemicals",
]


def test_every_published_record_field_has_its_column() -> None:
    held = [field for column in (*FILL_COLUMNS, *SOAK_COLUMNS) for field, _ in column.fields]
    assert [field for field in PUBLISHED if not any(field in each for each in held)] == []


@pytest.mark.parametrize(("paper", "size"), [(Paper.A4, "A4 landscape"), (Paper.LETTER, "letter landscape")])
def test_the_form_has_room_and_everything_in_it(paper: Paper, size: str) -> None:
    text = form(paper, 5)
    assert f"@page {{ size: {size}; margin: 10mm; }}" in text
    assert not re.search(r"https?:|src=|url\(|<script|<link|@import|style=", text)
    fills, soaks = re.findall(r"<tbody>(.*?)</tbody>", text)
    assert (fills.count("<tr>"), soaks.count("<tr>")) == (3, 5)
    assert re.findall(r'<th scope="col">(.*?)</th>', text) == [
        html.escape(column.words) for column in (*FILL_COLUMNS, *SOAK_COLUMNS)
    ]


def test_its_words_are_those_of_the_screens() -> None:
    text = html.unescape(form(Paper.A4, 1))
    for number, step in enumerate(Step, 1):
        assert f"{number} {step.value}" in text
    for rule in (
        "Only while the system is down. Typed in later, it is marked as such: nothing on it was watched.",
        "Lid on, timer running, no break. In doubt, reprocess; a doubtful MEC test is a fail.",
        "No names and no dates of birth: write the encounter's reference.",
        "Gloves, eye protection, ventilation. The product's label and the device maker's instructions decide.",
    ):
        assert f"<li>{rule}</li>" in text
    cells = re.findall(r"<td>(.*?)</td>", text)
    assert not any(re.search(r"[✓☑x×]", cell) for cell in cells)  # nothing is ticked beforehand


def test_the_command_writes_it(tmp_path: Path) -> None:
    out = tmp_path / "form.html"
    done = CliRunner().invoke(main, ["downtime-form", "--out", str(out), "--paper", "letter", "--soaks", "3"])
    assert (done.exit_code, done.stderr) == (
        0,
        f"The form is in {out}. Print it across (landscape), at 100 %.\n",
    )
    assert out.read_text(encoding="utf-8") == form(Paper.LETTER, 3)
    nowhere = tmp_path / "no" / "form.html"
    done = CliRunner().invoke(main, ["downtime-form", "--out", str(nowhere)])
    assert (done.exit_code, done.stderr) == (
        2,
        f"soakledger downtime-form: {nowhere} cannot be written (No such file or directory). Name a file in a folder "
        "that you may write to.\n",
    )
