"""verify.py, the checker in every bundle: its rule against every vector and `soak`, and bundles tampered with."""

from __future__ import annotations

import ast
import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest
from handmade import BOOTED_MS, HOUR_MS, SENSORS, VERIFY, change, handmade, listed_again
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from meterside import as_result, metered
from oracle import Force, Row
from streams import Case, cases

spec = importlib.util.spec_from_file_location("bundle_checker", VERIFY)
assert spec
assert spec.loader
checker = importlib.util.module_from_spec(spec)
sys.modules["bundle_checker"] = checker
spec.loader.exec_module(checker)

VECTORS = json.loads((VERIFY.parents[2] / "soak" / "vectors.json").read_text("utf-8"))["vectors"]


# --- Its rule


def terms_of(force: Force) -> Any:
    if not force.need:
        return None
    need, sensors = force.need, {name: (one.correction_mc, one.u_mc) for name, one in force.sensors.items()}
    return checker.Terms(need.min_mc, need.max_mc, need.contact_ms, need.max_gap_ms, sensors)


def pieces(rows: list[Row]) -> list[Any]:
    """Rows as the checker takes them from pages: a piece for each run of consecutive numbers."""
    made = []
    for _, run in groupby(enumerate(rows), lambda pair: pair[1].number - pair[0]):
        several = [row for _, row in run]
        lids = [
            ("closed" if closed else "open", len(list(part))) for closed, part in groupby(row.closed for row in several)
        ]
        temps = {name: [row.mc.get(name) for row in several] for name in several[0].mc}
        times = [row.ms for row in several]
        made.append(checker.Piece(several[0].number, times, lids, temps, [(0, 0, 0, True)], []))
    return made


def judged(rows: list[Row], line: list[tuple[int, Any]], newer_stream: bool) -> list[dict[str, Any]]:
    """What the checker says; `line` tells from which time on which terms are in force."""

    def in_force(spans: list[list[int]]) -> list[Any]:
        several = []
        for begin, end in spans:
            since = max(start for start, _ in line if start <= begin)
            several += [terms for start, terms in line if start == since or begin < start <= end]
        return several

    closures = checker.Watch(in_force, lambda ms, _anchor: ms).closures(pieces(rows))
    return [checker.judge(closure, newer_stream) for closure in closures]


def vector_rows(vector: dict[str, Any]) -> list[Row]:
    names = [sensor["id"] for sensor in vector["sensors"]]
    held = min((first for first, _ in vector.get("held", ())), default=10**9)
    by_number = {number: (ms, lid, mc) for number, ms, lid, *mc in vector["readings"] if number < held}
    return [
        Row(n, ms, lid == "closed", dict(zip(names, mc, strict=True))) for n, (ms, lid, mc) in sorted(by_number.items())
    ]


def vector_terms(said: dict[str, Any]) -> Any:
    need = said["requirement"]
    sensors = {one["id"]: (one["correction_mc"], one["u_mc"]) for one in said["sensors"]}
    return need and checker.Terms(need["min_mc"], need["max_mc"], need["contact_ms"], need["max_gap_ms"], sensors)


@pytest.mark.parametrize("vector", VECTORS, ids=[vector["name"] for vector in VECTORS])
def test_it_passes_every_vector(vector: dict[str, Any]) -> None:
    rows = vector_rows(vector)
    line = [(-(10**9), vector_terms(vector))]
    for said in vector.get("changes", ()):
        # Set just before a reading is taken; where that one is lost, as many ms after the one before as it is later.
        before = max((row for row in rows if row.number <= said["before_number"]), key=lambda row: row.number)
        line.append((before.ms + said["before_number"] - before.number, vector_terms(said)))
    results = judged(rows, line, vector["newer_stream"])
    for facts in results:
        facts["closed_ms"] = facts["last_ms"] - facts["closing_ms"]
        facts["closing_seen"], facts["opening_seen"] = facts["closing_edge"] == "seen", facts["opening_edge"] == "seen"
        facts["running"], facts["findings"] = facts["opening_edge"] == "", sorted(facts["findings"])
    assert [{name: facts[name] for name in vector["closures"][0]} for facts in results] == vector["closures"]


