"""A small bundle, made by hand as formats.md says; its verdicts come from `soak`, which the checker never sees."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import groupby, pairwise
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "soak"))  # the oracle's words stand there

import msgspec
import rfc8785
from meterside import metered
from oracle import Force, Need, Row, Terms

from soak.quantity import utc_text

VERIFY = Path(__file__).parents[2] / "collector" / "bundle" / "verify.py"
SITE = "2644b7894e1fceb718f6ca849ff63550"
BOOTED_MS = 1_772_440_000_000
HOUR_MS = 3_600_000
SENSORS = ("28-00000000000a", "28-00000000000b")
EASY = Force(Need(20_000, 60_000), {sensor: Terms(u_mc=500) for sensor in SENSORS})
STRICT = Force(Need(20_400, 60_000, 25_000), {SENSORS[0]: Terms(180, -100), SENSORS[1]: Terms(500)})
STRICT_FROM = 301
"""From this number on STRICT is in force: a fill was poured, a sensor checked."""
BACK_FROM = 416
"""From this number on the wall clock is an hour behind: by its dates EASY is in force again."""


def rows() -> list[Row]:
    """A stream with a good soak, one opened early, a cold one, faults, and numbers that are lost."""
    plan = [("open", 5, 21_000), ("closed", 80, 21_000), ("open", 4, 21_000), ("closed", 30, 21_000)]
    plan += [("open", 3, 20_000), ("closed", 90, 20_450), ("open", 6, 21_000), ("closed", 75, None)]
    plan += [("open", 20, 21_000), ("closed", 100, 21_000), ("open", 5, 21_000), ("closed", 65, 20_850)]
    plan += [("open", 5, 21_000)]
    made: list[Row] = []
    for lid, length, mc in plan:
        for place in range(length):
            number = len(made) + 1
            second = None if mc is None or place % 23 == 7 else mc + 62 * (place % 3)
            made.append(Row(number, 9_000 + number * 1_000, lid == "closed", {SENSORS[0]: mc, SENSORS[1]: second}))
    return [row for row in made if not 350 <= row.number <= 353]


def force_at(number: int) -> Force:
    return STRICT if STRICT_FROM <= number < BACK_FROM else EASY


def date_ms(row: Row) -> int:
    return BOOTED_MS + row.ms - (HOUR_MS if row.number >= BACK_FROM else 0)


def page_text(stream: str, readings: list[Row]) -> bytes:
    """A page of format 1."""
    times = [readings[0].ms] + [one.ms - other.ms for other, one in pairwise(readings)]
    columns: dict[str, list[int | None]] = {}
    for sensor in readings[0].mc:
        last, columns[sensor] = 0, []
        for row in readings:
            mc = row.mc[sensor]
            columns[sensor].append(None if mc is None else mc - last)
            last = last if mc is None else mc
    lids = [["closed" if closed else "open", len(list(run))] for closed, run in groupby(row.closed for row in readings)]
    turns = [i for i, row in enumerate(readings) if i == 0 or (row.number >= BACK_FROM > readings[i - 1].number)]
    clock = [[i, readings[i].ms, utc_text(date_ms(readings[i])), True] for i in turns]
    faults = [[i, sensor, "crc", ""] for i, row in enumerate(readings) for sensor, mc in row.mc.items() if mc is None]
    page = {"absent": {}, "clock": clock, "fault": faults, "first": readings[0].number, "format": 1, "lid": lids}
    return rfc8785.dumps({**page, "mc": columns, "ms": times, "stream": stream, "why": [["tick", len(readings)]]})


@dataclass
class Handmade:
    """Records and pages, to be written as a bundle."""

    records: list[dict[str, Any]] = field(default_factory=list)
    pages: list[bytes] = field(default_factory=list)
    span: tuple[int, int] = (BOOTED_MS - 2 * HOUR_MS, BOOTED_MS + 2 * HOUR_MS)
    pictures: dict[str, bytes] = field(default_factory=dict)

    def add(self, kind: str, body: dict[str, Any], who: str = "collector", number: int | None = None) -> None:
        record = {
            "kind": kind,
            "at_ms": BOOTED_MS,
            "who": who,
            "software": "soakledger 0.1.0",
            "reason": "",
            "format": 1,
        }
        self.records.insert(
            len(self.records) if number is None else number - 1, {**record, "body": rfc8785.dumps(body).decode()}
        )

    def add_pages(self, stream: str, readings: list[Row], ends: tuple[int, ...]) -> None:
        for _, run in groupby(readings, lambda row: (sum(row.number > end for end in ends), row.number > 350)):
            piece = list(run)
            self.pages.append(page_text(stream, piece))
            digest = hashlib.sha256(self.pages[-1]).hexdigest()
            extent = {"first": piece[0].number, "last": piece[-1].number, "sha256": digest, "kept_crc32": 1}
            self.add("page", {"stream": stream, **extent})

    def chained(self) -> list[dict[str, Any]]:
        """The records with numbers and hashes, whatever they say."""
        previous, made = "0" * 64, []
        for number, record in enumerate(self.records, 1):
            hashed = {
                **record,
                "number": number,
                "previous": previous,
                "site": SITE,
                "body": json.loads(record["body"]),
            }
            previous = hashlib.sha256(b"soakledger/record/1\n" + rfc8785.dumps(hashed)).hexdigest()
            made.append({"number": number, **record, "hash": previous})
        return made

    def write(self, folder: Path) -> None:
        """All files and the manifest."""
        shutil.rmtree(folder, ignore_errors=True)
        (folder / "pages").mkdir(parents=True)
        chain = self.chained()
        documents: dict[str, dict[str, Any]] = {}
        for record in chain:  # no patch here takes anything away or is deep
            for kind, patches in json.loads(record["body"]).get("changes", {}).items():
                for name, patch in patches.items():
                    documents.setdefault(kind, {}).setdefault(name, {}).update(patch)
        checks = {"sensor-check": documents.pop("sensor-check", {})}
        lines = [json.dumps(record, ensure_ascii=False) + "\n" for record in chain]
        (folder / "ledger.jsonl").write_text("".join(lines), encoding="utf-8")
        (folder / "pages" / "2026-03-02.jsonl").write_bytes(b"".join(page + b"\n" for page in self.pages))
        (folder / "profiles.json").write_text(json.dumps(documents))
        (folder / "checks.json").write_text(json.dumps(checks))
        (folder / "verdicts.csv").write_bytes(self.table(chain).encode())
        shutil.copy(VERIFY, folder / "verify.py")
        for name, content in self.pictures.items():
            (folder / "pictures").mkdir(exist_ok=True)
            (folder / "pictures" / name).write_bytes(content)
        head = {"records": len(chain), "hash": chain[-1]["hash"]}
        about = {
            "format": 1,
            "made_ms": 0,
            "software": "soakledger 0.1.0",
            "site": SITE,
            "site_name": "Clinic at the Mill",
        }
        span = {"from_ms": self.span[0], "to_ms": self.span[1]}
        manifest = {**about, **span, "head": head, "counts": {}, "missing": [], "unsealed": []}
        (folder / "manifest.json").write_text(json.dumps({**manifest, "files": {}}))
        listed_again(folder)

    def table(self, chain: list[dict[str, Any]]) -> str:
        text = io.StringIO()
        names = "record,basin,stream,first,last,closing_utc,clock_synced,closed_ms,credited_ms,min_mc,max_mc,contact_ms"
        text.write(f"{names},coldest_mc,allowance_mc,verdict,findings\r\n")
        for record in chain:
            body = json.loads(record["body"])
            if record["kind"] != "closure" or not self.span[0] <= body["closing_utc_ms"] < self.span[1]:
                continue
            kept = body["closure"]
            row = [
                record["number"],
                "n1/b1",
                body["stream"],
                kept["first"],
                kept["last"],
                utc_text(body["closing_utc_ms"]),
            ]
            row += ["yes", kept["last_ms"] - kept["closing_ms"], kept["credited_ms"]]
            row += [kept["requirement"].get(name) for name in ("min_mc", "max_mc", "contact_ms")]
            row += [kept.get(name) for name in ("coldest_mc", "allowance_mc", "verdict")]
            csv.writer(text).writerow([*row, " ".join(one["code"] for one in kept.get("findings", ()))])
        return text.getvalue()


def listed_again(folder: Path) -> None:
    """Write the manifest's list of files as they are now."""
    manifest = json.loads((folder / "manifest.json").read_text())
    manifest["files"] = {
        path.relative_to(folder).as_posix(): {
            "bytes": path.stat().st_size,
            "sha256": hashlib.sha256(path.read_bytes()).hexdigest(),
        }
        for path in folder.rglob("*")
        if path.is_file() and path.name != "manifest.json"
    }
    (folder / "manifest.json").write_text(json.dumps(manifest))


