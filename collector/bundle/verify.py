#!/usr/bin/env python3
"""Check a Soakledger bundle without Soakledger: `python3 -I -S verify.py` in the unpacked folder.

This one file needs Python 3.9 or newer and nothing else. It was written from the exposure rule and from `formats.md`,
not from the program whose work it checks. From the records and the readings it works out again

- the size and SHA-256 of every file, and that none is missing or added;
- the chain of records, from the first to the head (and to a head printed on paper: `--head COUNT:HASH`);
- the digest of every page of readings;
- what was required of each basin at each closing, from settings, fills, profiles and sensor checks;
- every verdict in the range of the bundle, and that no closed lid seen in it is without one;
- the table of verdicts, the documents and the pictures.

Exit status: 0 all of it agrees; 1 something disagrees, and is named; 2 the bundle cannot be read, is cut short, or is
of a newer format. The end of its answer says what it cannot show.

To read it: 1 is the exposure rule; 2 reads files and pages; 3 replays the records; 4 compares verdicts; 5 says so.
Temperatures are whole thousandths of a degree Celsius (`_mc`), durations whole milliseconds (`_ms`).
"""

# ruff: noqa: B905, RUF007  (Python 3.9 has neither zip(strict=) nor pairwise)
from __future__ import annotations

import argparse
import csv
import hashlib
import json
import multiprocessing
import os
import re
import sys
import time
from array import array
from bisect import bisect_left, bisect_right
from calendar import timegm
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import nullcontext
from functools import lru_cache
from itertools import accumulate, chain, compress, count, repeat
from operator import add, sub
from pathlib import Path
from typing import Any, NamedTuple

DEFAULT_GAP_MS = 5_000
DATE_TOLERANCE_MS = 10  # clocks that say nearly the same are written on a page as one
HIGHEST_U_MC = 20_000
DUE_DAY_MS = 36 * 3_600_000  # until the day that a check is due has ended everywhere
FAULT_CODES = 16  # so many are counted by name
PAGES_AT_ONCE = 40
LETTERS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"

# --- 1. The rule ------------------------------------------------------------------------------------------------------

Row = tuple[Any, ...]
"""What the required sensors of a basin showed at one reading, in the order of `Terms.sensors`; None: no value."""
Anchor = tuple[int, int, int, bool]
"""A node's clock: from this index of a page on; at this time since boot it was this time in UTC; synchronised."""


class Terms(NamedTuple):
    """What a closure is judged by. `sensors`: (correction, expanded uncertainty U with k = 2) of each."""

    min_mc: int
    max_mc: int | None
    contact_ms: int
    max_gap_ms: int
    sensors: dict[str, tuple[int, int]]

    def corrected(self, row: Row) -> list[int]:
        """What each sensor showed, corrected."""
        return [mc + correction for mc, (correction, _) in zip(row, self.sensors.values())]

    def margins(self, row: Row) -> list[int]:
        """How far each sensor lies above the minimum, its U taken off."""
        return [mc + correction - u - self.min_mc for mc, (correction, u) in zip(row, self.sensors.values())]

    def not_above(self, row: Row) -> bool:
        """Whether no sensor, its U added, lies above the maximum."""
        highest = max(mc + correction + u for mc, (correction, u) in zip(row, self.sensors.values()))
        return self.max_mc is None or highest <= self.max_mc

    def in_range(self, row: Row) -> bool:
        """Whether a known reading is warm enough and not too hot."""
        return min(self.margins(row)) >= 0 and self.not_above(row)


def strictest(several: Sequence[Terms | None]) -> Terms | None:
    """The strictest of all; None where one is missing, sensors differ, or they cannot all hold."""
    known = [terms for terms in several if terms]
    if all(terms == several[0] for terms in several):
        return several[0]
    if len(known) < len(several) or any(set(terms.sensors) != set(known[0].sensors) for terms in known):
        return None
    minimum, contact_ms = max(terms.min_mc for terms in known), max(terms.contact_ms for terms in known)
    maximum = min((terms.max_mc for terms in known if terms.max_mc is not None), default=None)
    sensors = {}
    for name in known[0].sensors:  # the narrowest interval that holds what each of them allows
        low = min(terms.sensors[name][0] - terms.sensors[name][1] for terms in known)
        high = max(terms.sensors[name][0] + terms.sensors[name][1] for terms in known)
        u = (high - low + 1) // 2
        sensors[name] = (high - u, u)
    if (maximum is not None and maximum < minimum) or any(u > HIGHEST_U_MC for _, u in sensors.values()):
        return None
    return Terms(minimum, maximum, contact_ms, min(terms.max_gap_ms for terms in known), sensors)


class Piece(NamedTuple):
    """Readings of one stream with consecutive numbers, in columns; the lid in runs of (state, how many)."""

    first: int
    times_ms: list[int]
    lids: list[tuple[str, int]]
    temps_mc: dict[str, list[int | None]]
    clock: list[Anchor]
    faults: list[tuple[int, str, str]]  # index, sensor, code

    def anchor(self, index: int) -> Anchor:
        """The clock under which a reading came."""
        return next(anchor for anchor in reversed(self.clock) if anchor[0] <= index)


class Closure:
    """A run of readings with the lid closed.

    Its edges are "seen", "lost", "gap" or "start"; closing "cut": it began before what is here; opening "": not ended.
    A basin shows the same few rows again and again, so each is kept once, and later looked at once, in `kinds`.
    """

    def __init__(self, number: int, ms: int, terms: Terms | None) -> None:
        self.first, self.last, self.first_ms, self.last_ms = number, number, ms, ms
        self.closing, self.opening, self.lost_before, self.lost_after = "", "", 0, 0
        self.terms, self.gap_ms = terms, terms.max_gap_ms if terms else DEFAULT_GAP_MS
        self.opening_ms: int | None = None
        self.times_ms = array("q")
        self.kinds: dict[Row, int] = defaultdict(count().__next__)
        self.kind_of: list[int] = []
        self.faults: dict[str, int] = {}
        self.closing_date_ms = 0
        self.end_anchor: Anchor = (0, 0, 0, False)

    def take(self, piece: Piece, start: int, end: int) -> None:
        """Add the readings from index `start` to before `end`."""
        self.last, self.last_ms, self.end_anchor = piece.first + end - 1, piece.times_ms[end - 1], piece.anchor(end - 1)
        self.times_ms.extend(piece.times_ms[start:end])
        names = self.terms.sensors if self.terms else {}
        rows = zip(*(piece.temps_mc[name][start:end] if name in piece.temps_mc else repeat(None) for name in names))
        any_here = any(name in piece.temps_mc for name in names)
        self.kind_of.extend(map(self.kinds.__getitem__, rows if any_here else repeat((None,), end - start)))
        for index, sensor, code in piece.faults:
            if start <= index < end and sensor in names:
                named = code if code in self.faults or len(self.faults) < FAULT_CODES else "other"
                self.faults[named] = self.faults.get(named, 0) + 1

    def end(self, opening: str, piece: Piece, index: int) -> Closure:
        """It ended so; the reading at this index is the next one of its stream."""
        self.opening, self.end_anchor = opening, piece.anchor(index)
        self.lost_after = piece.first + index - self.last - 1
        self.opening_ms = piece.times_ms[index] if opening == "seen" else None
        return self


