"""`soakledger assess` on files that cannot be judged: exit status 2 and one line: where, what, what to do."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import soakledger

OPTIONS = ["--min-temp", "20", "--contact", "2s", "--uncertainty", "0"]
HEADER = "time_s,lid,temp_c\n"
NOTED = "time_s,lid,temp_c,note\n"
ORDER = "Put the readings in the order they were taken, each later than the one before."
PLAIN_SECONDS = "Write seconds as a plain decimal number, such as 12.5."
RFC_3339 = "Write date, time and offset (RFC 3339), such as 2026-03-02T09:14:07.250Z."
PLAIN_CELSIUS = "Write a plain decimal number, such as 20.5, or nothing."
BEGIN = "Begin the file with a header line such as time_s,lid,temp_c."
QUOTES = "Put a field in a pair of them, or use none."
SAVE = "Save the file as CSV text in UTF-8."


@pytest.fixture(autouse=True)
def _in_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def assess(content: str | bytes, *options: str, name: str = "soak.csv") -> Result:
    """Run the real command on a file with this content."""
    Path(name).write_bytes(content.encode() if isinstance(content, str) else content)
    return CliRunner().invoke(soakledger.main, ["assess", name, *(options or OPTIONS)])


# Name: content, line, what is wrong and what would be right.
UNUSABLE: dict[str, tuple[str | bytes, int, str]] = {
    "empty": ("", 1, f"the file is empty. {BEGIN}"),
    "only a byte-order mark": ("\ufeff", 1, f"the file is empty. {BEGIN}"),
    "header only": (HEADER, 2, "no reading follows the header. Write one line for each reading."),
    "header and empty lines": (HEADER + "\n\r\n", 2, "no reading follows the header. Write one line for each reading."),
    "no header": (
        "0,open,21\n1,open,21\n",
        1,
        f"no column time_s (seconds) or time (RFC 3339); there is '0', 'open', '21'. {BEGIN}",
    ),
    "no time": (
        "lid,temp_c\nopen,21\n",
        1,
        f"no column time_s (seconds) or time (RFC 3339); there is 'lid', 'temp_c'. {BEGIN}",
    ),
    "both times": (
        "time_s,time,lid,temp_c\n",
        1,
        "there are both time_s and time. Keep the one that was measured without a break.",
    ),
    "no lid": ("time_s,temp_c\n0,21\n", 1, f"no column lid (open or closed); there is 'time_s', 'temp_c'. {BEGIN}"),
    "lid written otherwise": (
        "time_s, Lid,temp_c\n0,open,21\n",
        1,
        f"no column lid (open or closed); there is 'time_s', ' Lid', 'temp_c'. {BEGIN}",
    ),
    "no temperature": (
        "time_s,lid,temp\n0,open,21\n",
        1,
        f"no column whose name starts with temp_c (degrees Celsius); there is 'time_s', 'lid', 'temp'. {BEGIN}",
    ),
    "empty header": ("\n0,open,21\n", 1, f"no column time_s (seconds) or time (RFC 3339); there is nothing. {BEGIN}"),
    "lid twice": ("time_s,lid,temp_c,lid\n", 1, "column lid is there 2 times. Keep one of them."),
    "a temperature twice": (
        "time_s,lid,temp_c1,temp_c2,temp_c1\n",
        1,
        "column temp_c1 is there 2 times. Keep one of them.",
    ),
    "semicolons": (
        "time_s;lid;temp_c\n0;open;21,5\n",
        1,
        "its columns are separated by semicolons. Write commas between columns and points in numbers.",
    ),
    "tabs": (
        "time_s\tlid\ttemp_c\n",
        1,
        "its columns are separated by tabs. Write commas between columns and points in numbers.",
    ),
    "decimal comma": (
        HEADER + "0,open,21,5\n",
        2,
        "4 fields, but 3 columns in the header. A decimal comma makes two fields of a number: write a point.",
    ),
    "quoted decimal comma": (
        HEADER + '0,open,"21,5"\n',
        2,
        "temp_c '21,5' is no temperature. Write a point for the decimal comma.",
    ),
    "short line": (
        HEADER + "0,open,21\n1,open\n",
        3,
        "2 fields, but 3 columns in the header. Write one field for each column.",
    ),
    "long line": (
        HEADER + "0,open,21\n1,open,21,\n",
        3,
        "4 fields, but 3 columns in the header. A decimal comma makes two fields of a number: write a point.",
    ),
    "fields moved from line to line": (
        HEADER + "0,open\n21,1,open,21\n",
        2,
        "2 fields, but 3 columns in the header. Write one field for each column.",
    ),
    "empty line between": (
        HEADER + "0,open,21\n\n1,open,21\n",
        3,
        "it is empty, and readings follow. Put back what was there, or delete the empty line.",
    ),
    "lid word": (HEADER + "0,open,21\n1,ajar,21\n", 3, "lid is 'ajar'. Write open or closed."),
    "lid in capitals": (HEADER + "0,Open,21\n", 2, "lid is 'Open'. Write open or closed."),
    "lid blank": (HEADER + "0,,21\n", 2, "lid is ''. Write open or closed."),
    "lid long": (HEADER + f"0,{'x' * 99},21\n", 2, f"lid is '{'x' * 39}…'. Write open or closed."),
    "time stands still": (HEADER + "1,open,21\n1.000,open,21\n", 3, f"time_s stands still at 1.000. {ORDER}"),
    "time goes back": (HEADER + "1,open,21\n0.999,open,21\n", 3, f"time_s goes back from 1 to 0.999. {ORDER}"),
    "time text": (HEADER + "noon,open,21\n", 2, f"time_s is 'noon'. {PLAIN_SECONDS}"),
    "time blank": (HEADER + ",open,21\n", 2, f"time_s is ''. {PLAIN_SECONDS}"),
    "time exponent": (HEADER + "1e3,open,21\n", 2, f"time_s is '1e3'. {PLAIN_SECONDS}"),
    "time NaN": (HEADER + "0,open,21\nnan,open,21\n", 3, f"time_s is 'nan'. {PLAIN_SECONDS}"),
    "time underscore": (HEADER + "1_0,open,21\n", 2, f"time_s is '1_0'. {PLAIN_SECONDS}"),
    "time with space": (HEADER + " 1,open,21\n", 2, f"time_s is ' 1'. {PLAIN_SECONDS}"),
    "time in other digits": (HEADER + "١,open,21\n", 2, f"time_s is '١'. {PLAIN_SECONDS}"),
    "time beyond reason": (HEADER + "1234567890123,open,21\n", 2, f"time_s is '1234567890123'. {PLAIN_SECONDS}"),
    "time finer than a millisecond": (
        HEADER + "0.0005,open,21\n",
        2,
        "time_s is '0.0005', finer than a millisecond. Write at most three decimals.",
    ),
    "moment without offset": (
        "time,lid,temp_c\n2026-03-02T09:14:07,open,21\n",
        2,
        f"time is '2026-03-02T09:14:07'. {RFC_3339}",
    ),
    "moment that never was": (
        "time,lid,temp_c\n2026-02-30T09:14:07Z,open,21\n",
        2,
        f"time is '2026-02-30T09:14:07Z'. {RFC_3339}",
    ),
    "moment in basic form": (
        "time,lid,temp_c\n20260302T091407Z,open,21\n",
        2,
        f"time is '20260302T091407Z'. {RFC_3339}",
    ),
    "moment finer than a millisecond": (
        "time,lid,temp_c\n2026-03-02T09:14:07.2505Z,open,21\n",
        2,
        "time is '2026-03-02T09:14:07.2505Z', finer than a millisecond. Write at most three decimals.",
    ),
    "moment stands still": (
        "time,lid,temp_c\n2026-03-02T09:14:07Z,open,21\n2026-03-02T10:14:07+01:00,open,21\n",
        3,
        f"time stands still at 2026-03-02T10:14:07+01:00. {ORDER}",
    ),
    "moment goes back": (
        "time,lid,temp_c\n2026-03-02T09:14:07Z,open,21\n2026-03-02T09:14:08+01:00,open,21\n",
        3,
        f"time goes back from 2026-03-02T09:14:07Z to 2026-03-02T09:14:08+01:00. {ORDER}",
    ),
    "number stands still": (
        "number,time_s,lid,temp_c\n1,0,open,21\n1,1,open,21\n",
        3,
        f"number stands still at 1. {ORDER}",
    ),
    "number goes back": (
        "number,time_s,lid,temp_c\n7,0,open,21\n6,1,open,21\n",
        3,
        f"number goes back from 7 to 6. {ORDER}",
    ),
    "number zero": ("number,time_s,lid,temp_c\n0,0,open,21\n", 2, "number is '0'. Write whole numbers from 1 on."),
    "number blank": (
        "number,time_s,lid,temp_c\n1,0,open,21\n,1,open,21\n",
        3,
        "number is ''. Write whole numbers from 1 on.",
    ),
    "number with a point": (
        "number,time_s,lid,temp_c\n1.0,0,open,21\n",
        2,
        "number is '1.0'. Write whole numbers from 1 on.",
    ),
    "temperature text": (HEADER + "0,open,warm\n", 2, f"temp_c 'warm' is no temperature. {PLAIN_CELSIUS}"),
    "temperature NaN": (HEADER + "0,open,21\n1,open,NaN\n", 3, f"temp_c 'NaN' is no temperature. {PLAIN_CELSIUS}"),
    "temperature infinite": (HEADER + "0,open,-inf\n", 2, f"temp_c '-inf' is no temperature. {PLAIN_CELSIUS}"),
    "temperature exponent": (HEADER + "0,open,2.1e1\n", 2, f"temp_c '2.1e1' is no temperature. {PLAIN_CELSIUS}"),
    "temperature with unit": (HEADER + "0,open,21 °C\n", 2, f"temp_c '21 °C' is no temperature. {PLAIN_CELSIUS}"),
    "fine temperature text": (HEADER + "0,open,2.1.3456\n", 2, f"temp_c '2.1.3456' is no temperature. {PLAIN_CELSIUS}"),
    "fine temperature with a letter": (
        HEADER + "0,open,21.1234e5\n",
        2,
        f"temp_c '21.1234e5' is no temperature. {PLAIN_CELSIUS}",
    ),
    "finely too hot": (
        HEADER + "0,open,125.0001\n",
        2,
        "temp_c '125.0001' is outside what the sensor can measure, -55 to 125 °C. Leave a failed reading blank.",
    ),
    "second sensor": (
        "time_s,lid,temp_c,temp_c_top\n0,open,21,x\n",
        2,
        f"temp_c_top 'x' is no temperature. {PLAIN_CELSIUS}",
    ),
    # DS18B20 datasheet: measures −55 °C to +125 °C; 127.937 °C is what too little power can look like.
    "too hot to be measured": (
        HEADER + "0,open,125\n1,open,127.937\n",
        3,
        "temp_c '127.937' is outside what the sensor can measure, -55 to 125 °C. Leave a failed reading blank.",
    ),
    "too cold to be measured": (
        HEADER + "0,open,-55\n1,open,-55.0001\n",
        3,
        "temp_c '-55.0001' is outside what the sensor can measure, -55 to 125 °C. Leave a failed reading blank.",
    ),
    "quotation mark never closed": (
        HEADER + '0,open,21\n1,open,"21\n2,open,21\n',
        3,
        f"its quotation marks do not match (unexpected end of data). {QUOTES}",
    ),
    "quoted field over two lines": (
        NOTED + '0,open,21,"a\nb"\n1,open,21,c\n',
        2,
        f"its quotation marks do not match (unexpected end of data). {QUOTES}",
    ),
    "quoted lines that pair up": (
        NOTED + '0,open,21"x,"a\n1,closed,21,b"\n2,open,21,c\n',
        2,
        f"its quotation marks do not match (unexpected end of data). {QUOTES}",
    ),
    "quoted garbage": (
        HEADER + '0,open,"21"x\n',
        2,
        "its quotation marks do not match (',' expected after '\"'). " + QUOTES,
    ),
    "quoted header": (
        '"time_s"x,lid,temp_c\n',
        1,
        "its quotation marks do not match (',' expected after '\"'). " + QUOTES,
    ),
    "carriage returns alone": (
        HEADER.replace("\n", "\r") + "0,open,21\r1,open,21\r",
        1,
        "a carriage return stands inside it. End lines with a line feed, or with both.",
    ),
    "NUL": (HEADER + "0,open,21\n1,open,2\x001\n", 3, f"a NUL byte stands in it: this is no text. {SAVE}"),
    "NUL in a column that is ignored": (
        NOTED + "0,open,21,\x00\n",
        2,
        f"a NUL byte stands in it: this is no text. {SAVE}",
    ),
    "binary": (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", 1, f"byte 0x89 is not UTF-8. {SAVE}"),
    "not UTF-8, then NUL": (HEADER.encode() + b"0,\xff,21\n\0\n", 2, f"byte 0xFF is not UTF-8. {SAVE}"),
    "Latin-1": (NOTED.encode() + b"0,open,21,ok\n1,open,21,\xe9t\xe9\n", 3, f"byte 0xE9 is not UTF-8. {SAVE}"),
    "UTF-16": (HEADER.encode("utf-16"), 1, f"the text is UTF-16, not UTF-8. {SAVE}"),
    "endless line": (
        HEADER + "0,open,21\n" + "9" * 70_000,
        3,
        f"it is longer than 65536 bytes: this is no list of readings. {SAVE}",
    ),
    "control characters": (HEADER + "0,\x1b[31mopen\x07,21\n", 2, "lid is '\\x1b[31mopen\\x07'. Write open or closed."),
}


@pytest.mark.parametrize("case", UNUSABLE)
@pytest.mark.parametrize("flags", [(), ("--json",)], ids=["table", "json"])
def test_unusable_files(case: str, flags: tuple[str, ...]) -> None:
    """One line: the file, its line, what is wrong, what would be right. Nothing on standard output."""
    content, line, message = UNUSABLE[case]
    result = assess(content, *OPTIONS, *flags)
    assert result.stderr == f"Error: soak.csv, line {line}: {message}\n"
    assert (result.exit_code, result.stdout) == (2, "")


BODY = "0,open,21\n1,closed,21\n3,closed,21\n4,open,21\n"
USABLE = {
    "plain": HEADER + BODY,
    "byte-order mark": "\ufeff" + HEADER + BODY,
    "CRLF": (HEADER + BODY).replace("\n", "\r\n"),
    "byte-order mark and CRLF": "\ufeff" + (HEADER + BODY).replace("\n", "\r\n"),
    "no line end at the end": HEADER + BODY.rstrip("\n"),
    "empty lines at the end": HEADER + BODY + "\n\r\n \n",
    "every field quoted": "".join(
        ",".join(f'"{field}"' for field in line.split(",")) + "\n" for line in (HEADER + BODY).splitlines()
    ),
    "times of mixed precision": HEADER + "0.0,open,21\n1.000000,closed,21\n+3,closed,21\n4.00,open,21\n",
    "column ignored": (HEADER + BODY).replace("\n", ',"a, ""b"" ü"\n'),
    "other order": "temp_c,,lid,time_s\n21,,open,0\n21,,closed,1\n21,,closed,3\n21,,open,4\n",
}


@pytest.mark.parametrize("case", USABLE)
def test_usable_files(case: str) -> None:
    """What can be read in one way only is read, and read alike."""
    result = assess(USABLE[case], *OPTIONS, "--json")
    assert (result.exit_code, result.stderr) == (0, "")
    closures = json.loads(result.stdout)["closures"]
    assert [[each["closed_at"], each["opened_at"], each["credited_s"]] for each in closures] == [[1.0, 4.0, 2.0]]


def test_times_before_zero() -> None:
    """A logger may count from when it was started; the sign is no reason to refuse."""
    result = assess(HEADER + "-2.5,open,21\n-1.75,closed,21\n0.5,closed,21\n1,open,21\n", *OPTIONS, "--json")
    closure = json.loads(result.stdout)["closures"][0]
    assert (closure["closed_at"], closure["closed_s"], closure["verdict"]) == (-1.75, 2.25, "met")


def test_blank_temperature_of_spaces_is_no_value() -> None:
    """Blank is blank: no value, never zero."""
    result = assess(HEADER + "0,open,21\n1,closed,21\n2,closed,  \n3,closed,21\n4,open,21\n", *OPTIONS, "--json")
    assert json.loads(result.stdout)["closures"][0]["coldest_c"] == 21.0


BAD_LINE = (
    "Error: soak.csv, line 6: lid is 'half'. Write open or closed. What is printed above stops there: do not use it.\n"
)


def test_json_cut_short_never_looks_complete() -> None:
    """A closure that ended before the bad line is printed, but nobody can take the output for a result."""
    result = assess(HEADER + BODY + "5,half,21\n", *OPTIONS, "--json")
    assert (result.exit_code, result.stderr) == (2, BAD_LINE)
    assert '"verdict": "met"' in result.stdout
    with pytest.raises(json.JSONDecodeError):
        json.loads(result.stdout)


def test_table_cut_short_says_so() -> None:
    """No summary and no exit status of success after an error."""
    result = assess(HEADER + BODY + "5,half,21\n", *OPTIONS)
    assert (result.exit_code, result.stderr) == (2, BAD_LINE)
    assert result.stdout.count("met") == 1


def test_what_ended_before_a_step_back_keeps_its_times() -> None:
    """Disorder later in the file does not reach back."""
    result = assess(HEADER + BODY + "".join(f"0.{n:03d},open,21\n" for n in range(1, 500)), *OPTIONS, "--json")
    assert '"closed_at": 1.0' in result.stdout
    assert "line 6: time_s goes back from 4 to 0.001." in result.stderr


def test_the_first_of_several_mistakes_is_named() -> None:
    """Whatever kind they are of, and far apart or not."""
    lines = [f"{second},open,21" for second in range(5000)]
    lines[4000], lines[4001], lines[4002] = "4000,open,x", "4001,shut,21", "3,open,\x00"
    assert assess(HEADER + "\n".join(lines), *OPTIONS).stderr.startswith("Error: soak.csv, line 4002: temp_c 'x'")
    lines[1500] = "1499,open,21"
    assert assess(HEADER + "\n".join(lines), *OPTIONS).stderr.startswith(
        "Error: soak.csv, line 1502: time_s stands still"
    )


def test_file_that_is_missing() -> None:
    result = CliRunner().invoke(soakledger.main, ["assess", "no\nsuch.csv", *OPTIONS])
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == (
        "Error: no?such.csv, it cannot be read: No such file or directory. "
        "Name a CSV file that you may read, or - for standard input.\n"
    )


def test_file_that_is_a_folder(tmp_path: Path) -> None:
    result = CliRunner().invoke(soakledger.main, ["assess", ".", *OPTIONS])
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == (
        "Error: ., it cannot be read: Is a directory. Name a CSV file that you may read, or - for standard input.\n"
    )


@pytest.mark.skipif(not os.path.exists("/proc/self/mem"), reason="needs Linux's /proc")
def test_file_that_fails_while_it_is_read() -> None:
    """The first page of a process's memory can be opened, but not read."""
    result = CliRunner().invoke(soakledger.main, ["assess", "/proc/self/mem", *OPTIONS])
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == (
        "Error: /proc/self/mem, it cannot be read: Input/output error. "
        "Name a CSV file that you may read, or - for standard input.\n"
    )