def handmade() -> Handmade:
    """A bundle that agrees: with a loss, faults, two sensors, a fill, a check, and a clock that goes back an hour."""
    made, stream, readings = Handmade(), "a" * 32, rows()
    made.add("site-named", {"name": "Clinic at the Mill"})
    made.add("basin", {"basin": "n1/b1", "label": "Basin 1", "place": ""})
    need = {"min_mc": 20_000, "contact_ms": 60_000}
    terms = {sensor: {"u_mc": 500, "correction_mc": 0} for sensor in SENSORS}
    made.add("requirement", {"basin": "n1/b1", "since_ms": 0, "requirement": need, "sensors": terms})
    made.add("stream", {"stream": stream, "basin": "n1/b1", "boot": "9f6c"})
    # STRICT begins between two readings, while the lid is open.
    since_ms = next(date_ms(row) for row in readings if row.number == STRICT_FROM) - 500
    profile = {"id": "P1", "min_mc": 20_300, "max_mc": 25_000, "contact_ms": 60_000, "name": "Acid “one”\t\u20ac"}
    check = {"id": "C1", "sensor": SENSORS[0], "at_ms": since_ms, "u_mc": 180, "correction_mc": -100}
    fill = {"id": "F1", "basin": "n1/b1", "profile": "P1", "poured_ms": since_ms}
    for kind, thing in (("profile", profile), ("sensor-check", check), ("fill", fill)):
        made.add(f"{kind}-made", {"said": {}, "changes": {kind: {thing["id"]: thing}}}, who="tina")
    made.add_pages(stream, readings, (90, 210, 290))
    made.add("lost", {"stream": stream, "first": 350, "last": 353, "noticed_ms": BOOTED_MS})
    made.add("profile-corrected", {"said": {}, "changes": {"profile": {"P1": {"min_mc": 20_400}}}}, who="tina")
    by_number = {row.number: row for row in readings}
    closures = metered(readings, force_at)
    for closure in closures:
        after = min(number for number in by_number if number > closure.last)
        utc_ms = closure.closing_ms + date_ms(by_number[after]) - by_number[after].ms
        kept = msgspec.to_builtins(closure)
        made.add("closure", {"stream": stream, "closing_utc_ms": utc_ms, "clock_synced": True, "closure": kept})
    return made


def change(made: Handmade, kind: str, place: int, alter: Callable[[dict[str, Any]], None]) -> int:
    """Alter the body of a record of a kind; gives its number."""
    number = [i for i, record in enumerate(made.records) if record["kind"] == kind][place]
    body = json.loads(made.records[number]["body"])
    alter(body)
    made.records[number]["body"] = rfc8785.dumps(body).decode()
    return number + 1