class Watch:
    """Cuts the readings of a stream, in the order of their numbers, into closures.

    Args:
        in_force: Gives every Terms in force in spans of dates.
        date: Gives the date of a reading from its time and its clock.
        whole: The readings begin with the first of the stream; otherwise those before them are not here.
    """

    def __init__(self, in_force: Callable[[Any], Any], date: Callable[[int, Anchor], int], whole: bool = True) -> None:
        self.in_force, self.date, self.whole = in_force, date, whole
        self.before: tuple[int, int, str] | None = None  # number, time and lid of the reading before
        self.spans: list[list[int]] = []  # dates watched since the lid was last seen open, else since the boot
        self.running: list[Closure] = []  # none or one

    def closures(self, pieces: Iterable[Piece]) -> Iterator[Closure]:
        """Every closure; the last may not have ended."""
        for piece in pieces:
            if self.running and piece.first != self.running[0].last + 1:
                yield self.running.pop().end("lost", piece, 0)
            if not self.before:
                self.note(0, piece.anchor(0))
            end = 0
            for lid, how_many in piece.lids:
                start, end = end, end + how_many
                if lid == "open":
                    if self.running:
                        near = piece.times_ms[start] - self.running[0].last_ms <= self.running[0].gap_ms
                        yield self.running.pop().end("seen" if near else "gap", piece, start)
                    self.spans, self.whole = [], True
                    self.note(piece.times_ms[end - 1], piece.anchor(end - 1))
                else:
                    yield from self.closed(piece, start, end)
                    turns = {index for anchor in piece.clock for index in (anchor[0] - 1, anchor[0])}
                    for index in sorted({start, end - 1} | {index for index in turns if start < index < end}):
                        self.note(piece.times_ms[index], piece.anchor(index))
                self.before = (piece.first + end - 1, piece.times_ms[end - 1], lid)
        yield from self.running

    def closed(self, piece: Piece, start: int, end: int) -> Iterator[Closure]:
        """Take a run of readings with the lid closed; a long pause parts it."""
        times_ms = piece.times_ms
        while start < end:
            if self.running and times_ms[start] - self.running[0].last_ms > self.running[0].gap_ms:
                yield self.running.pop().end("gap", piece, start)
            if not self.running:
                self.running.append(self.begun(piece, start))
            gap_ms, stop = self.running[0].gap_ms, end
            if max(map(sub, times_ms[start + 1 : end], times_ms[start:end]), default=0) > gap_ms:
                stop = next(i for i in range(start + 1, end) if times_ms[i] - times_ms[i - 1] > gap_ms)
            self.running[0].take(piece, start, stop)
            self.before, start = (piece.first + stop - 1, times_ms[stop - 1], "closed"), stop

    def begun(self, piece: Piece, index: int) -> Closure:
        """A closure that begins with this reading, to be judged by what was in force then."""
        number, ms, anchor = piece.first + index, piece.times_ms[index], piece.anchor(index)
        before = self.before or (0, ms, "")
        lost = number - before[0] - 1
        if lost:  # the lid may have closed at any time since it was last seen open
            self.note(ms, anchor)
        date_ms = self.date(ms, anchor)
        closure = Closure(number, ms, strictest(self.in_force(self.spans if lost else [[date_ms, date_ms]])))
        closure.closing_date_ms = date_ms
        seen = before[2] == "open" and ms - before[1] <= closure.gap_ms
        closure.closing = "lost" if lost else "start" if number == 1 else "seen" if seen else "gap"
        if not self.whole:
            closure.closing = "cut"
        closure.lost_before = lost
        return closure

    def note(self, ms: int, anchor: Anchor) -> None:
        """Watched at this moment, and since the one noted before unless the clock went back between."""
        date = self.date(ms, anchor)
        if self.spans and date >= self.spans[-1][1]:
            self.spans[-1][1] = date
        else:
            self.spans.append([date, date])


class Known:
    """The readings of a closure at which every required sensor has a value."""

    def __init__(self, closure: Closure, terms: Terms) -> None:
        self.terms, self.rows = terms, list(closure.kinds)
        self.times_ms, self.kind_of = closure.times_ms, closure.kind_of
        self.cuts = [0, len(self.times_ms)]  # both ends, and where neighbours lie further apart than max_gap
        self.wide: list[tuple[int, int]] = []  # place and length of the steps there
        self.silent_ms: int | None = None  # when a sensor first had no value
        if any(None in row for row in self.rows):
            known = bytes(map(bytes(None not in row for row in self.rows).__getitem__, self.kind_of))
            self.silent_ms = self.times_ms[known.find(0)]
            self.times_ms = array("q", compress(self.times_ms, known))
            self.kind_of = list(compress(self.kind_of, known))
            steps_ms = enumerate(map(sub, self.times_ms[1:], self.times_ms), 1)
            self.wide = [(place, step_ms) for place, step_ms in steps_ms if step_ms > terms.max_gap_ms]
            self.cuts = [0, *(place for place, _ in self.wide), len(self.times_ms)]
        self.letters = bytes(self.kind_of) if len(self.rows) <= 256 else None

    def mask(self, test: Callable[[Row], bool]) -> bytes:
        """A byte for each reading: 1 where its row passes the test. Each row is tested once."""
        passes = bytes(None not in row and test(row) for row in self.rows)
        if self.letters is not None:
            return self.letters.translate(passes.ljust(256, b"\0"))
        return bytes(map(passes.__getitem__, self.kind_of))

    def stretches(self, test: Callable[[Row], bool], cuts: Sequence[int] = ()) -> Iterator[tuple[int, int]]:
        """(start, end) of every run of readings that pass the test; none reaches across a cut."""
        mask, cuts = self.mask(test), cuts or self.cuts
        for begin, end in zip(cuts, cuts[1:]):
            start = mask.find(1, begin, end)
            while start >= 0:
                stop = mask.find(0, start, end)
                stop = end if stop < 0 else stop
                yield start, stop
                start = mask.find(1, stop, end)

    def longest_ms(self, test: Callable[[Row], bool]) -> int:
        """From the first reading to the last of the longest stretch that passes the test; -1: there is none."""
        return max((self.times_ms[end - 1] - self.times_ms[start] for start, end in self.stretches(test)), default=-1)

    def allowance_mc(self, place: int | None) -> int | None:
        """The greatest of the least margins of all stretches as long as the contact time and not above the maximum.

        Of all sensors, or of the one at a place where every other one's margin is at least 0. A stretch that has one
        margin throughout also has every smaller one, so halving finds the greatest.
        """
        levels = {}
        for row in self.rows:
            if None not in row and self.terms.not_above(row):
                margins = self.terms.margins(row)
                own = min(margins) if place is None else margins.pop(place)
                if place is None or min(margins, default=0) >= 0:
                    levels[row] = own
        steps = sorted(set(levels.values()))
        low, high = 0, len(steps)  # those before `low` are reached, those from `high` on are not
        while low < high:
            middle = (low + high) // 2
            reach = {row for row, level in levels.items() if level >= steps[middle]}
            reached = self.longest_ms(reach.__contains__) >= self.terms.contact_ms
            low, high = (middle + 1, high) if reached else (low, middle)
        return steps[low - 1] if low else None