WRONG_OPTIONS = {
    "minimum finer than a millidegree": (
        ["--min-temp", "20.0001", "--contact", "2s", "--uncertainty", "0"],
        "Invalid value for '--min-temp': '20.0001' is finer than a thousandth of a degree. "
        "Write it with at most three decimals.",
    ),
    "uncertainty finer than a millidegree": (
        ["--min-temp", "20", "--contact", "2s", "--uncertainty", "0.57851"],
        "Invalid value for '--uncertainty': '0.57851' is finer than a thousandth of a degree. "
        "Write it with at most three decimals.",
    ),
    "contact time finer than a millisecond": (
        ["--min-temp", "20", "--contact", "0.0001s", "--uncertainty", "0"],
        "Invalid value for '--contact': '0.0001s' is finer than a millisecond. Write it in whole milliseconds.",
    ),
    "contact time without a unit": (
        ["--min-temp", "20", "--contact", "12", "--uncertainty", "0"],
        "Invalid value for '--contact': '12' is not a duration. "
        "Write a number and s, m or h, such as 12m, 90s or 0.5h.",
    ),
    "no uncertainty": (["--min-temp", "20", "--contact", "2s"], "Missing option '--uncertainty'."),
    "negative uncertainty": (
        ["--min-temp", "20", "--contact", "2s", "--uncertainty", "-0.1"],
        "Invalid value for --uncertainty: Expected a number >= 0 thousandths of a degree.",
    ),
    "no contact time": (
        ["--min-temp", "20", "--contact", "0s", "--uncertainty", "0"],
        "Invalid value for --contact: Expected a number >= 1 milliseconds.",
    ),
    "maximum below the minimum": (
        [*OPTIONS, "--max-temp", "19.5"],
        "The maximum temperature (19.5 °C) is below the minimum (20 °C): no soak could meet it. "
        "Copy both again from the label.",
    ),
    "decimal comma": (
        [*OPTIONS, "--correction", "0,5"],
        "Invalid value for '--correction': '0,5' is not a plain decimal number of degrees Celsius, such as 20.5.",
    ),
}


@pytest.mark.parametrize("case", WRONG_OPTIONS)
def test_wrong_options(case: str) -> None:
    """Refused before the file is opened, with the option's name."""
    options, message = WRONG_OPTIONS[case]
    result = CliRunner().invoke(soakledger.main, ["assess", "no-such.csv", *options])
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.splitlines()[-1] == f"Error: {message}"
