"""`soakledger assess`: what it prints and how it ends, and published requirements as runs of the real command."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

import soakledger

Assess = Callable[..., Result]
OPTIONS = {"--min-temp": "20", "--contact": "12m", "--uncertainty": "0"}


@pytest.fixture
def assess(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Assess:
    """Run the real command on a file of these lines; options replace the usual ones, None leaves one out."""
    monkeypatch.chdir(tmp_path)

    def run(lines: str | Sequence[str], *flags: str, **options: str | None) -> Result:
        text = lines if isinstance(lines, str) else "".join(f"{line}\n" for line in lines)
        Path("soak.csv").write_text(text, encoding="utf-8", newline="")
        given = OPTIONS | {f"--{name.replace('_', '-')}": value for name, value in options.items()}
        words = [word for name, value in given.items() if value is not None for word in (name, value)]
        return CliRunner().invoke(soakledger.main, ["assess", "soak.csv", *words, *flags])

    return run


@pytest.fixture
def judged(assess: Assess) -> Callable[..., tuple[int, dict[str, Any]]]:
    """Exit status and JSON of a run."""

    def run(lines: str | Sequence[str], **options: str | None) -> tuple[int, dict[str, Any]]:
        result = assess(lines, "--json", **options)
        assert result.stderr == ""
        return result.exit_code, json.loads(result.stdout)

    return run


Judged = Callable[..., tuple[int, dict[str, Any]]]


def soak(last_ms: int, coldest: str = "21.000", others: str = "21.000", first_ms: int = 1000) -> list[str]:
    """A file with one closure: a reading a second from `first_ms` until `last_ms` later, the second one `coldest`."""
    times = [*range(0, last_ms, 1000), last_ms]
    rows = [f"{(first_ms + ms) / 1000:.3f},closed,{coldest if n == 1 else others}" for n, ms in enumerate(times)]
    opened = f"{(first_ms + last_ms + 400) / 1000:.3f},open,{others}"
    return ["time_s,lid,temp_c", f"{(first_ms - 1000) / 1000:.3f},open,{others}", *rows, opened]


def test_json_has_exactly_the_published_shape(assess: Assess) -> None:
    """Keys, their order and plain numbers, to the millidegree and millisecond; times in the file's own column."""
    lines = ["time_s,lid,temp_c", "0,open,21.5", "1.001,closed,21.3004", "2.5,closed,21.5", "3,open,21"]
    result = assess(lines, "--json", contact="1.499s", uncertainty="0.58", correction="-0.1", max_temp="25")
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout == (
        '{"requirement": {"min_temp_c": 20.0, "max_temp_c": 25.0, "contact_s": 1.499, "max_gap_s": 5.0, '
        '"uncertainty_c": 0.58, "correction_c": -0.1},\n'
        ' "closures": [\n'
        '  {"closed_at": 1.001, "closing_seen": true, "opened_at": 3.0, "opening_seen": true, "closed_s": 1.499, '
        '"credited_s": 1.499, "verdict": "met", "findings": [], "coldest_c": 21.2, "allowance_c": 0.62}\n'
        "]}\n"
    )


def test_json_without_any_value_or_edge(judged: Judged) -> None:
    """No maximum, no temperature, no edge seen: null, and the findings say why with code and text."""
    status, printed = judged("time_s,lid,temp_c\n7,closed,\n8,closed,\n20,closed,\n21,open,\n")
    assert status == 1
    assert printed["requirement"]["max_temp_c"] is None
    first = printed["closures"][0]
    assert [first[key] for key in ("closed_at", "opened_at", "coldest_c", "allowance_c")] == [7.0, None, None, None]
    assert (first["closing_seen"], first["opening_seen"], first["verdict"]) == (False, False, "unproven")
    assert {finding["code"] for finding in first["findings"]} == {
        "closing-not-seen",
        "readings-missing",
        "sensor-fault",
    }
    assert all(set(finding) == {"code", "text"} and finding["text"] for finding in first["findings"])