def same_words(facts: dict[str, Any]) -> dict[str, Any]:
    """The checker's facts in the oracle's words."""
    names = (
        "first",
        "last",
        "opening_ms",
        "credited_ms",
        "verdict",
        "coldest_mc",
        "hottest_mc",
        "allowance_mc",
        "known",
    )
    more = ("sensor_allowances_mc", "out_ms", "unknown_ms", "not_out_ms", "not_out_unlimited", "met_without_u")
    return {
        **{name: facts[name] for name in names + more},
        "closing_seen": facts["closing_edge"] == "seen",
        "opening_seen": facts["opening_edge"] == "seen",
        "running": facts["opening_edge"] == "",
        "closed_ms": facts["last_ms"] - facts["closing_ms"],
        "codes": frozenset(facts["findings"]),
    }


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(cases(most=30))
def test_it_agrees_with_the_program_on_random_streams(case: Case) -> None:
    """In every field, near every limit, with faults, gaps, losses, one to three sensors, with and without a maximum."""
    expected = [vars(as_result(closure)) for closure in metered(case.rows, case.force, case.newer_stream)]
    assert [
        same_words(facts) for facts in judged(case.rows, [(-1, terms_of(case.force))], case.newer_stream)
    ] == expected


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(cases(most=30), st.lists(st.tuples(st.integers(1, 30), st.sampled_from([0, 600, None])), max_size=4))
def test_it_agrees_with_the_program_when_the_requirement_changes(
    case: Case, changes: list[tuple[int, int | None]]
) -> None:
    """After a loss the strictest of all since the lid was last seen open judges."""
    rows = case.rows
    at: dict[int, Force] = {}
    for place, more in changes:
        need = None if more is None else replace(case.need, contact_ms=case.need.contact_ms + more)
        sensors = {name: replace(one, u_mc=one.u_mc + (more or 0)) for name, one in case.force.sensors.items()}
        at[rows[place % len(rows)].number] = Force(need, sensors)

    def force_at(number: int) -> Force:
        since = max((start for start in at if start <= number), default=0)
        return at.get(since, case.force)

    line = [(-1, terms_of(case.force))]
    line += [(row.ms, terms_of(at[row.number])) for row in rows if row.number in at]
    expected = [vars(as_result(closure)) for closure in metered(rows, force_at, case.newer_stream)]
    assert [same_words(facts) for facts in judged(rows, line, case.newer_stream)] == expected


def test_after_a_loss_what_was_in_force_before_the_clock_went_back_counts_too() -> None:
    """By the dates after it, the strict requirement has not begun yet; but it was in force while the lid was closed."""
    easy = checker.Terms(20_000, None, 5_000, 5_000, {"s": (0, 0)})
    strict = easy._replace(min_mc=22_000)
    clock = [(0, 0, 0, True), (6, 0, -HOUR_MS, True)]  # an hour back at reading 7
    warm = {"s": [21_000] * 10}
    before = checker.Piece(1, [1_000 * n for n in range(1, 11)], [("open", 1), ("closed", 9)], warm, clock, [])
    later = [(0, 0, -HOUR_MS, True)]
    after = checker.Piece(12, [1_000 * n for n in range(12, 22)], [("closed", 10)], warm, later, [])

    def in_force(spans: list[list[int]]) -> list[Any]:
        line = ((-(10**15), 4_000, easy), (4_000, 10**15, strict))
        return [terms for begin, end in spans for since, until, terms in line if since <= end and begin < until]

    def date(ms: int, anchor: Any) -> int:
        return int(ms + anchor[2] - anchor[1])

    first, second = checker.Watch(in_force, date).closures([before, after])
    assert (first.closing, first.terms) == ("seen", easy)
    assert (second.closing, second.terms) == ("lost", strict)


# --- Formats


def test_times_of_a_page_are_kept_on_a_grid_since_format_2() -> None:
    assert checker.times([20_000, 3, -500, -2], 2) == [20_000, 21_003, 21_500, 22_998]
    assert checker.times([20_000, 3, -2], 3) == [20_000, 21_003, 21_998]
    assert checker.times([20_000, 1_003, 497], 1) == [20_000, 21_003, 21_500]


