"""Labels: what stands on them, that they scan back, and that a printed badge is a new one."""

from __future__ import annotations

import re
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest
import segno
from click.testing import CliRunner, Result
from record_kit import MONDAY, TECHNICIAN, Recording, at

from collector import credentials, labels
from collector.labels_sheet import Label, sheet
from collector.paper import Paper
from collector.record.errors import UnknownThingError
from collector.record.things import (
    Bottle,
    ControlResult,
    Controls,
    Device,
    DeviceType,
    Fill,
    MecPolicy,
    Person,
    Poured,
    Profile,
    Step,
    Strip,
    StripBottle,
)
from collector.scan_label import read_label
from soakledger import main

FILL = Fill(
    id="F1",
    basin="n1/b1",
    profile="opa",
    poured=(Poured("B1", "L7", 900, TECHNICIAN, MONDAY), Poured("B2", "L8", 100, TECHNICIAN, MONDAY)),
    poured_ms=MONDAY,
    poured_by=TECHNICIAN,
    use_by_ms=at("2026-03-16 09:00"),
    use_by_why="",
    tested_after_ms=MONDAY,
)
FOOT = "Printed 2026-03-02 09:00. Print anew after every change. The product's label decides."


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Recording]:
    one = Recording(tmp_path / "data")
    closed = {"profile": "opa", "lot": "L7", "expires": "2027-03-31", "use_by_ms": at("2027-03-31 23:59")}
    bottle = {**closed, "volume_ml": 4000, "left_ml": 4000, "received_ms": MONDAY}
    strips = {**closed, "open_days": 90, "strip": Strip(1_000, 75_000, 90_000), "controls": Controls(3)}
    one.put(
        Profile(id="opa", name="Ortho-phthalaldehyde 0.55 %"),
        Bottle(id="B1", **bottle),  # type: ignore[arg-type]
        Bottle(id="B2", **{**bottle, "opened_ms": MONDAY, "use_by_ms": at("2026-05-16 09:00")}),  # type: ignore[arg-type]
        FILL,
        StripBottle(id="S1", **strips),  # type: ignore[arg-type]
        DeviceType(id="gastroscope", name="Gastroscope", kind="gi", profiles=("opa",), steps=(Step.CLEAN,)),
        Device(id="END-0042", type="gastroscope", serial="<b>&9"),
        Device(id="END-0043", type="gastroscope", retired=True),
    )
    yield one
    one.close()


def test_a_basin_shows_its_fill(site: Recording) -> None:
    assert labels.basin_label(site.book(), "n1/b1") == Label(
        "SL:basin:n1/b1",
        "Basin",
        "Basin 1",
        (
            ("Solution", "Ortho-phthalaldehyde 0.55 %"),
            ("Lots", "L7, L8"),
            ("Poured", "2026-03-02 09:00, Tina Test"),
            ("Use by", "2026-03-16 09:00"),
        ),
        "MEC test before each use.",
        FOOT,
    )


def test_an_empty_basin_has_lines_to_write_on(site: Recording) -> None:
    label = labels.basin_label(site.book(), "n1/b2")
    assert label.facts == (("Solution", None), ("Lot", None), ("Poured", None), ("Use by", None))
    assert label.foot == "Printed 2026-03-02 09:00. The product's label decides."
    with pytest.raises(UnknownThingError) as caught:
        labels.basin_label(site.book(), "n1/b9")
    assert str(caught.value) == "There is no basin 'n1/b9'. Known are: n1/b1, n1/b2."


def test_a_failed_fill_says_so(site: Recording) -> None:
    fields = {name: getattr(FILL, name) for name in FILL.__struct_fields__}
    site.put(Fill(**{**fields, "failed_ms": MONDAY}))
    assert labels.fill_label(site.book(), "F1").note == "Out of use: a MEC test failed. Discard it."
    assert labels.basin_label(site.book(), "n1/b1").note == "Out of use: a MEC test failed. Discard it."


@pytest.mark.parametrize(
    ("monitored", "label_allows", "policy", "words"),
    [
        (True, False, MecPolicy.DAILY, "MEC test before each use."),
        (True, True, MecPolicy.EACH_USE, "MEC test before each use."),
        (True, True, MecPolicy.DAILY, "MEC test each day before the first use."),
        (False, True, MecPolicy.DAILY, "No MEC test: its label asks for none."),
    ],
)
def test_the_rule_of_the_mec_test(
    site: Recording, monitored: bool, label_allows: bool, policy: MecPolicy, words: str
) -> None:
    site.set_policy(mec=policy)
    profile = Profile(id="p", name="P", mec_monitored=monitored, mec_daily_allowed=label_allows)
    assert labels.mec_rule(site.book(), profile) == words


def test_bottles_closed_and_open(site: Recording) -> None:
    solution = (("Solution", "Ortho-phthalaldehyde 0.55 %"), ("Lot", "L7"), ("Expiry", "2027-03-31"))
    closed, opened = (labels.bottle_label(site.book(), each) for each in ("B1", "B2"))
    assert closed.facts == (*solution, ("Opened", None), ("Use by", None))
    assert closed.note == "Write date and time when you open it."
    assert opened.facts == (*solution, ("Opened", "2026-03-02 09:00"), ("Use by", "2026-05-16 09:00"))
    assert (opened.code, opened.note, opened.foot) == ("SL:bottle:B2", "", FOOT)