def test_rfc_3339_times_come_back_as_written(judged: Judged) -> None:
    """`time` is compared as a moment, whatever its offset, and printed as the file has it."""
    moments = ["09:14:00Z", "09:14:01.5Z", "11:14:02.250+02:00", "04:14:03.000000-05:00"]
    rows = [f"2026-03-02T{at},{lid},21" for at, lid in zip(moments, ["open", "closed", "closed", "open"], strict=True)]
    status, printed = judged(["time,lid,temp_c", *rows], contact="0.75s")
    assert status == 0
    assert printed["closures"][0]["closed_at"] == "2026-03-02T09:14:01.5Z"
    assert printed["closures"][0]["opened_at"] == "2026-03-02T04:14:03.000000-05:00"
    assert printed["closures"][0]["credited_s"] == 0.75


def test_a_closing_many_lines_ago_keeps_its_own_text(judged: Judged) -> None:
    """The text of the closing is still there when the opening comes in a later block of the file."""
    rows = [f"2026-03-02T{n // 3600:02}:{n // 60 % 60:02}:{n % 60:02}Z,closed,21" for n in range(1, 20_000)]
    lines = ["time,lid,temp_c", "2026-03-02T00:00:00Z,open,21", *rows, "2026-03-02T20:00:00Z,open,21"]
    status, printed = judged([*lines[:-1], "2026-03-02T05:33:20Z,open,21", "2026-03-02T05:33:21Z,closed,21"])
    assert [closure["closed_at"] for closure in printed["closures"]] == ["2026-03-02T00:00:01Z", "2026-03-02T05:33:21Z"]
    assert [closure["verdict"] for closure in printed["closures"]] == ["met", "running"]
    assert status == 1


@pytest.mark.parametrize(("contact", "verdict", "status"), [("2s", "met", 0), ("3s", "running", 1)])
def test_the_closure_that_holds_the_last_row_is_running(
    judged: Judged, contact: str, verdict: str, status: int
) -> None:
    """In a file nothing has ended it yet: met as soon as it is, else running, never not met."""
    got, printed = judged(["time_s,lid,temp_c", "0,open,21", "1,closed,21", "3,closed,21"], contact=contact)
    closure = printed["closures"][0]
    assert (got, closure["verdict"]) == (status, verdict)
    assert (closure["opened_at"], closure["opening_seen"]) == (None, False)


def test_no_closure_at_all_is_not_success(assess: Assess) -> None:
    """Exit status 1; the JSON is complete and empty; a person is told."""
    lines = ["time_s,lid,temp_c", "0,open,21", "1,open,21"]
    result = assess(lines, "--json")
    assert (result.exit_code, json.loads(result.stdout)["closures"]) == (1, [])
    result = assess(lines)
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.splitlines()[0] == "No closure: the lid was never closed in this file."


def test_one_closure_not_met_fails_the_file(judged: Judged) -> None:
    """Exit status 0 only if all are met."""
    met = soak(720_000)
    status, printed = judged([*met, *soak(719_000, first_ms=800_000)[1:]])
    assert ([closure["verdict"] for closure in printed["closures"]], status) == (["met", "not met"], 1)


def test_every_temperature_column_counts(judged: Judged) -> None:
    """The coldest sensor decides, and one without a value leaves the reading unknown; other columns are ignored."""
    header = "note,temp_c_deep,lid,time_s,temp_c_top"
    rows = ["a,25,open,0,25", "b,25,closed,1,20", "c,25,closed,2,19.999", "d,25,closed,3,20", "e,25,open,4,20"]
    status, printed = judged([header, *rows], contact="2s")
    assert (status, printed["closures"][0]["verdict"], printed["closures"][0]["coldest_c"]) == (1, "not met", 19.999)
    status, printed = judged([header, *rows[:2], "c,25,closed,2,", *rows[3:]], contact="2s")
    assert (status, printed["closures"][0]["verdict"], printed["closures"][0]["coldest_c"]) == (0, "met", 20.0)