def test_columns_are_lists_or_letters() -> None:
    assert checker.temperatures_of({"letters": "aab-c", "values": [20_000, 20_062, 20_125]}, 5) == [
        *(20_000, 20_000, 20_062, None, 20_125)
    ]
    assert checker.temperatures_of([None, 20_000, 62, None, -1], 5) == [None, 20_000, 20_062, None, 20_061]
    with pytest.raises(ValueError, match="too long or too short"):
        checker.column([1, 2], 3)


def test_dates_are_rfc_3339() -> None:
    assert checker.utc_ms("2026-03-02T09:14:07.2509Z") == 1_772_442_847_250
    assert checker.utc_ms("2026-03-02T10:14:07+01:00") == checker.utc_ms("2026-03-02T09:14:07Z")
    assert checker.utc_text(1_772_442_847_250) == "2026-03-02T09:14:07.250Z"


def test_canonical_json_orders_keys_by_utf_16() -> None:
    """An astral character sorts before U+FB33, as in RFC 8785, section 3.2.3."""
    assert checker.canonical({"\ufb33": 1, "\U0001f602": [True, None], "\u20ac": "\x0f\n\u20ac"}) == (
        '{"\u20ac":"\\u000f\\n\u20ac","\U0001f602":[true,null],"\ufb33":1}'
    )


def test_patches_are_merged_as_rfc_7396_says() -> None:
    document = {"a": {"b": 1, "c": 2}, "d": [1]}
    assert checker.merged(document, {"a": {"b": None, "e": {"f": None}}, "d": [2]}) == {
        "a": {"c": 2, "e": {}},
        "d": [2],
    }


def test_it_is_one_file_of_the_standard_library() -> None:
    tree = ast.parse(VERIFY.read_text("utf-8"), feature_version=(3, 9))
    nodes = list(ast.walk(tree))
    names = {alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names}
    names |= {str(node.module) for node in nodes if isinstance(node, ast.ImportFrom)}
    assert {name.split(".")[0] for name in names} <= sys.stdlib_module_names


# --- Whole bundles


def checked(folder: Path, *more: str) -> tuple[int, str]:
    """Run it as an auditor does, with its own folder as the only thing it knows."""
    command = [sys.executable, "-I", "-S", str(VERIFY), str(folder), "--jobs", "1", *more]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False, cwd=folder.parent)
    assert not done.stderr, done.stderr
    return done.returncode, done.stdout


def named(folder: Path, *words: str, status: int = 1) -> None:
    """It ends with this status and one line of its answer has all these words."""
    code, answer = checked(folder)
    assert code == status, answer
    lines = [line for line in answer.splitlines() if line.startswith(("DISAGREES", "CANNOT BE CHECKED"))]
    assert any(all(word in line for word in words) for line in lines), answer


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whole") / "bundle"
    handmade().write(folder)
    return folder


@pytest.fixture
def bundle(whole: Path, tmp_path: Path) -> Path:
    """A copy to be tampered with."""
    shutil.copytree(whole, tmp_path / "bundle")
    return tmp_path / "bundle"