def test_strips_show_their_times_and_controls(site: Recording) -> None:
    label = labels.strips_label(site.book(), "S1")
    assert label.note == "Dip 1 s. Read 1 min 15 s to 1 min 30 s after taking it out. Doubtful is fail."
    assert label.facts[-1] == ("Controls", None)
    bottle = site.get(StripBottle, "S1")
    fields = {name: getattr(bottle, name) for name in bottle.__struct_fields__}
    for passed, words in ((True, "passed"), (False, "failed: do not use")):
        site.put(StripBottle(**{**fields, "control_results": (ControlResult("tina", MONDAY, 3, 3, passed),)}))
        assert labels.strips_label(site.book(), "S1").facts[-1] == ("Controls", words)


def test_every_label_scans_back(site: Recording) -> None:
    book = site.book()
    found = {
        kind: [read_label(make(book, each).code) for each in labels.all_ids(book, kind)]
        for kind, make in labels.LABELS.items()
    }
    assert found == {
        "basins": [("basin", "n1/b1"), ("basin", "n1/b2")],
        "fills": [("fill", "F1")],
        "bottles": [("bottle", "B2"), ("bottle", "B1")],  # first-expiring first
        "strips": [("strips", "S1")],
        "devices": [("device", "END-0042")],  # no retired one
    }


@pytest.mark.parametrize(("paper", "size"), [(Paper.A4, "A4"), (Paper.LETTER, "letter")])
def test_a_sheet_has_everything_in_it(site: Recording, paper: Paper, size: str) -> None:
    text = sheet([labels.device_label(site.book(), "END-0042")], "Labels", paper)
    assert f"@page {{ size: {size}; margin: 10mm; }}" in text
    assert not re.search(r"https?:|src=|url\(|<script|<link|@import|style=", text)
    assert "<dd>&lt;b&gt;&amp;9</dd>" in text
    code = segno.make("SL:device:END-0042", error="m", micro=False)
    assert code.svg_inline(omitsize=True, border=4) in text


def test_a_badge_stands_in_the_code_only() -> None:
    code = "PERSON" + "B" * 30
    person = Person(id="tina", name="Tina Test", roles=())
    assert code not in sheet([labels.badge_label(person, code)], "Badges", Paper.A4)


def command(site: Recording, *arguments: str) -> Result:
    return CliRunner().invoke(main, ["labels", *arguments, "--data", str(site.data)])


def test_the_command_writes_a_page(site: Recording, tmp_path: Path) -> None:
    out = tmp_path / "labels.html"
    done = command(site, "basins", "--out", str(out))
    assert (done.exit_code, done.stderr) == (0, f"2 labels in {out}. Print at 100 %.\n")
    assert out.read_text(encoding="utf-8").count('<article class="label">') == 2
    done = command(site, "devices", "END-0042", "--out", str(out), "--paper", "letter")
    assert (done.exit_code, done.stderr) == (0, f"1 label in {out}. Print at 100 %.\n")


def test_a_printed_badge_is_a_new_one(site: Recording, tmp_path: Path) -> None:
    connection = site.desk.connection
    old = credentials.new_badge(connection, TECHNICIAN)
    others = credentials.new_badge(connection, "tom")
    out = tmp_path / "badges.html"
    out.write_text("an older page")
    done = command(site, "people", TECHNICIAN, "--out", str(out))
    assert (done.exit_code, done.stderr) == (
        0,
        f"New badges for Tina Test: the badges they had open nothing any more. {out} holds what signs them in: delete "
        f"it once it is printed.\n1 label in {out}. Print at 100 %.\n",
    )
    assert stat.S_IMODE(out.stat().st_mode) == 0o600
    assert credentials.person_of_badge(connection, old) is None
    assert credentials.person_of_badge(connection, others) == "tom"


def test_badges_of_everybody_only_when_it_is_said(site: Recording, tmp_path: Path) -> None:
    out = tmp_path / "badges.html"
    done = command(site, "people", "--out", str(out))
    assert (done.exit_code, done.stderr) == (
        5,
        "soakledger labels: Nobody is named, and a new badge makes the old one useless. Name the people by their id, "
        "or say --all.\n",
    )
    assert command(site, "people", "--all", "--out", str(out)).exit_code == 0
    assert out.read_text(encoding="utf-8").count('<article class="label">') == 5


def test_a_badge_whose_page_cannot_be_written_is_not_in_force(site: Recording, tmp_path: Path) -> None:
    old = credentials.new_badge(site.desk.connection, TECHNICIAN)
    out = tmp_path / "nowhere" / "badges.html"
    done = command(site, "people", TECHNICIAN, "--out", str(out))
    assert (done.exit_code, done.stderr) == (
        2,
        f"soakledger labels: {out} cannot be written (No such file or directory). Name a file in a folder that you may "
        "write to.\n",
    )
    assert credentials.person_of_badge(site.desk.connection, old) == TECHNICIAN


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("devices", "A9"), "There is no device 'A9'. Scan or type it again; if it is new, record the device first."),
        (("people", "zoe"), "There is no person 'zoe'. Scan or type it again; if it is new, record the person first."),
    ],
)
def test_what_is_not_recorded_gets_no_label(
    site: Recording, tmp_path: Path, arguments: tuple[str, ...], message: str
) -> None:
    done = command(site, *arguments, "--out", str(tmp_path / "x.html"))
    assert (done.exit_code, done.stderr) == (5, f"soakledger labels: {message}\n")
    assert not (tmp_path / "x.html").exists()
