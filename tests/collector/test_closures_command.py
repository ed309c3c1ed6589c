"""`soakledger closures`: a line for people, JSON for programs, one line when there is nothing to read."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from kit import Collecting, batch, soak, stream_id

from collector.schema import FILE_NAME
from soakledger import main


@pytest.fixture
def two_soaks(collecting: Collecting) -> Collecting:
    """One met, and one whose lid was opened after nine minutes and ten seconds, too cold at that."""
    collecting.take(batch(soak(720_000)))
    collecting.take(batch(soak(550_000, start_ms=900_000, mc=20_437), stream=stream_id(2)))
    return collecting


def _run(*options: str) -> Result:
    return CliRunner().invoke(main, ["closures", *options])


def test_the_table(two_soaks: Collecting) -> None:
    result = _run("--data", str(two_soaks.data_dir))
    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        "2026-03-02T08:15:00Z  Basin 1              not met   closed 9 min 10 s, coldest 20.43 °C. "
        + " ".join(finding.text for finding in two_soaks.closures()[1].closure.findings),
        "2026-03-02T08:00:01Z  Basin 1              met       closed 12 min, coldest 21 °C.",
    ]
    assert "Opened with 0 s of 12 min proven without a break." in result.stdout
    assert result.stderr == "2 closures. The product's label and the device maker's instructions decide.\n"


def test_json_has_everything(two_soaks: Collecting) -> None:
    result = _run("--data", str(two_soaks.data_dir), "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    bad, good = map(json.loads, result.stdout.splitlines())
    assert (good["closure"]["verdict"], good["closure"]["credited_ms"]) == ("met", 720_000)
    assert (good["closure"]["allowance_mc"], good["superseded_by"], good["clock_synced"]) == (500, None, True)
    assert bad["closure"]["verdict"] == "not met"
    assert [each["code"] for each in bad["closure"]["findings"]] == [
        finding.code for finding in two_soaks.closures()[1].closure.findings
    ]


def test_only_some(two_soaks: Collecting) -> None:
    data = str(two_soaks.data_dir)
    assert len(_run("--data", data, "--limit", "1").stdout.splitlines()) == 1
    met = _run("--data", data, "--verdict", "met")
    assert [line[43:46] for line in met.stdout.splitlines()] == ["met"]
    assert met.stderr.startswith("1 closure. ")
    assert _run("--data", data, "--verdict", "unproven").stdout == ""


def test_no_data_is_one_line(tmp_path: Path) -> None:
    result = _run("--data", str(tmp_path / "nowhere"))
    assert (result.exit_code, result.stdout) == (3, "")
    assert result.stderr == (
        f"soakledger closures: There are no data in {tmp_path / 'nowhere'} (no {FILE_NAME}). "
        "Name the collector's data folder with --data, or start the collector first.\n"
    )


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (
            b"",
            "the data in {folder} cannot be read (no such table: judged). Name the collector's data folder with "
            "--data; if it is that one, look at the collector's messages.",
        ),
        (
            b"no database" * 500,
            "{folder}/" + FILE_NAME + " cannot be used (file is not a database). Nothing was changed or moved away. "
            "Check the folder's owner and free space; if the file is damaged, restore the last backup beside it.",
        ),
    ],
)
def test_what_cannot_be_read_is_one_line(tmp_path: Path, content: bytes, says: str) -> None:
    (tmp_path / FILE_NAME).write_bytes(content)
    result = _run("--data", str(tmp_path))
    assert (result.exit_code, result.stdout) == (3, "")
    assert result.stderr == f"soakledger closures: {says.format(folder=tmp_path)}\n"


def test_help_explains_every_option() -> None:
    result = _run("--help")
    for option in ("--data", "--verdict", "--limit", "--json"):
        assert option in result.output