def judge(closure: Closure, over: bool = True) -> dict[str, Any]:
    """Everything that the rule says of a closure, named as in its record. `over`: a newer stream has taken over."""
    terms, opening = closure.terms, closure.opening or ("stream end" if over else "")
    unseen_ends = (closure.closing != "seen", opening not in ("seen", ""))
    closed_ms = closure.last_ms - closure.first_ms
    facts: dict[str, Any] = {"requirement": None, "allowance_mc": None, "sensor_allowances_mc": {}, "credited_ms": 0}
    facts.update(first=closure.first, last=closure.last, closing_ms=closure.first_ms, last_ms=closure.last_ms)
    facts.update(closing_edge=closure.closing, opening_edge=opening, opening_ms=closure.opening_ms)
    facts.update(lost_before=closure.lost_before, lost_after=closure.lost_after, readings=len(closure.times_ms))
    facts.update(known=0, faults=closure.faults, coldest_mc=None, hottest_mc=None, met_without_u=False)
    # With no known reading the whole closure is one unknown interval.
    facts.update(not_out_ms=closed_ms, not_out_unlimited=any(unseen_ends), unknown_ms=closed_ms, out_ms=0)
    facts.update(silent_out_ms=0, out_first_ms=None, unknown_first_ms=closure.first_ms)
    if terms:
        known = Known(closure, terms)
        facts["requirement"] = {**terms._asdict(), "sensors": None}
        facts.update(known=len(known.times_ms), unknown_first_ms=known.silent_ms)
        if known.times_ms:
            facts.update(intervals(closure, known, unseen_ends))
            facts.update(temperatures(known))
        facts["sensor_allowances_mc"] = facts["sensor_allowances_mc"] or dict.fromkeys(terms.sensors)
    if terms and facts["credited_ms"] >= terms.contact_ms:
        facts["verdict"] = "met"
    elif not opening:
        facts["verdict"] = "running"
    else:
        unproven = not terms or facts["not_out_unlimited"] or facts["not_out_ms"] >= terms.contact_ms
        facts["verdict"] = "unproven" if unproven else "not met"
    facts["findings"] = [code for code, holds in findings(facts, terms).items() if holds]
    return facts


def intervals(closure: Closure, known: Known, unseen_ends: tuple[bool, bool]) -> dict[str, Any]:
    """What time of a closure with known readings was credited, unknown and out of range."""
    times_ms, in_range = known.times_ms, known.terms.in_range
    warm, readings = known.mask(in_range), len(times_ms)
    lead_ms, tail_ms = times_ms[0] - closure.first_ms, closure.last_ms - times_ms[-1]
    not_out_ms, unlimited, warm_ms = 0, False, 0  # warm: between known readings that are in range, near or far
    for start, end in known.stretches(in_range, [0, readings]):
        stretch_ms, at_start, at_end = times_ms[end - 1] - times_ms[start], start == 0, end == readings
        warm_ms += stretch_ms
        not_out_ms = max(not_out_ms, stretch_ms + at_start * lead_ms + at_end * tail_ms)
        unlimited |= (at_start and unseen_ends[0]) or (at_end and unseen_ends[1])
    edges = [(lead_ms, warm[0]), (tail_ms, warm[-1])]
    steps = edges + [(step_ms, warm[place] and warm[place - 1]) for place, step_ms in known.wide]
    return {
        "credited_ms": max(0, known.longest_ms(in_range)),
        "not_out_ms": not_out_ms,
        "not_out_unlimited": unlimited,
        "unknown_ms": sum(ms for ms, is_warm in steps if is_warm),
        "silent_out_ms": sum(ms for ms, is_warm in steps if not is_warm),
        "out_ms": times_ms[-1] - times_ms[0] - warm_ms + sum(ms for ms, is_warm in edges if not is_warm),
        "out_first_ms": times_ms[warm.find(0)] if 0 in warm else None,
    }


def temperatures(known: Known) -> dict[str, Any]:
    """How warm a closure with known readings was, and what allowance was left."""
    terms = known.terms
    corrected = [mc for row in known.rows if None not in row for mc in terms.corrected(row)]
    certain = terms._replace(sensors={name: (correction, 0) for name, (correction, _) in terms.sensors.items()})
    least_mc, several = known.allowance_mc(None), len(terms.sensors) > 1
    own = {name: known.allowance_mc(place) if several else least_mc for place, name in enumerate(terms.sensors)}
    met_without_u = known.longest_ms(certain.in_range) >= terms.contact_ms
    facts = {"coldest_mc": min(corrected), "hottest_mc": max(corrected), "met_without_u": met_without_u}
    return {**facts, "allowance_mc": least_mc, "sensor_allowances_mc": own}


def findings(facts: dict[str, Any], terms: Terms | None) -> dict[str, bool]:
    """What is to be said of a closure, in the order of its record."""
    closing_seen, opening_seen = facts["closing_edge"] == "seen", facts["opening_edge"] == "seen"
    codes = {"no-requirement": not terms}
    if terms:
        early = facts["verdict"] == "not met" and opening_seen
        short = facts["last_ms"] - facts["closing_ms"] < terms.contact_ms
        codes.update({"opened-early": early, "too-short": early and closing_seen and short})
        codes["below-minimum"] = bool(facts["known"]) and facts["coldest_mc"] < terms.min_mc
        limit_mc = terms.max_mc if facts["known"] else None
        codes["above-maximum"] = limit_mc is not None and facts["hottest_mc"] > limit_mc
        codes["guard-band"] = facts["met_without_u"] and facts["verdict"] in ("not met", "unproven")
        silent = facts["unknown_ms"] + facts["silent_out_ms"] > terms.max_gap_ms or facts["verdict"] == "unproven"
        codes["sensor-fault"] = facts["readings"] > facts["known"] and silent
    codes["closing-not-seen"] = not closing_seen
    missing = facts["closing_edge"] in ("lost", "gap") or facts["opening_edge"] in ("lost", "gap", "stream end")
    return {**codes, "readings-missing": missing}


# --- 2. Files and pages -----------------------------------------------------------------------------------------------


class BundleError(Exception):
    """The bundle cannot be read."""


@lru_cache(4096)
def utc_ms(text: str) -> int:
    """Milliseconds since 1970 of a time as RFC 3339 writes it."""
    parts = re.fullmatch(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d)(?:\.(\d+))?(?:[Zz]|([+-]\d\d):(\d\d))", text)
    if not parts:
        raise ValueError(f"{text!r} is no time")
    day, clock, fraction, hours, minutes = parts.groups()
    away_s = int(hours) * 3600 + int(hours[0] + minutes) * 60 if hours else 0
    seconds = timegm(time.strptime(f"{day} {clock}", "%Y-%m-%d %H:%M:%S")) - away_s
    return seconds * 1000 + int(f"{fraction or ''}000"[:3])


