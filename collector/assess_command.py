"""`soakledger assess`: the exposure rule applied to any logger's file."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path
from typing import Any, BinaryIO, Self, TypeVar

import click
import msgspec

from collector.assess_report import JsonReport, Report, TableReport
from collector.logclosures import closures
from collector.logfile import LogFile
from collector.logtext import CHUNK_BYTES, UnusableError
from soak.closure import Verdict
from soak.decoding import converted
from soak.quantity import duration_ms, exact_millidegrees
from soak.requirement import Requirement, SensorTerms

LONG_BYTES = 10_000_000
"""From this size on a file takes long enough for a progress bar."""

_WIPE_LINE = "\r\x1b[2K"
_OPTIONS = {
    "min_mc": "--min-temp",
    "max_mc": "--max-temp",
    "contact_ms": "--contact",
    "max_gap_ms": "--max-gap",
    "u_mc": "--uncertainty",
    "correction_mc": "--correction",
}


class _RefusedError(click.ClickException):
    """The input is unusable: one line on standard error."""

    exit_code = 2


class _UnreadableError(Exception):
    """The system does not give the file's bytes. (No OSError: one that comes from printing is another matter.)"""

    def __init__(self, error: OSError) -> None:
        why = error.strerror or type(error).__name__
        super().__init__(f"it cannot be read: {why}. Name a CSV file that you may read, or - for standard input.")


def _by(read: Callable[[str], int]) -> Callable[[click.Context, click.Parameter, str | None], int | None]:
    """An option's text, read by one of `soak.quantity`."""

    def convert(_ctx: click.Context, _param: click.Parameter, text: str | None) -> int | None:
        try:
            return None if text is None else read(text)
        except ValueError as error:
            raise click.BadParameter(str(error)) from None

    return convert


_CELSIUS: dict[str, Any] = {"callback": _by(exact_millidegrees), "metavar": "CELSIUS"}
_DURATION: dict[str, Any] = {"callback": _by(duration_ms), "metavar": "DURATION"}


@click.command("assess", short_help="Judge a logger's file by the exposure rule.")
@click.argument("file", metavar="FILE.csv")
@click.option("--min-temp", "min_mc", **_CELSIUS, required=True, help="The label's minimum temperature in °C.")
@click.option("--contact", "contact_ms", **_DURATION, required=True, help="The label's contact time, such as 12m.")
@click.option(
    "--uncertainty",
    "u_mc",
    **_CELSIUS,
    required=True,
    help="Expanded uncertainty U (k = 2) of the sensors' corrected values in °C; 0 is allowed, but must be said.",
)
@click.option("--max-temp", "max_mc", **_CELSIUS, help="The label's maximum temperature in °C, if it prints one.")
@click.option(
    "--correction",
    "correction_mc",
    **_CELSIUS,
    default="0",
    show_default=True,
    help="Added to every indicated temperature, in °C.",
)
@click.option(
    "--max-gap",
    "max_gap_ms",
    **_DURATION,
    default="5s",
    show_default=True,
    help="Longest pause between two readings that still counts as watched.",
)
@click.option("--json", "as_json", is_flag=True, help="JSON on standard output instead of a table.")
@click.pass_context
def command(
    ctx: click.Context,
    *,
    file: str,
    min_mc: int,
    contact_ms: int,
    u_mc: int,
    max_mc: int | None,
    correction_mc: int,
    max_gap_ms: int,
    as_json: bool,
) -> None:
    """Judge every closure in FILE.csv ("-": standard input) by the exposure rule.

    Columns, in any order, separated by commas: time_s (seconds) or time (RFC 3339); lid (open or closed); one or more
    whose name starts with temp_c (°C, blank: no value), all of which count; optionally number (rising from 1: a missing
    number is a lost reading). Others are ignored. Durations are a number and s, m or h.

    Exit status: 0 every closure met, 1 any other verdict or no closure at all, 2 the file or an option is unusable.

    A monitoring aid: the product's label and the device maker's instructions decide.
    """
    values = {
        "min_mc": min_mc,
        "max_mc": max_mc,
        "contact_ms": contact_ms,
        "max_gap_ms": max_gap_ms,
        "u_mc": u_mc,
        "correction_mc": correction_mc,
    }
    requirement, terms = _within_bounds(values, Requirement), _within_bounds(values, SensorTerms)
    report: Report | None = None
    verdicts = set()
    with _opened(file) as stream, _Progress(stream, file) as progress:
        try:
            log = LogFile(_chunks(stream, progress))
            report = JsonReport(requirement, terms) if as_json else TableReport(log.time_column, log.numbered)
            for entry in closures(log, requirement, terms):
                progress.make_way()
                report.add(entry)
                verdicts.add(entry.closure.verdict)
        except (UnusableError, _UnreadableError) as error:
            cut_short = " What is printed above stops there: do not use it." if report and report.started else ""
            raise _RefusedError(f"{_named(file)}, {error}{cut_short}") from None
    report.finish()
    ctx.exit(0 if verdicts == {Verdict.MET} else 1)


_Values = TypeVar("_Values", Requirement, SensorTerms)


def _within_bounds(values: dict[str, int | None], kind: type[_Values]) -> _Values:
    """Options as what the rule needs.

    Raises:
        click.UsageError: Outside what can be judged.
    """
    try:
        return converted(values, kind)
    except msgspec.ValidationError as error:
        what, _, field = str(error).partition(" - at `$.")
        option = _OPTIONS.get(field.rstrip("`"))
        if option is None:
            raise click.UsageError(what) from None
        unit = "milliseconds" if field.startswith(("contact", "max_gap")) else "thousandths of a degree"
        raise click.BadParameter(f"{what.replace('`int`', 'a number')} {unit}.", param_hint=option) from None


def _opened(file: str) -> AbstractContextManager[BinaryIO]:
    if file == "-":
        return nullcontext(sys.stdin.buffer)
    try:
        return Path(file).open("rb")
    except OSError as error:
        raise _RefusedError(f"{_named(file)}, {_UnreadableError(error)}") from None


def _chunks(stream: BinaryIO, progress: _Progress) -> Iterator[bytes]:
    """The bytes as they come: from a pipe, as soon as they are there."""
    read: Callable[[int], bytes] = getattr(stream, "read1", stream.read)
    while True:
        try:
            chunk = read(CHUNK_BYTES)
        except OSError as error:
            raise _UnreadableError(error) from None
        if not chunk:
            return
        progress.add(len(chunk))
        yield chunk


def _named(file: str) -> str:
    return "standard input" if file == "-" else "".join(each if each.isprintable() else "?" for each in file)


class _Progress:
    """A bar on standard error: only on a long file, and only when a person watches."""

    def __init__(self, stream: BinaryIO, file: str) -> None:
        size = 0 if file == "-" else os.fstat(stream.fileno()).st_size
        self._bar = (
            click.progressbar(length=size, file=sys.stderr) if size >= LONG_BYTES and sys.stderr.isatty() else None
        )

    def __enter__(self) -> Self:
        if self._bar:
            self._bar.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar:
            self._bar.render_finish()

    def add(self, count: int) -> None:
        """So many more bytes are read."""
        if self._bar:
            self._bar.update(count)

    def make_way(self) -> None:
        """Something is about to be printed, perhaps on the same screen."""
        if self._bar:
            click.echo(_WIPE_LINE, err=True, nl=False)