def test_a_good_bundle_agrees(whole: Path) -> None:
    """Run from inside, without arguments. In it: the clock back an hour, a loss, faults, a fill, a sensor check."""
    done = subprocess.run(
        [sys.executable, "-I", "-S", "verify.py"], cwd=whole, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "agrees     verdicts: 7 recomputed from the readings; 7 are in the range" in done.stdout
    assert "Result: everything agrees." in done.stdout


def test_every_changed_byte_is_noticed(bundle: Path) -> None:
    """In each file, in the middle of it; and the file is named."""
    names = [path.relative_to(bundle).as_posix() for path in bundle.rglob("*") if path.is_file()]
    kept = {name: (bundle / name).read_bytes() for name in names}
    for name in names:
        content = bytearray(kept[name])
        content[len(content) // 2] ^= 0x01
        (bundle / name).write_bytes(content)
        code, answer = checked(bundle)
        assert code in (1, 2), name
        assert code == 2 or name == "manifest.json" or f"DISAGREES  files: {name} has" in answer, name
        (bundle / name).write_bytes(kept[name])
    assert checked(bundle)[0] == 0


def test_a_missing_and_an_added_file_are_named(bundle: Path) -> None:
    (bundle / "pages" / "2026-03-02.jsonl").rename(bundle / "pages" / "2026-03-03.jsonl")
    named(bundle, "files", "pages/2026-03-02.jsonl is missing")
    named(bundle, "files", "pages/2026-03-03.jsonl is not in the manifest")


@pytest.mark.parametrize("name", ["manifest.json", "ledger.jsonl", "profiles.json", "verdicts.csv"])
def test_a_bundle_without_a_file_it_rests_on_cannot_be_checked(bundle: Path, name: str) -> None:
    (bundle / name).unlink()
    named(bundle, name, status=2)


def test_a_ledger_cut_short_within_a_record_cannot_be_checked(bundle: Path) -> None:
    text = (bundle / "ledger.jsonl").read_bytes()
    (bundle / "ledger.jsonl").write_bytes(text[:-200])
    named(bundle, "what follows record 20 is no record. It is cut short or damaged.", status=2)


def test_a_ledger_cut_short_after_a_record_does_not_reach_the_head(bundle: Path) -> None:
    lines = (bundle / "ledger.jsonl").read_bytes().splitlines(keepends=True)
    (bundle / "ledger.jsonl").write_bytes(b"".join(lines[:-1]))
    listed_again(bundle)
    named(bundle, "chain", "ends with record 20", "the manifest says 21")


def test_a_file_that_is_not_unpacked_cannot_be_checked(whole: Path, tmp_path: Path) -> None:
    packed = Path(shutil.make_archive(str(tmp_path / "bundle"), "zip", whole))
    packed.write_bytes(packed.read_bytes()[:-500])
    named(packed, "manifest.json cannot be read", "Unpack the whole bundle again", status=2)


def test_pages_cut_short_are_missing(bundle: Path) -> None:
    pages = bundle / "pages" / "2026-03-02.jsonl"
    pages.write_bytes(pages.read_bytes()[:-300])
    listed_again(bundle)
    named(bundle, "pages", "this line is no page")
    named(bundle, "verdicts", "pages that it needs are missing", "readings 354 to 488")


def edited(folder: Path, edit: Callable[[list[bytes]], list[bytes]]) -> None:
    lines = (folder / "ledger.jsonl").read_bytes().splitlines(keepends=True)
    (folder / "ledger.jsonl").write_bytes(b"".join(edit(lines)))
    listed_again(folder)


def test_a_record_taken_out_is_named(bundle: Path) -> None:
    edited(bundle, lambda lines: lines[:9] + lines[10:])
    named(bundle, "chain", "After record 9 comes 11")


def test_records_in_another_order_are_named(bundle: Path) -> None:
    edited(bundle, lambda lines: [*lines[:9], lines[10], lines[9], *lines[11:]])
    named(bundle, "chain", "After record 11 comes 10")


def test_a_record_put_in_is_named(bundle: Path) -> None:
    edited(bundle, lambda lines: [*lines[:9], lines[8], *lines[9:]])
    named(bundle, "chain", "After record 9 comes 9")


def test_a_changed_record_is_named(bundle: Path) -> None:
    edited(bundle, lambda lines: [line.replace(b"Acid", b"Soap") for line in lines])
    named(bundle, "chain", "Record 5 (profile-made) says its hash is")


def test_a_body_that_could_be_read_in_two_ways_is_named(tmp_path: Path) -> None:
    made = handmade()
    made.records[0]["body"] = '{"name":"Clinic at the Mill" }'
    made.write(tmp_path / "bundle")
    named(tmp_path / "bundle", "chain", "Record 1 (site-named)", "not canonical")


def test_a_chain_made_anew_differs_from_the_paper(whole: Path, tmp_path: Path) -> None:
    """Somebody with the machine in their hands removes a record and writes all hashes again: paper alone can tell."""
    head = json.loads((whole / "manifest.json").read_text())["head"]
    paper = f"{head['records']}:{head['hash']}"
    assert checked(whole, "--head", paper)[0] == 0
    made = handmade()
    made.add("note", {"said": {}, "changes": {}}, who="tina", number=3)
    made.write(tmp_path / "bundle")
    assert checked(tmp_path / "bundle")[0] == 0
    code, answer = checked(tmp_path / "bundle", "--head", paper)
    assert code == 1
    assert f"Record {head['records']} has the hash" in answer
    code, answer = checked(whole, "--head", f"99:{head['hash']}")
    assert code == 1
    assert "Record 99 is not here" in answer


def closure(name: str, value: Any) -> Callable[[dict[str, Any]], None]:
    def alter(body: dict[str, Any]) -> None:
        body["closure"][name] = value

    return alter


@pytest.mark.parametrize(
    ("place", "name", "value"),
    [
        (1, "verdict", "met"),
        (2, "credited_ms", 60_000),
        (0, "allowance_mc", 501),
        (0, "coldest_mc", 21_001),
        (0, "sensor_allowances_mc", {SENSORS[0]: 500, SENSORS[1]: 501}),
        (3, "last", 292),
        (5, "closing_edge", "seen"),
        (4, "opening_edge", "seen"),
        (4, "opening_edge", "gap"),
        (1, "findings", []),
        (4, "requirement", {"min_mc": 20_300, "max_mc": 25_000, "contact_ms": 60_000}),
        (6, "requirement", {"min_mc": 20_000, "contact_ms": 60_000, "max_gap_ms": 6_000}),
        (5, "faults", {}),
        (5, "unknown_ms", 1),
    ],
)
def test_a_changed_verdict_is_named_though_the_chain_was_made_anew(
    tmp_path: Path, place: int, name: str, value: Any
) -> None:
    made = handmade()
    number = change(made, "closure", place, closure(name, value))
    made.write(tmp_path / "bundle")
    named(tmp_path / "bundle", "verdicts", f"Record {number}", f"{name}: the record says")


@pytest.mark.parametrize(
    ("kind", "alter"),
    [
        ("requirement", lambda body: body["requirement"].update(min_mc=19_000)),
        ("requirement", lambda body: body["sensors"][SENSORS[1]].update(u_mc=100)),
        ("profile-made", lambda body: body["changes"]["profile"]["P1"].update(contact_ms=30_000)),
        ("profile-corrected", lambda body: body["changes"]["profile"]["P1"].update(min_mc=20_000)),
        ("sensor-check-made", lambda body: body["changes"]["sensor-check"]["C1"].update(correction_mc=0)),
        ("sensor-check-made", lambda body: body["changes"]["sensor-check"]["C1"].update(void="made in error")),
        ("fill-made", lambda body: body["changes"]["fill"]["F1"].update(poured_ms=BOOTED_MS + HOUR_MS)),
    ],
)
def test_a_loosened_requirement_does_not_give_the_verdicts(
    tmp_path: Path, kind: str, alter: Callable[[dict[str, Any]], None]
) -> None:
    made = handmade()
    change(made, kind, 0, alter)
    made.write(tmp_path / "bundle")
    named(tmp_path / "bundle", "verdicts", "the record says")


@pytest.mark.parametrize(("place", "times", "status"), [(4, 1, 0), (4, 0, 0), (4, 2, 1), (0, 1, 1)])
def test_overdue_sensor_checks_are_counted(tmp_path: Path, place: int, times: int, status: int) -> None:
    """C1 no longer holds at the closing of place 4; at that of place 0 it was not made yet."""
    made = handmade()
    change(made, "sensor-check-made", 0, lambda body: body["changes"]["sensor-check"]["C1"].update(until_ms=BOOTED_MS))
    overdue = [{"code": "check-overdue", "text": "", "numbers": {}}] * times
    change(made, "closure", place, lambda body: body["closure"].setdefault("findings", []).extend(overdue))
    made.write(tmp_path / "bundle")
    code, answer = checked(tmp_path / "bundle")
    assert code == status, answer
    assert (f"findings: checks of {times} sensors overdue" in answer) == bool(status)


def test_a_check_holds_until_the_day_it_is_due_has_ended_everywhere() -> None:
    assert checker.holds_until({"due": "2026-11-25"}) == checker.utc_ms("2026-11-26T12:00:00Z") - 1
    assert checker.holds_until({"due": "2026-11-25", "until_ms": 5}) == 5
    assert checker.holds_until({}) > 10**15


def test_the_date_of_the_closing_reading_is_recomputed(tmp_path: Path) -> None:
    """It may be left out; where it stands it must be right to 10 ms."""
    made = handmade()
    said = json.loads(made.records[-1]["body"])["closing_utc_ms"]
    number = change(made, "closure", -1, lambda body: body.update(closing_read_utc_ms=said + 10))
    made.write(tmp_path / "bundle")
    assert checked(tmp_path / "bundle")[0] == 0
    change(made, "closure", -1, lambda body: body.update(closing_read_utc_ms=said + HOUR_MS))
    made.write(tmp_path / "bundle")
    named(tmp_path / "bundle", f"Record {number}", f"closing_read_utc_ms: the record says {said + HOUR_MS}")


def test_a_closed_lid_without_a_verdict_is_named(tmp_path: Path) -> None:
    made = handmade()
    kinds = [record["kind"] for record in made.records]
    del made.records[kinds.index("closure") + 1]
    made.write(tmp_path / "bundle")
    named(tmp_path / "bundle", "verdicts", "Readings 90 to 119", "no verdict stands on them")


def test_a_verdict_on_readings_with_the_lid_open_is_named(tmp_path: Path) -> None:
    made = handmade()
    number = change(made, "closure", 0, lambda body: body["closure"].update(first=2))
    made.write(tmp_path / "bundle")
    named(tmp_path / "bundle", f"Record {number}", "the readings show no closure that begins there")


def test_a_page_swapped_for_another_is_named(bundle: Path) -> None:
    """Warmer readings, with the manifest written again: the ledger has the digest of the page that was sealed."""
    pages = bundle / "pages" / "2026-03-02.jsonl"
    content = pages.read_bytes()
    pages.write_bytes(content.replace(b"[21000,0", b"[21900,0"))
    listed_again(bundle)
    named(bundle, "pages", "readings 1 to 90", "record 8 says")
    named(bundle, "verdicts", "pages that it needs are missing: that of record 8")


def test_a_page_that_no_record_tells_of_and_one_twice_are_named(bundle: Path) -> None:
    pages = bundle / "pages" / "2026-03-02.jsonl"
    first = pages.read_bytes().splitlines()[0]
    pages.write_bytes(pages.read_bytes() + first + b"\n" + first.replace(b"aaaaaaaa", b"aaaabaaa", 1) + b"\n")
    listed_again(bundle)
    named(bundle, "pages", "this page is here twice")
    named(bundle, "pages", "no record tells of this page")


def test_the_table_is_compared_with_the_records(bundle: Path) -> None:
    table = bundle / "verdicts.csv"
    table.write_bytes(table.read_bytes().replace(b"not met", b"met", 1))
    listed_again(bundle)
    named(bundle, "table", "row 3", "by the records it should be", "not met")


@pytest.mark.parametrize(("name", "kind"), [("profiles.json", "profile P1"), ("checks.json", "sensor-check C1")])
def test_documents_are_compared_with_the_records(bundle: Path, name: str, kind: str) -> None:
    text = (bundle / name).read_text()
    (bundle / name).write_text(text.replace("25000", "26000").replace("180", "18"))
    listed_again(bundle)
    named(bundle, "documents", f"{kind} is not shown as the records make it")


def test_pictures_that_records_name_must_be_here(tmp_path: Path) -> None:
    made = handmade()
    digest = "2c26b46b68ffc68ff99b453c1d30413413422d706483bfa0f98a5e886266e7ae"  # SHA-256 of "foo"
    made.add("strip-read", {"said": {"pictures": [{"strip_sha256": digest}, {"other_sha256": ""}]}}, who="tina")
    made.write(tmp_path / "bundle")
    named(tmp_path / "bundle", "documents", digest, "not here")
    made.pictures[f"{digest}.jpg"] = b"foo"
    made.write(tmp_path / "bundle")
    assert checked(tmp_path / "bundle")[0] == 0
    made.pictures[f"{digest}.jpg"] = b"bar"
    made.write(tmp_path / "bundle")
    named(tmp_path / "bundle", "files", f"pictures/{digest}.jpg has the SHA-256", "not the one it is named after")


def altered(folder: Path, **fields: Any) -> None:
    manifest = json.loads((folder / "manifest.json").read_text())
    (folder / "manifest.json").write_text(json.dumps({**manifest, **fields}))


def test_the_name_of_the_site_is_that_of_the_records(bundle: Path) -> None:
    altered(bundle, site_name="Another clinic")
    named(bundle, "chain", "The site is called Clinic at the Mill, not Another clinic")


def test_a_newer_format_cannot_be_checked(bundle: Path) -> None:
    altered(bundle, format=2)
    named(bundle, "This bundle has format 2; this checker knows 1. Use a newer one.", status=2)


def test_a_record_or_page_of_a_newer_format_cannot_be_checked(bundle: Path, tmp_path: Path) -> None:
    made = handmade()
    made.records[2]["format"] = 2
    made.write(tmp_path / "newer")
    named(tmp_path / "newer", "Record 3 has format 2", status=2)
    made = handmade()
    change(made, "page", 0, lambda body: body.update(sha256="e" * 64))
    page = made.pages[0].replace(b'"format":1', b'"format":4')
    change(made, "page", 0, lambda body: body.update(sha256=hashlib.sha256(page).hexdigest()))
    made.pages[0] = page
    made.write(tmp_path / "newer")
    named(tmp_path / "newer", "a page of format 4", status=2)


def test_what_was_missing_when_it_was_made_is_said_and_fails(bundle: Path) -> None:
    altered(bundle, missing=[{"what": "picture", "text": "Picture abc is not in the folder of pictures."}])
    named(bundle, "files", "incomplete when it was made", "Picture abc")


def test_an_empty_range_is_said_plainly(tmp_path: Path) -> None:
    made = handmade()
    made.span = (BOOTED_MS - 9 * HOUR_MS, BOOTED_MS - 8 * HOUR_MS)
    made.write(tmp_path / "bundle")
    code, answer = checked(tmp_path / "bundle")
    assert code == 0, answer
    assert "There is nothing in the range of this bundle" in answer
    assert "7 recomputed from the readings; 0 are in the range" in answer


def test_a_verdict_on_readings_that_never_were_is_named(tmp_path: Path) -> None:
    """Whatever is on no page must be listed in the manifest as not sealed yet."""
    made = handmade()
    number = change(made, "closure", -1, lambda body: body["closure"].update(first=500, last=600))
    made.write(tmp_path / "bundle")
    named(tmp_path / "bundle", f"Record {number}", "rests on readings 500 to 600, which are on no page")
    altered(
        tmp_path / "bundle", unsealed=[{"basin": "n1/b1", "stream": "a" * 32, "first": 500, "last": 601, "readings": 2}]
    )
    code, answer = checked(tmp_path / "bundle")
    assert code == 1, "the lid was closed at reading 419, without a verdict now"
    assert "1 verdicts in the range rest on readings that are on no page yet" in answer


def test_two_verdicts_on_the_same_readings_are_named(tmp_path: Path) -> None:
    made = handmade()
    made.records.append(made.records[-1])
    made.write(tmp_path / "bundle")
    named(tmp_path / "bundle", "verdicts", "judge the same readings")


def test_a_superseded_verdict_no_longer_counts(tmp_path: Path) -> None:
    made = handmade()
    number = change(made, "closure", 0, closure("verdict", "not met"))
    made.records.append(handmade().records[number - 1])
    change(made, "closure", -1, lambda body: body.update(supersedes=[number]))
    made.write(tmp_path / "bundle")
    text = (tmp_path / "bundle" / "verdicts.csv").read_text().splitlines()
    (tmp_path / "bundle" / "verdicts.csv").write_text("\r\n".join(line for line in text if line[:3] != f"{number},"))
    listed_again(tmp_path / "bundle")
    code, answer = checked(tmp_path / "bundle")
    assert code == 0, answer
    assert "0 other standing verdicts and 1 superseded ones" in answer


@pytest.mark.skipif(os.cpu_count() == 1, reason="one core")
def test_the_answer_is_the_same_with_more_processes(whole: Path) -> None:
    assert checked(whole, "--jobs", "2") == checked(whole)
