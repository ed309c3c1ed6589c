"""Devices as a spreadsheet's file: there and back, and what is wrong with a file, by line and column."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st
from record_kit import ADMINISTRATOR, SUPERVISOR, TECHNICIAN, Recording

from collector import credentials
from collector.credentials import Kind
from collector.devices_csv import CsvError, exported, read
from collector.devices_import import import_devices
from collector.record.devices.devices import RecordDevice, RetireDevice
from collector.record.errors import RefusedError
from collector.record.things import Device, DeviceType, Profile, Step
from soakledger import main

GTIN = "12345678901231"
HEADER = "asset_number,type,serial,udi,retired\n"
PIN = "493027"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Recording]:
    recording = Recording(tmp_path / "data")
    steps = (Step.CLEAN,)
    recording.put(
        Profile(id="glut", name="Glutaraldehyde"),
        DeviceType(id="gastroscope", name="Gastroscope", kind="gastrointestinal", profiles=("glut",), steps=steps),
        DeviceType(id="blade", name="Laryngoscope blade", kind="airway", profiles=("glut",), steps=steps),
    )
    yield recording
    recording.close()


def run(site: Recording, text: str | bytes, *, write: bool = True, who: str = SUPERVISOR) -> tuple[list[str], int]:
    content = text if isinstance(text, bytes) else text.encode()
    return import_devices(site.desk, read(content).rows, who, "from a file", write=write)


def wrong(site: Recording, text: str | bytes) -> list[str]:
    """Every line of what is said about a file that cannot be used; nothing may have been recorded."""
    before = site.records()
    with pytest.raises(CsvError) as caught:
        run(site, text)
    assert site.records() == before
    return str(caught.value).split("\n")


def test_new_changed_retired_and_unchanged_lines(site: Recording) -> None:
    site.do(RecordDevice(id="A1", type="gastroscope", serial="S1"), SUPERVISOR)
    site.do(RecordDevice(id="A2", type="gastroscope"), SUPERVISOR)
    site.do(RecordDevice(id="A3", type="gastroscope"), SUPERVISOR)
    site.do(RetireDevice(id="A3", reason="old"), SUPERVISOR)
    text = (
        HEADER
        + f"A1,gastroscope,S9,,no\nA2,gastroscope,,,no\nA3,gastroscope,,,no\nA4,Laryngoscope blade,,01{GTIN}21X,yes\n"
    )
    before = site.records()
    said = run(site, text, write=False)
    assert said == (
        ["A1: serial from S1 to S9", "A3: in service again", "A4: new, blade; retired"],
        1,
    )
    assert site.records() == before
    assert run(site, text) == said
    assert site.records() == before + 4
    assert site.get(Device, "A4") == Device(id="A4", type="blade", serial="X", udi=f"(01){GTIN}(21)X", retired=True)
    assert site.get(Device, "A1").serial == "S9"
    assert run(site, text) == ([], 4)  # a serial number that the UDI gives is no change


def test_a_column_that_is_not_there_changes_nothing(site: Recording) -> None:
    site.do(RecordDevice(id="A1", type="gastroscope", serial="S1"), SUPERVISOR)
    assert run(site, "Asset number,TYPE\nA1,gastroscope\n") == ([], 1)
    assert run(site, "asset_number,type,serial\nA1,gastroscope,\n") == (["A1: serial from S1 to nothing"], 0)


@pytest.mark.parametrize(
    "content",
    [
        "asset_number;type;serial\r\nA1;gastroscope;Gerät 7\r\n".encode("utf-8-sig"),
        "sep=;\r\nasset_number;type;serial\r\nA1;gastroscope;Gerät 7\r\n".encode("cp1252"),
        "asset_number\ttype\tserial\nA1\tgastroscope\tGerät 7".encode("utf-16"),
        '"serial","asset_number","type"\n\n"Gerät 7","A1","gastroscope"\n,,\n'.encode(),
        "serial,asset_number,type\rGerät 7,A1,gastroscope\r".encode(),
    ],
    ids=["bom", "cp1252", "utf-16", "quoted", "old-mac"],
)
def test_what_spreadsheets_write(site: Recording, content: bytes) -> None:
    assert run(site, content) == (["A1: new, gastroscope"], 0)
    assert site.get(Device, "A1").serial == "Gerät 7"
    assert read(content).guessed is (b"\xe4" in content and content.startswith(b"sep"))


@pytest.mark.parametrize(
    ("text", "problems"),
    [
        (
            "",
            [
                "line 1: The file is empty. Its first line must name the columns: asset_number, type, serial, udi, "
                "retired."
            ],
        ),
        (
            "asset,typ,serial,serial\n",
            [
                "line 1, column asset: Unknown. Known: asset_number, type, serial, udi, retired.",
                "line 1, column typ: Unknown. type is meant? Known: asset_number, type, serial, udi, retired.",
                "line 1, column serial: It is there twice. Keep one.",
                "line 1, column asset_number: It is missing. Add it.",
                "line 1, column type: It is missing. Add it.",
            ],
        ),
        (
            HEADER + "A1,gastroscope\n,gastroscope,,,\nA2,,,,\nA3,gastroscope,1.23E+11,,perhaps\n",
            [
                "line 2: It has 2 cells, the first line 5. Quote a text with the separator in it.",
                "line 3, column asset_number: It is empty. Every device has one.",
                "line 4, column type: It is empty. Every device has one.",
                "line 5, column serial: 1.23E+11 is what a spreadsheet makes of a long number, whose last digits are "
                "gone. Format the column as text and enter the number again.",
                "line 5, column retired: 'perhaps' is neither yes nor no.",
            ],
        ),
        (
            HEADER + '"A\n1",gastroscope,,,\n\nA2,,,,\n',
            [
                "line 2, column asset_number: It holds a line break or another control character. Take it out.",
                "line 5, column type: It is empty. Every device has one.",
            ],
        ),
        (
            HEADER + 'A1,"gastro"scope,,,\n',
            ["line 2: It is no CSV that can be read (',' expected after '\"'). Save it again as CSV."],
        ),
        (
            HEADER + f"A1,gastroscope,S1,,\nB/2,gastroscope,,,\na1,gastroscope,,,\nA3,gastro,,,\n"
            f"A4,blade,S1,(01){GTIN}(21)S2,\nA5,gastroscope,S1,,\n"
            f"A6,blade,{'x' * 81},,\nA7,blade,,(01)12345678901232,\n",
            [
                "line 3, column asset_number: 'B/2' is more than letters without accents, digits and . _ - (at most "
                "64, no sign in front). Use the number as it is on the device's label.",
                "line 4, column asset_number: 'a1' stands in line 2 already. Keep one of them.",
                "line 5, column type: There is no device type 'gastro'. Record the device type first, or choose one of "
                "those recorded: blade, gastroscope.",
                "line 6, column serial: The serial number 'S1' is not the one in the UDI, 'S2'. Compare both with the "
                "device, and correct the wrong one.",
                "line 7, column serial: A1 has the same serial number among the Gastroscope devices: S1. Compare both "
                "devices. If it is one device with two labels, keep the asset number that is recorded.",
                f"line 8, column serial: '{'x' * 40}' has 81 characters, more than are kept. Shorten it.",
                "line 9, column udi: The product code 12345678901232 cannot be right: its last digit must be 1, not 2. "
                "Scan again; if it was typed, compare every digit with the label.",
            ],
        ),
    ],
)
def test_what_is_wrong_is_named_by_line_and_column_and_nothing_recorded(
    site: Recording, text: str, problems: list[str]
) -> None:
    assert wrong(site, text) == problems


def test_letters_that_cannot_be_read(site: Recording) -> None:
    content = HEADER.encode() + b"A1,gastroscope,\x81,,\n"
    assert wrong(site, content) == ["line 2: Its letters cannot be read. Save the file again as CSV UTF-8."]


def test_a_person_who_may_not_do_it_is_told_so_once(site: Recording) -> None:
    with pytest.raises(RefusedError) as caught:
        run(site, HEADER + "A1,gastroscope,,,\nA2,gastroscope,,,\n", who=TECHNICIAN)
    assert caught.value.rule == "role"
    assert site.all(Device) == []


def test_cells_that_would_be_formulas_are_guarded_and_come_back(site: Recording) -> None:
    serials = ["=1+1", "+H12", "-5", "@x", "'=a", "''", "'a", "plain"]
    for number, serial in enumerate(serials):
        site.do(RecordDevice(id=f"A{number}", type="blade", serial=serial), SUPERVISOR)
    content = exported(site.all(Device))
    cells = [line.split(",")[2] for line in content.decode("utf-8-sig").splitlines()[1:]]
    assert cells == ["'=1+1", "'+H12", "'-5", "'@x", "''=a", "''", "'a", "plain"]
    assert run(site, content) == ([], len(serials))


@given(st.lists(st.text(st.characters(exclude_categories=("C", "Z"), max_codepoint=0x2FFF), max_size=20), max_size=5))
def test_every_text_comes_back(serials: list[str]) -> None:
    devices = [Device(id=f"A{number}", type="t", serial=serial) for number, serial in enumerate(serials)]
    for delimiter in ",;":
        content = exported(devices, delimiter)
        try:
            rows = read(content).rows
        except CsvError as error:
            assert "E+" in str(error).upper()  # noqa: PT017 - the one text that is refused: 1E+2
            continue
        assert [row.cells["serial"] for row in rows] == serials
        for cells in csv.reader(io.StringIO(content.decode("utf-8-sig"), newline=""), delimiter=delimiter):
            assert not any(cell.startswith(tuple("=+-@")) for cell in cells)


def command(*arguments: str, typed: str = "") -> Result:
    return CliRunner().invoke(main, ["devices", *arguments], input=typed)


def real_person(site: Recording, *, temporary: bool = False) -> None:
    credentials.set_secret(site.desk.connection, ADMINISTRATOR, Kind.PIN, PIN, temporary=temporary)


def test_the_command_looks_first_and_writes_with_a_pin(site: Recording, tmp_path: Path) -> None:
    real_person(site)
    file = tmp_path / "devices.csv"
    file.write_text(HEADER + "A1,gastroscope,Ä,,\n", encoding="cp1252")
    arguments = ("import", str(file), "--data", str(site.data), "--as", ADMINISTRATOR)
    looked = command(*arguments)
    assert (looked.exit_code, looked.stdout) == (0, "A1: new, gastroscope\n")
    assert looked.stderr == (
        "The file is not Unicode and was read as Windows-1252: look at letters with accents.\n"
        "1 device new or changed, 0 as before. Nothing has been recorded: add --write to do it.\n"
    )
    refused = command(*arguments, "--write", typed="111111\n")
    assert (refused.exit_code, refused.stdout) == (5, "")
    assert refused.stderr.endswith(
        "soakledger devices import: That does not prove that you are 'ada'. Type your own PIN or password; one that "
        "was set for you must be changed on the pages first.\n"
    )
    assert site.all(Device) == []
    done = command(*arguments, "--write", typed=f"{PIN}\n")
    assert (done.exit_code, done.stdout) == (0, "A1: new, gastroscope\n")
    assert site.get(Device, "A1").serial == "Ä"
    out = tmp_path / "out.csv"
    assert command("export", "--data", str(site.data), "--out", str(out), "--semicolons").exit_code == 0
    assert out.read_bytes() == "asset_number;type;serial;udi;retired\r\nA1;gastroscope;Ä;;no\r\n".encode("utf-8-sig")
    assert command("export", "--data", str(site.data)).stdout_bytes == out.read_bytes().replace(b";", b",")


def test_a_pin_that_somebody_else_chose_proves_nothing(site: Recording, tmp_path: Path) -> None:
    real_person(site, temporary=True)
    file = tmp_path / "devices.csv"
    file.write_text(HEADER + "A1,gastroscope,,,\n")
    done = command("import", str(file), "--data", str(site.data), "--as", ADMINISTRATOR, "--write", typed=f"{PIN}\n")
    assert (done.exit_code, site.all(Device)) == (5, [])


def test_the_command_names_what_it_cannot_use(site: Recording, tmp_path: Path) -> None:
    file = tmp_path / "devices.csv"
    file.write_text("asset_number\n")
    done = command("import", str(file), "--data", str(site.data), "--as", ADMINISTRATOR)
    assert (done.exit_code, done.stderr) == (
        2,
        "soakledger devices import: nothing was recorded.\nline 1, column type: It is missing. Add it.\n",
    )
    done = command("export", "--data", str(tmp_path / "nowhere"))
    assert done.exit_code == 3
    done = command("export", "--data", str(site.data), "--out", f"{tmp_path}{os.sep}no{os.sep}x.csv")
    assert (done.exit_code, done.stderr) == (
        2,
        f"soakledger devices export: {tmp_path}/no/x.csv: No such file or directory. Name a file that can be read and "
        "written.\n",
    )