def utc_text(ms: int) -> str:
    """A time in UTC with milliseconds."""
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(ms // 1000)) + f".{ms % 1000:03d}Z"


def column(kept: Any, length: int) -> list[Any]:
    """The entries of a page's column."""
    entries = kept
    if isinstance(kept, dict):
        entries = list(map({**dict(zip(LETTERS, kept["values"])), "-": None}.__getitem__, kept["letters"]))
    if len(entries) != length:
        raise ValueError("a column is too long or too short")
    return list(entries)


def times(steps: list[int], page_format: int) -> list[int]:
    """Times of readings: kept as differences; since format 2 as distances from a grid of whole seconds."""
    if page_format == 1:
        return list(accumulate(steps))
    grows = {step: (step + 1500) // 1000 * 1000 for step in set(steps[1:])}
    grid_ms: Iterable[int] = range(steps[0] + 1000, steps[0] + 1000 * len(steps), 1000)
    if set(grows.values()) - {1000}:
        grid_ms = accumulate(chain([steps[0] + 1000], map(grows.__getitem__, steps[1:])))
    return [steps[0], *map(add, grid_ms, steps[1:])]


def temperatures_of(kept: Any, length: int) -> list[int | None]:
    """Temperatures: lettered as they are; in a list the first one and then differences."""
    entries, last_mc = column(kept, length), 0
    for index, step in enumerate(entries if isinstance(kept, list) else ()):
        if step is not None:
            entries[index] = last_mc = last_mc + step
    return entries


def piece(text: bytes) -> Piece:
    """The readings of a page."""
    page = json.loads(text)
    if page["format"] not in (1, 2, 3):
        raise BundleError(f"It holds a page of format {page['format']}; this checker knows 1 to 3. Use a newer one.")
    length = sum(how_many for _, how_many in page["lid"])
    times_ms = times(column(page["ms"], length), page["format"])
    if times_ms != sorted(times_ms) or any(lid not in ("open", "closed") or n < 1 for lid, n in page["lid"]):
        raise ValueError("its times do not rise, or its lid is neither open nor closed")
    temps_mc = {sensor: temperatures_of(kept, length) for sensor, kept in page["mc"].items()}
    clock = [(index, ms, utc_ms(utc), synchronised) for index, ms, utc, synchronised in page["clock"]]
    faults = [(index, sensor, code) for index, sensor, code, _ in page["fault"]]
    return Piece(page["first"], times_ms, [(lid, n) for lid, n in page["lid"]], temps_mc, clock, faults)


class Page(NamedTuple):
    """Where a page lies in the bundle, and which it is."""

    file: str
    offset: int
    length: int
    sha256: str
    stream: Any = None  # None: it cannot be read
    first: int = 0
    last: int = 0
    begins_open: bool = False


def scan(where: tuple[Path, str]) -> tuple[str, int, str, list[Page]]:
    """A file's name, size and digest, and the pages in it."""
    folder, name = where
    whole, size, pages = hashlib.sha256(), 0, []
    with (folder / name).open("rb") as file:
        for line in file if name.startswith("pages/") else iter(lambda: file.read(1 << 20), b""):
            whole.update(line)
            if name.startswith("pages/"):
                text = line.rstrip(b"\n")
                page = Page(name, size, len(text), hashlib.sha256(text).hexdigest())
                try:
                    kept = json.loads(text)
                    last = kept["first"] + sum(how_many for _, how_many in kept["lid"]) - 1
                    page = Page(*page[:4], str(kept["stream"]), kept["first"], last, kept["lid"][0][0] == "open")
                except (ValueError, KeyError, TypeError, IndexError):
                    pass  # said of it later
                pages.append(page)
            size += len(line)
    return name, size, whole.hexdigest(), pages


# --- 3. Records -------------------------------------------------------------------------------------------------------


def canonical(value: Any) -> str:
    """JSON as RFC 8785 writes it, of a value whose numbers are all integers."""
    if isinstance(value, dict):
        names = sorted(value, key=lambda name: name.encode("utf-16-be"))
        return "{" + ",".join(f"{canonical(name)}:{canonical(value[name])}" for name in names) + "}"
    if isinstance(value, list):
        return "[" + ",".join(map(canonical, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


def whole_number(text: str) -> int:
    """For json.loads: no record has another number."""
    raise ValueError(f"{text} is no whole number")


def merged(document: Any, patch: Any) -> Any:
    """What JSON Merge Patch (RFC 7396) makes of a document."""
    if not isinstance(patch, dict):
        return patch
    result = dict(document) if isinstance(document, dict) else {}
    result.update({name: merged(result.get(name), value) for name, value in patch.items()})
    return {name: value for name, value in result.items() if name not in patch or value is not None}


def pictures_named(value: Any, name: str = "") -> Iterator[str]:
    """The digests of pictures that a body names, at any depth."""
    if isinstance(value, str) and value and name.endswith("_sha256"):
        yield value
    for inner_name, inner in value.items() if isinstance(value, dict) else ():
        yield from pictures_named(inner, inner_name)
    for inner in value if isinstance(value, list) else ():
        yield from pictures_named(inner)


class Verdict(NamedTuple):
    """A closure's record; its body as text, because a year of them would fill the memory."""

    number: int
    stream: str
    first: int
    last: int
    opening: str
    due: bool  # it touches the range of the bundle
    body: str


class Force(NamedTuple):
    """What is in force in a basin from a moment on."""

    since_ms: int
    terms: Terms | None
    overdue: int  # sensors whose last check no longer holds


class Ledger:
    """What the records say. `wrong` takes what disagrees, as a topic and words."""

    def __init__(self, manifest: dict[str, Any], kinds: Iterable[str], wrong: Callable[[str, str], None]) -> None:
        self.site, self.wrong = manifest["site"], wrong
        self.from_ms, self.to_ms = manifest["from_ms"], manifest["to_ms"]
        self.number, self.hash = 0, "0" * 64
        self.hashes: dict[int, str] = {}  # of records wanted
        self.site_name: str | None = None
        self.streams: dict[str, dict[str, Any]] = {}
        self.pages: Any = defaultdict(list)  # of a stream: first, last, sha256, record
        self.lost: Any = defaultdict(list)  # of a stream: first, last
        self.syncs: Any = defaultdict(list)  # of a node and boot: record, (ms, utc_ms)
        self.settings: Any = defaultdict(list)  # of a basin
        self.documents: dict[str, dict[str, Any]] = {kind: {} for kind in kinds}
        self.verdicts: dict[int, Verdict] = {}
        self.superseded = 0
        self.pictures: dict[str, int] = {}

    def walk(self, path: Path, wanted: set[int]) -> None:
        """Go through all records; keep the hashes of those wanted."""
        with path.open("rb") as file:
            for line in file:
                try:
                    record = json.loads(line)
                    known = record["format"] == 1
                except (ValueError, KeyError, TypeError):
                    told = f"ledger.jsonl: what follows record {self.number} is no record. It is cut short or damaged."
                    raise BundleError(told) from None
                if not known:
                    told = f"Record {record.get('number')} has format {record['format']}; this checker knows 1."
                    raise BundleError(f"{told} Use a newer one.")
                try:
                    self.follow(record)
                    if self.number in wanted:
                        self.hashes[self.number] = self.hash
                except (ValueError, KeyError, TypeError, AttributeError) as problem:
                    self.wrong("chain", f"Record {record.get('number')} cannot be read ({problem!r}).")

    def follow(self, record: dict[str, Any]) -> None:
        """Recompute the hash of one record from the one before, and take in what it says."""
        number, kind = record["number"], record["kind"]
        if number != self.number + 1:
            self.wrong("chain", f"After record {self.number} comes {number}: records are missing, doubled or moved.")
        names = ("at_ms", "body", "format", "kind", "number", "previous", "reason", "site", "software", "who")
        hashed = {**record, "previous": self.hash, "site": self.site}
        text = ",".join(f'"{name}":{hashed[name] if name == "body" else canonical(hashed[name])}' for name in names)
        digest = hashlib.sha256(b"soakledger/record/1\n{%b}" % text.encode()).hexdigest()
        if digest != record["hash"]:
            told = f"says its hash is {record['hash']}; what it says, with the record before, gives {digest}"
            self.wrong("chain", f"Record {number} ({kind}) {told}.")
        self.number, self.hash = number, record["hash"]
        body = json.loads(record["body"], parse_float=whole_number, parse_constant=whole_number)
        plain = json.dumps(body, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
        if record["body"] != plain and record["body"] != canonical(body):
            self.wrong("chain", f"Record {number} ({kind}): its body is not canonical; it could be read in two ways.")
        if record["who"] == "collector":
            self.take(kind, record, body)
        else:
            self.pictures.update(dict.fromkeys(pictures_named(body), number))
        for kind, patches in body.get("changes", {}).items():
            for name, patch in patches.items() if kind in self.documents else ():
                self.documents[kind][name] = merged(self.documents[kind].get(name), patch)

    def take(self, kind: str, record: dict[str, Any], body: dict[str, Any]) -> None:
        """What the program wrote of itself."""
        if kind == "site-named":
            self.site_name = body["name"]
        elif kind == "stream":
            self.streams[body["stream"]] = body
        elif kind == "requirement":
            self.settings[body["basin"]].append(body)
        elif kind == "clock-synchronised":
            self.syncs[body["node"], body["boot"]].append((record["number"], (body["ms"], body["utc_ms"])))
        elif kind == "page":
            self.pages[body["stream"]].append((body["first"], body["last"], body["sha256"], record["number"]))
        elif kind == "lost" and body.get("found_ms") is None:
            self.lost[body["stream"]].append((body["first"], body["last"]))
        elif kind == "found":
            found = [(body["first"], body["last"])]
            lost = self.lost[body["stream"]]
            self.lost[body["stream"]] = [left for one in lost for left in outside(one[0], one[1], found)]
        elif kind == "closure":
            for number in body.get("supersedes") or ():
                self.superseded += 1
                if self.verdicts.pop(number, None) is None:
                    self.wrong("chain", f"Record {record['number']} supersedes {number}, which is no standing verdict.")
            kept, begin_ms = body["closure"], body["closing_utc_ms"]
            due = begin_ms < self.to_ms and begin_ms + kept["last_ms"] - kept["closing_ms"] >= self.from_ms
            what = (body["stream"], kept["first"], kept["last"], kept["opening_edge"], due, record["body"])
            self.verdicts[record["number"]] = Verdict(record["number"], *what)

    def timeline(self, basin: str) -> list[Force]:
        """What is required of a basin, and since when; as profiles, fills and checks stand at the head."""
        settings = sorted(self.settings[basin], key=lambda setting: setting["since_ms"])
        fills = self.ordered("fill", "basin", basin, "poured_ms")
        names = {name for setting in settings for name in setting["sensors"]}
        every = {name: self.ordered("sensor-check", "sensor", name, "at_ms") for name in names}
        checks = {name: [check for check in several if not check.get("void")] for name, several in every.items()}
        gaps = [setting["requirement"].get("max_gap_ms") for setting in settings if setting.get("requirement")]
        moments = {setting["since_ms"] for setting in settings} | {fill["poured_ms"] for fill in fills}
        moments |= {fill["discarded"]["at_ms"] for fill in fills if fill.get("discarded")}
        moments |= {check["at_ms"] for several in checks.values() for check in several}
        moments |= {holds_until(check) + 1 for several in checks.values() for check in several}
        line: list[Force] = [Force(-(10**18), None, 0)]
        for moment in sorted(moments) if settings else ():
            setting, fill = last_by(settings, "since_ms", moment), last_by(fills, "poured_ms", moment)
            required = setting.get("requirement") if setting else None
            if fill:
                profile = self.documents["profile"].get(str(fill.get("profile"))) or {}
                required = {**profile, "max_gap_ms": gaps[-1] if gaps else None}
                if fill.get("discarded") and fill["discarded"]["at_ms"] <= moment:
                    required = None
            sensors = (setting or settings[0])["sensors"] if setting or fill else {}
            newest = {name: last_by(checks[name], "at_ms", moment) for name in sensors}
            terms = None
            if required and sensors and None not in (required.get("min_mc"), required.get("contact_ms")):
                gap_ms = required.get("max_gap_ms")
                limits = (required["min_mc"], required.get("max_mc"), required["contact_ms"])
                said = {name: newest[name] or one for name, one in sensors.items()}
                errors = {name: (one["correction_mc"], one["u_mc"]) for name, one in said.items()}
                terms = Terms(*limits, DEFAULT_GAP_MS if gap_ms is None else gap_ms, errors)
            line.append(
                Force(moment, terms, sum(one is not None and holds_until(one) < moment for one in newest.values()))
            )
        return line

    def ordered(self, kind: str, name: str, value: str, by: str) -> list[dict[str, Any]]:
        """Documents of which this is said, in the order of a moment, then of their ids."""
        chosen = [pair for pair in self.documents[kind].items() if pair[1].get(name) == value]
        return [one for _, one in sorted(chosen, key=lambda pair: (pair[1][by], len(pair[0]), pair[0]))]


def holds_until(check: dict[str, Any]) -> int:
    """The last moment of a sensor check; for ever where it names none."""
    if check.get("until_ms") is not None:
        return int(check["until_ms"])
    return utc_ms(f"{check['due']}T00:00:00Z") + DUE_DAY_MS - 1 if check.get("due") else 10**18


def last_by(ordered: list[dict[str, Any]], name: str, moment: int) -> dict[str, Any] | None:
    """The last of them that is not after the moment."""
    place = bisect_right([one[name] for one in ordered], moment)
    return ordered[place - 1] if place else None


# --- 4. Verdicts ------------------------------------------------------------------------------------------------------

DEFAULTS: dict[str, Any] = {
    **dict.fromkeys(("lost_before", "lost_after", "unknown_ms", "out_ms", "silent_out_ms"), 0),
    **dict.fromkeys(("not_out_unlimited", "met_without_u"), False),
    "sensor_allowances_mc": {},
    "faults": {},
}
"""What a field says that a verdict leaves out; any other says null."""
DATES = ("closing_utc_ms", "closing_read_utc_ms")
ABOUT_CLOSING = (*DATES, "clock_synced", "dated_back_ms")
NOT_WHOLE = "its readings, or those back to the last with the lid open, are not here"
NONE = "the readings show no closure that begins there"
LATER_FIELDS = ("sensor_allowances_mc", "silent_out_ms", "hottest_mc")
"""What verdicts of older versions may lack."""


class Stream(NamedTuple):
    """What the records say of a stream."""

    folder: Path
    name: str
    over: bool  # its basin has another one: they may be heard of in any order
    lost: list[tuple[int, int]]
    timeline: list[Force]
    syncs: list[tuple[int, tuple[int, int]]]


class Job(NamedTuple):
    """Pages of one stream that follow each other, and the verdicts on closures that begin in them."""

    stream: Stream
    pages: list[Page]
    following: list[Page]  # none, or the next page, which begins with the lid open
    whole: bool  # the first page is the stream's first, or begins with the lid open
    final: bool  # the last page is the stream's last
    verdicts: list[Verdict]

    def pieces(self) -> Iterator[Piece]:
        """The readings; of the following page only the first."""
        for page in self.pages + self.following:
            with (self.stream.folder / page.file).open("rb") as file:
                file.seek(page.offset)
                one = piece(file.read(page.length))
            yield one._replace(times_ms=one.times_ms[:1], lids=[("open", 1)]) if page in self.following else one

    def in_force(self, spans: list[list[int]]) -> list[Terms | None]:
        """Every Terms in force in spans of dates."""
        line, moments = self.stream.timeline, [force.since_ms for force in self.stream.timeline]
        places = [(bisect_right(moments, begin) - 1, bisect_right(moments, end)) for begin, end in spans]
        return [force.terms for begin, end in places for force in line[begin:end]]

    def recompute(self, sync: tuple[int, int] | None, skew_ms: int) -> dict[int, dict[str, Any]]:
        """Everything that the rule says of each closure that is here whole, by its first number; {}: not whole."""
        results: dict[int, dict[str, Any]] = {}
        watch = Watch(self.in_force, lambda ms, anchor: ms + dated(anchor, sync)[0] + skew_ms, self.whole)
        for closure in watch.closures(self.pieces()):
            facts = results[closure.first] = {}
            if closure.closing != "cut" and (closure.opening or self.final):
                facts.update(judge(closure, self.stream.over))
                offset_ms, trusted, back = dated(closure.end_anchor, sync)
                facts.update(closing_utc_ms=closure.first_ms + offset_ms, clock_synced=trusted)
                facts["closing_read_utc_ms"] = closure.closing_date_ms - skew_ms
                facts["dated_back_ms"] = sync[0] - closure.first_ms if sync and back else None
                facts["findings"] += [] if trusted else ["clock-unsynchronised"]
        return results

    def owed(self, facts: dict[str, Any]) -> bool:
        """Whether a closure must have a verdict: it has ended, and numbers missing beside it are known to be lost."""
        beside = [facts["first"] - 1] if facts["lost_before"] else []
        beside += [facts["last"] + 1] if facts["lost_after"] else []
        lost = all(outside(number, number, self.stream.lost) == [] for number in beside)
        return lost and facts["opening_edge"] not in ("", "stream end")


def dated(anchor: Anchor, sync: tuple[int, int] | None) -> tuple[int, bool, bool]:
    """What to add to a reading's time to have its date; whether that can be trusted; whether it was dated back."""
    _, ms, utc, synchronised = anchor
    if synchronised or not sync or ms > sync[0]:
        return utc - ms, synchronised, False
    return sync[1] - sync[0], True, True


def differences(verdict: Verdict, facts: dict[str, Any] | None, line: list[Force]) -> tuple[list[str], list[str]]:
    """What a verdict says otherwise than the readings, and which fields it lacks."""
    if not facts:
        return [NOT_WHOLE if facts == {} else NONE], []
    body = json.loads(verdict.body)
    said = {**body["closure"], **{name: body.get(name) for name in ABOUT_CLOSING}}
    codes = [finding["code"] for finding in said.get("findings", ())]
    said["findings"] = [code for code in codes if code != "check-overdue"]
    if said.get("requirement"):
        said["requirement"] = {"max_mc": None, "max_gap_ms": DEFAULT_GAP_MS, **said["requirement"], "sensors": None}
    lacking = [name for name in LATER_FIELDS if name not in said and facts[name] not in (None, DEFAULTS.get(name))]
    wrong = []
    for name, value in facts.items():
        one = said.get(name, DEFAULTS.get(name))
        if name == "closing_read_utc_ms" and one is None:  # it is the same date, or the record is of an older version
            one = value
        same = abs(one - value) <= DATE_TOLERANCE_MS if name in DATES else one == value
        if not same and name not in lacking:
            wrong.append(f"{name}: the record says {one}, the readings give {value}")
    overdue = line[bisect_right([force.since_ms for force in line], said["closing_utc_ms"]) - 1].overdue
    if codes.count("check-overdue") not in (0, overdue):  # none: older versions did not look for it
        wrong.append(f"findings: checks of {codes.count('check-overdue')} sensors overdue, by the records of {overdue}")
    return wrong, lacking


class Outcome(NamedTuple):
    """What came out of a job."""

    agreed: list[int]  # numbers of verdicts' records
    wrong: list[tuple[int, str]]  # number of the record, or 0; words
    lacking: list[str]


def work(job: Job) -> Outcome:
    """Recompute the closures of some pages and compare them with their verdicts."""
    recompute = lru_cache(None)(job.recompute)

    def compared(verdict: Verdict, skew_ms: int) -> tuple[list[str], list[str]]:
        known = [sync for number, sync in job.stream.syncs if number < verdict.number]
        return differences(
            verdict, recompute(known[-1] if known else None, skew_ms).get(verdict.first), job.stream.timeline
        )

    where = f"of stream {job.stream.name}"
    agreed, texts, lacks = [], [], []
    try:
        for verdict in job.verdicts:
            wrong, lacking = compared(verdict, 0)
            for skew_ms in (-DATE_TOLERANCE_MS, DATE_TOLERANCE_MS) if wrong else ():  # at a change of requirement
                other = compared(verdict, skew_ms)
                wrong, lacking = (wrong, lacking) if other[0] else other
            lacks += lacking
            if not wrong:
                agreed.append(verdict.number)
            elif verdict.due or wrong != [NOT_WHOLE]:
                what = f"Record {verdict.number}, a verdict on readings {verdict.first} to {verdict.last} {where}"
                texts.append((verdict.number, f"{what}: {'; '.join(wrong)}."))
        named = {verdict.first for verdict in job.verdicts}
        for first, facts in recompute(job.stream.syncs[-1][1] if job.stream.syncs else None, 0).items():
            if facts and first not in named and job.owed(facts):
                what = f"Readings {first} to {facts['last']} {where} show the lid closed ({facts['verdict']})"
                texts.append((0, f"{what}, and no verdict stands on them."))
    except (ValueError, KeyError, TypeError, IndexError) as problem:
        what = f"Pages with readings {job.pages[0].first} to {job.pages[-1].last} {where}"
        texts.append((0, f"{what} are not as the format says ({problem!r})."))
    return Outcome(agreed, texts, lacks)


# --- 5. The bundle ----------------------------------------------------------------------------------------------------

TABLE_HEAD = (
    "record,basin,stream,first,last,closing_utc,clock_synced,closed_ms,credited_ms,min_mc,max_mc,contact_ms,"
    "coldest_mc,allowance_mc,verdict,findings"
)
TOPICS = ("files", "chain", "pages", "verdicts", "table", "documents")
LIMITS = """
What this does not show: that a thing happened as a record says (the chain shows that nothing was changed after it was
recorded); that a device was wholly under and its channels filled (that is declared); that the whole chain was not made
anew (compare its head with one on paper: --head COUNT:HASH). Not compared: texts and figures of findings (their codes
are), superseded verdicts, alarms, closures that are running, and whether people's records followed the program's rules.
"""


class Bundle:
    """An unpacked bundle while it is checked."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.manifest = folder, load(folder / "manifest.json")
        if self.manifest.get("format") != 1:
            told = f"This bundle has format {self.manifest.get('format')}; this checker knows 1."
            raise BundleError(f"{told} Use a newer one.")
        self.wrongs: dict[str, list[str]] = {topic: [] for topic in TOPICS}
        self.told: dict[str, str] = {}
        self.notes: list[str] = []
        self.shown = {**load(folder / "profiles.json"), **load(folder / "checks.json")}
        kinds = {"fill", "profile", "sensor-check", "bottle", "strip-bottle", "mec-test", "thermometer", *self.shown}
        self.ledger = Ledger(self.manifest, kinds, self.wrong)
        self.here: dict[tuple[str, int], Page] = {}

    def wrong(self, topic: str, text: str) -> None:
        """Something disagrees."""
        self.wrongs[topic].append(text)

    def check(self, heads: list[tuple[int, str]], processes: int) -> None:
        """Check everything."""
        names = sorted(path.relative_to(self.folder).as_posix() for path in self.folder.rglob("*") if path.is_file())
        names.remove("manifest.json")
        with multiprocessing.Pool(processes) if processes > 1 else nullcontext() as pool:
            spread = pool.imap if pool else map
            scanned = spread(scan, [(self.folder, name) for name in names])
            self.ledger.walk(self.folder / "ledger.jsonl", {number for number, _ in heads})
            files = list(scanned)
            self.check_files(files)
            self.check_chain(heads)
            self.check_pages(page for _, _, _, pages in files for page in pages)
            del files
            self.check_verdicts(spread(work, self.jobs()))
        self.check_table()
        self.check_documents()

    def check_files(self, files: list[tuple[str, int, str, list[Page]]]) -> None:
        """Sizes and digests; none missing, none added."""
        listed = self.manifest["files"]
        for name, size, digest, _ in files:
            if name not in listed:
                self.wrong("files", f"{name} is not in the manifest: it was added or renamed.")
            elif (size, digest) != (listed[name]["bytes"], listed[name]["sha256"]):
                self.wrong("files", f"{name} has {size} bytes and the SHA-256 {digest}: not those in the manifest.")
            if name.startswith("pictures/") and digest != Path(name).stem:
                self.wrong("files", f"{name} has the SHA-256 {digest}, not the one it is named after.")
        for name in sorted(set(listed) - {name for name, _, _, _ in files}):
            self.wrong("files", f"{name} is missing.")
        for one in self.manifest.get("missing", ()):
            self.wrong("files", f"The bundle was incomplete when it was made: {one['text']}")
        self.told["files"] = f"{len(files)} files, of the size and SHA-256 in the manifest; none missing, none added."

    def check_chain(self, heads: list[tuple[int, str]]) -> None:
        """The head of the chain, and those printed on paper."""
        ledger, head = self.ledger, (self.manifest["head"]["records"], self.manifest["head"]["hash"])
        if (ledger.number, ledger.hash) != head:
            told = f"The chain ends with record {ledger.number} and hash {ledger.hash}"
            self.wrong("chain", f"{told}; the manifest says {head[0]} and {head[1]}.")
        if ledger.site_name not in (None, self.manifest["site_name"]):
            self.wrong(
                "chain", f"The site is called {ledger.site_name}, not {self.manifest['site_name']} as in the manifest."
            )
        for number, digest in heads:
            if ledger.hashes.get(number) != digest:
                found = f"has the hash {ledger.hashes[number]}" if number in ledger.hashes else "is not here"
                self.wrong("chain", f"Record {number} {found}; the paper says {digest}.")
        paper = "".join(f" Record {number} is as on paper." for number, _ in heads)
        self.told["chain"] = f"{ledger.number} records, each with the hash of the one before.{paper}"

    def check_pages(self, pages: Iterable[Page]) -> None:
        """Every page here is one that a record tells of, unchanged."""
        several = self.ledger.pages
        records = {(stream, one[0]): one for stream in several for one in several[stream]}
        for page in pages:
            what = f"{page.file}, byte {page.offset}: readings {page.first} to {page.last} of stream {page.stream}"
            _, last, digest, number = records.get((page.stream, page.first), (0, 0, "", 0))
            if page.stream is None:
                self.wrong("pages", f"{page.file}, byte {page.offset}: this line is no page.")
            elif not number:
                self.wrong("pages", f"{what}: no record tells of this page.")
            elif (page.last, page.sha256) != (last, digest):
                self.wrong("pages", f"{what} give {page.sha256}; record {number} says {digest}, to reading {last}.")
            elif (page.stream, page.first) in self.here:
                self.wrong("pages", f"{what}: this page is here twice.")
            else:
                stream = sys.intern(page.stream)  # a year has many pages
                self.here[stream, page.first] = page._replace(stream=stream, file=sys.intern(page.file), sha256="")
        for stream, ordered in several.items():
            ordered.sort()
            for one, other in zip(ordered, ordered[1:]):
                if one[1] >= other[0]:
                    self.wrong(
                        "pages", f"Records {one[3]} and {other[3]} tell of the same readings of stream {stream}."
                    )
        self.told["pages"] = f"{len(self.here)} pages, as their records say; the ledger tells of {len(records)}."

    def jobs(self) -> Iterator[Job]:
        """Pages that follow each other, in portions, with their verdicts."""
        ledger = self.ledger
        timeline = lru_cache(None)(ledger.timeline)
        by_stream = defaultdict(list)
        for verdict in sorted(ledger.verdicts.values(), key=lambda verdict: verdict.first):
            by_stream[verdict.stream].append(verdict)
        for name, verdicts in by_stream.items():
            for one, other in zip(verdicts, verdicts[1:]):
                if one.last >= other.first:
                    told = f"Records {one.number} and {other.number} judge the same readings of stream {name}."
                    self.wrong("verdicts", told)
        for name in sorted(set(ledger.pages) & set(ledger.streams)):
            about = ledger.streams[name]
            basin, syncs = about["basin"], ledger.syncs[about["basin"].split("/")[0], about["boot"]]
            over = any(one["basin"] == basin and one["stream"] != name for one in ledger.streams.values())
            stream = Stream(self.folder, name, over, ledger.lost[name], timeline(basin), syncs)
            firsts = [verdict.first for verdict in by_stream[name]]
            for pages, following, whole, final in self.portions(name):
                begin, end = bisect_left(firsts, pages[0].first), bisect_right(firsts, pages[-1].last)
                yield Job(stream, pages, following, whole, final, by_stream[name][begin:end])

    def portions(self, stream: str) -> Iterator[tuple[list[Page], list[Page], bool, bool]]:
        """Pages that follow each other: parted where one is not here, and, to share out the work, at openings."""
        taken: list[Page] = []
        whole = True
        for first, *_ in self.ledger.pages[stream]:
            page = self.here.get((stream, first))
            split = page and len(taken) >= PAGES_AT_ONCE and page.begins_open and first == taken[-1].last + 1
            if taken and (split or not page):
                yield taken, [page] if page else [], whole, False
                taken, whole = [], True
            if page:
                taken.append(page)
            else:
                whole = False
        if taken:
            yield taken, [], whole, True

    def absent(self, verdict: Verdict) -> str | None:
        """What a verdict rests on that is not here: words, if that is wrong; "": readings that are on no page yet."""
        pages, lost = self.ledger.pages[verdict.stream], self.ledger.lost[verdict.stream]
        unsealed = [
            (one["first"], one["last"]) for one in self.manifest.get("unsealed", ()) if one["stream"] == verdict.stream
        ]
        sealed = [(page[0], page[1]) for page in pages]
        for begin, end in outside(verdict.first, verdict.last, sealed + lost):
            listed = outside(begin, end, unsealed) != [(begin, end)]  # some of them; others may lie outside the range
            return "" if listed else f"it rests on readings {begin} to {end}, which are on no page"
        after = verdict.last + 1  # the reading that ended it
        if verdict.opening in ("seen", "gap") and outside(after, after, sealed + lost):
            return ""
        if verdict.opening == "lost" and not any(end > after for _, end in sealed):
            return ""
        begin = bisect_right(sealed, (verdict.first - 1, 0)) - 1
        end = bisect_right(sealed, (verdict.last + 2, 0)) + (verdict.opening == "lost")
        missing = [page for page in pages[max(0, begin) : end] if (verdict.stream, page[0]) not in self.here]
        these = ", ".join(f"that of record {number}, readings {first} to {end}" for first, end, _, number in missing)
        return f"pages that it needs are missing: {these}" if missing else None

    def check_verdicts(self, outcomes: Iterable[Outcome]) -> None:
        """Every verdict recomputed, and none missing."""
        agreed: set[int] = set()
        texts: dict[int, str] = {}
        lacks: dict[str, int] = defaultdict(int)
        for outcome in outcomes:
            agreed.update(outcome.agreed)
            texts.update((number, text) for number, text in outcome.wrong if number)
            for text in (text for number, text in outcome.wrong if not number):
                self.wrong("verdicts", text)
            for name in outcome.lacking:
                lacks[name] += 1
        standing, unsealed = self.ledger.verdicts, 0
        for number, verdict in standing.items():
            absent = None if number in agreed else self.absent(verdict)
            if verdict.due and absent:
                self.wrong("verdicts", f"Record {number}, a verdict on stream {verdict.stream}: {absent}.")
            elif absent is None and number not in agreed and (verdict.due or number in texts):
                self.wrong(
                    "verdicts", texts.get(number, f"Record {number}: nothing to recompute this verdict from is here.")
                )
            unsealed += verdict.due and absent == ""
        due = sum(verdict.due for verdict in standing.values())
        self.told["verdicts"] = f"{len(agreed)} recomputed from the readings; {due} are in the range of the bundle."
        if not due:
            self.notes.append("There is nothing in the range of this bundle: no verdict touches it.")
        rest, superseded = len(standing) - len(agreed), self.ledger.superseded
        self.notes.append(f"{rest} other standing verdicts and {superseded} superseded ones: checked as records only.")
        if unsealed:
            self.notes.append(
                f"{unsealed} verdicts in the range rest on readings that are on no page yet: not recomputed."
            )
        for one in self.manifest.get("unsealed", ()):
            self.notes.append(f"{one['readings']} readings of basin {one['basin']} in the range are on no page yet.")
        for name, times_lacking in sorted(lacks.items()):
            self.notes.append(f"{times_lacking} verdicts of an older version do not say {name}: not compared.")

    def check_table(self) -> None:
        """verdicts.csv has a row of every verdict in the range, as its record says."""
        wanted = {str(one.number): self.row(one) for one in self.ledger.verdicts.values() if one.due}
        with (self.folder / "verdicts.csv").open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
        self.told["table"] = f"verdicts.csv has {len(wanted)} rows, as their records say."
        for index, row in enumerate(rows or [[]]):
            right = wanted.pop(row[0], None) if row and index else None if index else TABLE_HEAD.split(",")
            if row != right:
                self.wrong("table", f"verdicts.csv, row {index + 1} is {row}; by the records it should be {right}.")
        for number in wanted:
            self.wrong("table", f"verdicts.csv lacks the verdict in record {number}.")

    def row(self, verdict: Verdict) -> list[str]:
        """A verdict's row."""
        body = json.loads(verdict.body)
        kept, basin = body["closure"], self.ledger.streams.get(verdict.stream, {}).get("basin")
        limits = [(kept.get("requirement") or {}).get(name) for name in ("min_mc", "max_mc", "contact_ms")]
        row = [verdict.number, basin, verdict.stream, kept["first"], kept["last"], utc_text(body["closing_utc_ms"])]
        row += ["yes" if body["clock_synced"] else "no", kept["last_ms"] - kept["closing_ms"], kept["credited_ms"]]
        row += [*limits, kept.get("coldest_mc"), kept.get("allowance_mc"), kept["verdict"]]
        row.append(" ".join(finding["code"] for finding in kept.get("findings", ())))
        return ["" if value is None else str(value) for value in row]

    def check_documents(self) -> None:
        """Profiles, checks and pictures are those that the records make and name."""
        for kind, made in self.ledger.documents.items():
            shown = self.shown.get(kind, {})
            for name in sorted(set(made) | set(shown)):
                if made.get(name) != shown.get(name):
                    self.wrong("documents", f"{kind} {name} is not shown as the records make it.")
        self.told["documents"] = "profiles.json and checks.json show what the records make; no picture is missing."
        present = {path.stem for path in self.folder.glob("pictures/*")}
        excused = json.dumps(self.manifest.get("missing"))
        for digest, number in self.ledger.pictures.items():
            if digest not in present and digest not in excused:
                self.wrong("documents", f"Record {number} names the picture {digest}, which is not here.")

    def answer(self) -> str:
        """All of it in plain words."""
        lines = []
        for topic in TOPICS:
            lines += [f"DISAGREES  {topic}: {text}" for text in self.wrongs[topic]]
            lines += [] if self.wrongs[topic] else [f"agrees     {topic}: {self.told[topic]}"]
        lines += [f"note       {text}" for text in self.notes]
        number = sum(map(len, self.wrongs.values()))
        return "\n".join(
            [
                *lines,
                "",
                f"Result: {number} disagreement{'s' * (number > 1)}." if number else "Result: everything agrees.",
            ]
        )


def outside(first: int, last: int, ranges: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """The parts of a range of numbers that none of the ranges holds."""
    left = []
    for begin, end in sorted(ranges):
        if first < begin and first <= last:
            left.append((first, min(begin - 1, last)))
        first = max(first, end + 1)
    return left + [(first, last)] * (first <= last)


def load(path: Path) -> dict[str, Any]:
    """A JSON file of the bundle."""
    try:
        value = json.loads(path.read_bytes())
    except (OSError, ValueError) as problem:
        raise BundleError(f"{path.name} cannot be read ({problem}). Unpack the whole bundle again.") from None
    if not isinstance(value, dict):
        raise BundleError(f"{path.name} is not as it should be.")
    return value


def head(text: str) -> tuple[int, str]:
    """COUNT:HASH as a paper prints it."""
    number, _, digest = text.partition(":")
    if not number.isdecimal() or not re.fullmatch("[0-9a-f]{64}", digest.lower()):
        raise argparse.ArgumentTypeError("a count, a colon and 64 hexadecimal digits are needed, as on the paper")
    return int(number), digest.lower()


def main() -> int:
    """Check a bundle; the top of this file tells the exit status."""
    parser = argparse.ArgumentParser(description="Check a Soakledger bundle without Soakledger.")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent, help="the unpacked bundle")
    parser.add_argument("--head", action="append", type=head, default=[], metavar="COUNT:HASH", help="from a paper")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes at once (default: all cores)")
    asked = parser.parse_args()
    try:
        bundle = Bundle(asked.folder)
        manifest = bundle.manifest
        span = f"{utc_text(manifest['from_ms'])} to before {utc_text(manifest['to_ms'])}"
        bundle.check(asked.head, asked.jobs)
        sys.stdout.write(f"{manifest['site_name']}, {span}, bundle made by {manifest['software']}\n\n")
    except (BundleError, OSError, LookupError, ValueError, TypeError, AttributeError, RecursionError) as problem:
        told = problem if isinstance(problem, (BundleError, OSError)) else f"it is not as formats.md says ({problem!r})"
        sys.stdout.write(f"CANNOT BE CHECKED: {told}\n")
        return 2
    sys.stdout.write(f"{bundle.answer()}\n{LIMITS}")
    return 1 if any(bundle.wrongs.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