def test_missing_numbers_are_lost_readings(judged: Judged) -> None:
    """The same rows: a hole in the numbers ends the closure, without a number column nobody can know."""
    rows = ["0,open,21", "1,closed,21", "2,closed,21", "4,closed,21", "5,open,21"]
    status, printed = judged(["time_s,lid,temp_c", *rows], contact="3s")
    assert (status, len(printed["closures"])) == (0, 1)
    numbered = [f"{number},{row}" for number, row in zip([7, 8, 9, 11, 12], rows, strict=True)]
    status, printed = judged(["number,time_s,lid,temp_c", *numbered], contact="3s")
    assert status == 1
    assert [closure["verdict"] for closure in printed["closures"]] == ["unproven", "unproven"]
    assert [closure["closing_seen"] for closure in printed["closures"]] == [True, False]


@pytest.mark.parametrize(("temp_c", "status"), [("20.0000", 0), ("20.00001", 0), ("19.99999", 1)])
def test_finer_temperatures_round_down_against_the_minimum(judged: Judged, temp_c: str, status: int) -> None:
    """What is finer than a millidegree goes the safe way."""
    got, printed = judged(soak(720_000, others=temp_c, coldest=temp_c))
    assert got == status
    assert printed["closures"][0]["coldest_c"] == (20.0 if status == 0 else 19.999)


@pytest.mark.parametrize(("temp_c", "status"), [("25.0000", 0), ("24.99999", 0), ("25.00001", 1)])
def test_finer_temperatures_round_up_against_the_maximum(judged: Judged, temp_c: str, status: int) -> None:
    """And the other way where too warm is the danger."""
    got, printed = judged(soak(720_000, others=temp_c, coldest=temp_c), max_temp="25")
    assert got == status
    if status:
        assert "above-maximum" in {finding["code"] for finding in printed["closures"][0]["findings"]}


@pytest.mark.parametrize(("gap_s", "status"), [("5.000", 0), ("5.001", 1)])
def test_a_pause_of_exactly_the_longest_gap_is_watched(judged: Judged, gap_s: str, status: int) -> None:
    """Equality counts; one millisecond more does not, unless --max-gap says so."""
    lines = ["time_s,lid,temp_c", "0,open,21", "1,closed,21", f"{1 + float(gap_s):.3f},closed,21", "7,open,21"]
    assert judged(lines, contact="5s")[0] == status
    assert judged(lines, contact="5s", max_gap="5.001s")[0] == 0


def test_table_for_people(assess: Assess) -> None:
    """Data on standard output, talk on standard error, and what a reader must know about it."""
    result = assess([*soak(720_000), *soak(100_500, first_ms=800_000, coldest="19.937")[1:]])
    assert result.exit_code == 1
    assert result.stdout == (
        "closing             closed for     proven         coldest    verdict\n"
        "1.000 s             12 min         12 min         21 °C      met\n"
        "800.000 s           1 min 40 s     1 min 38 s     19.93 °C   not met\n"
        "    Opened with 1 min 38 s of 12 min proven without a break.\n"
        "    Closed for 1 min 40 s; the contact time is 12 min.\n"
        "    Down to 19.93 °C; the minimum is 20 °C. Out of range for 2 s.\n"
    )
    assert result.stderr == (
        "2 closures: 1 met, 1 not met.\n"
        "The file has no number column: a line cut out of it cannot be noticed.\n"
        "A monitoring aid: the product's label and the device maker's instructions decide.\n"
    )


def test_a_numbered_file_needs_no_warning(assess: Assess) -> None:
    """The warning stands only where it is true."""
    result = assess(["number,time_s,lid,temp_c", "1,0,open,21", "2,1,closed,", "3,2,open,21"])
    assert "unknown" in result.stdout
    assert result.stderr == (
        "1 closure: 1 not met.\nA monitoring aid: the product's label and the device maker's instructions decide.\n"
    )


def test_standard_input(assess: Assess, tmp_path: Path) -> None:
    """`-` reads standard input, with the same result."""
    from_file = assess(soak(720_000), "--json")
    words = [word for pair in OPTIONS.items() for word in pair]
    text = (tmp_path / "soak.csv").read_text()
    piped = CliRunner().invoke(soakledger.main, ["assess", "-", *words, "--json"], input=text)
    assert (piped.exit_code, piped.stdout) == (0, from_file.stdout)


# CDC/HICPAC, Guideline for Disinfection and Sterilization in Healthcare Facilities (2008), Table 4, high-level
# disinfection by hand: https://www.cdc.gov/infectioncontrol/guidelines/disinfection/tables/table4.html
CDC_TABLE_4 = [
    pytest.param(12, 20, id="ortho-phthalaldehyde 0.55 %"),
    pytest.param(15, 20, id="hydrogen peroxide 7.35 % with peracetic acid 0.23 %"),
    pytest.param(20, 20, id="glutaraldehyde 2.0 % or more, shortest"),
    pytest.param(30, 20, id="hydrogen peroxide 7.5 %"),
]


@pytest.mark.parametrize(("minutes", "min_c"), CDC_TABLE_4)
@pytest.mark.parametrize(("short_ms", "short_mc", "verdict"), [(0, 0, "met"), (1, 0, "not met"), (0, 1, "not met")])
def test_cdc_table_4(judged: Judged, minutes: int, min_c: int, short_ms: int, short_mc: int, verdict: str) -> None:
    """Met at exactly the printed time and temperature with U = 0; not at a millisecond or a millidegree less."""
    cold = f"{(min_c * 1000 - short_mc) / 1000:.3f}"
    lines = soak(minutes * 60_000 - short_ms, coldest=cold, others=f"{min_c}.000")
    status, printed = judged(lines, min_temp=str(min_c), contact=f"{minutes}m")
    assert printed["closures"][0]["verdict"] == verdict
    assert status == (0 if verdict == "met" else 1)


@pytest.mark.parametrize(
    ("uncertainty", "limit_mc"),
    [
        # DS18B20 datasheet, ±0.5 °C read as rectangular limits: U = 0.5785 °C (k = 2), so 20.58 °C for a minimum of
        # 20 °C; read as three standard deviations, as its note says: U = 0.3353 °C, so 20.34 °C.
        ("0.58", 20_580),
        ("0.34", 20_340),
        ("0", 20_000),
    ],
)
def test_guarded_acceptance_at_a_lower_limit(judged: Judged, uncertainty: str, limit_mc: int) -> None:
    """ILAC-G8:09/2019, 4.1 and 4.2.2, after JCGM 106:2012: acceptance limit = tolerance limit + U; equality is in."""
    at_limit = f"{limit_mc / 1000:.3f}"
    status, printed = judged(soak(720_000, coldest=at_limit), uncertainty=uncertainty)
    assert (status, printed["closures"][0]["findings"]) == (0, [])
    below = f"{(limit_mc - 1) / 1000:.3f}"
    status, printed = judged(soak(720_000, coldest=below), uncertainty=uncertainty)
    codes = [finding["code"] for finding in printed["closures"][0]["findings"]]
    assert status == 1
    assert ("guard-band" in codes) == (uncertainty != "0")
    assert ("below-minimum" in codes) == (uncertainty == "0")


@pytest.mark.parametrize(("highest", "status"), [("24.420", 0), ("24.421", 1)])
def test_guarded_acceptance_at_an_upper_limit(judged: Judged, highest: str, status: int) -> None:
    """ILAC-G8:09/2019, 4.1: for an upper limit the acceptance limit is the tolerance limit less U: 25 − 0.58 °C."""
    assert judged(soak(720_000, coldest=highest), uncertainty="0.58", max_temp="25")[0] == status


def test_the_correction_is_added_before_judging(judged: Judged) -> None:
    """Indicated + correction − U against the minimum."""
    assert judged(soak(720_000, others="20.48", coldest="20.48"), uncertainty="0.58", correction="0.1")[0] == 0
    status, printed = judged(soak(720_000, others="20.68", coldest="20.68"), uncertainty="0.58", correction="-0.101")
    assert (status, printed["closures"][0]["coldest_c"]) == (1, 20.579)
