"""INTEGRATION.md is so: its tables, columns, queries, messages and commands."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import subprocess
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from fnmatch import fnmatch
from pathlib import Path
from typing import Any

import pagekit
import pytest
from click.testing import CliRunner
from doorkit import PASSWORD, SAM, House
from litestar.testing import TestClient
from sqlite_utils import Database

from collector import rebuild_command, verify_command
from collector.counting import soaks, stored
from collector.credentials import Kind, set_secret
from collector.record import shelf
from collector.record.book import Book
from collector.record.desk import Desk
from collector.record.things import Turn
from collector.schema import FILE_NAME, connect, migrate, migrations
from soak.quantity import utc_text
from soak.wire import Topic, decode
from tests import applications, documents
from tests.screens import furnished

ROOT = Path(__file__).parents[2]
DOCUMENT = (ROOT / "INTEGRATION.md").read_text(encoding="utf-8")
DATABASES = sorted((ROOT / "tests" / "databases").glob("*.sql"))
QUERIES = re.findall(r"^```sql\n(.+?)^```$", DOCUMENT, re.MULTILINE | re.DOTALL)
_PART = re.compile(r"^#### `(\w+)`\n(.*?)(?=^#|\Z)", re.MULTILINE | re.DOTALL)

applications.hasten()


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> House:
    """A clinic with records, people, alarms and papers; not to be written to."""
    return furnished.furnish(tmp_path_factory.mktemp("furnished") / "data")[0]


@pytest.fixture(scope="module")
def store(house: House) -> Iterator[sqlite3.Connection]:
    """Its database as the document says that it is opened."""
    with closing(sqlite3.connect(f"file:{house.data / FILE_NAME}?mode=ro", uri=True)) as connection:
        connection.row_factory = sqlite3.Row
        yield connection


@pytest.fixture(scope="module")
def api(house: House) -> Iterator[TestClient[Any]]:
    """The pages over the same data."""
    with TestClient(house.app(), base_url="http://127.0.0.1:8080") as asking:
        yield asking


def columns(connection: sqlite3.Connection) -> dict[str, list[str]]:
    """Of every table and view."""
    names = connection.execute(
        "SELECT name FROM sqlite_master WHERE type IN ('table', 'view') AND name NOT LIKE 'sqlite%'"
    )
    return {name: [row[1] for row in connection.execute(f"PRAGMA table_info({name})")] for (name,) in names.fetchall()}


def described() -> dict[str, list[str]]:
    """What the document says there is; "every column of" stands for those of another."""
    found: dict[str, list[str]] = {}
    for name, text in _PART.findall(DOCUMENT):
        found[name] = re.findall(r"^\| `(\w+)` \| \S", text, re.MULTILINE)
        for other in re.findall(r"^\| and \| every column of `(\w+)` \|$", text, re.MULTILINE):
            found[name] += re.findall(r"^\| `(\w+)` \| \S", dict(_PART.findall(DOCUMENT))[other], re.MULTILINE)
    return found


def test_every_table_view_and_column_is_described_and_every_one_described_exists() -> None:
    with closing(sqlite3.connect(":memory:")) as connection:
        migrate(Database(connection))
        there = {name: sorted(names) for name, names in columns(connection).items()}
    assert there == {name: sorted(names) for name, names in described().items()}


def test_no_view_tells_who_somebody_is(store: sqlite3.Connection) -> None:
    """Nor what anybody typed, nor which encounter: but for the ledger itself, which the document says."""
    marks = (
        "Tina",
        "tina",
        "Sam Test",
        "sam",
        "E-44",
        "E-51",
        furnished.LONG_NOTE[:20],
        "warm since noon",
        "No strips",
    )
    for view in (name for name in columns(store) if name.startswith("v1_") and name != "v1_record"):
        for row in store.execute(f"SELECT * FROM {view}"):
            told = [content for content in row if isinstance(content, str)]
            assert not [each for each in told for mark in marks if each == mark or (len(mark) > 4 and mark in each)], (
                view
            )


@pytest.mark.parametrize("query", QUERIES, ids=lambda query: query.splitlines()[0].strip("- "))
def test_every_example_query_runs_and_finds_something(store: sqlite3.Connection, query: str) -> None:
    rows = store.execute(query).fetchall()
    assert rows
    assert all(any(content is not None for content in row) for row in rows)


def test_closures_are_those_of_the_api(store: sqlite3.Connection, api: TestClient[Any]) -> None:
    told = api.get("/api/closures?limit=1000&superseded=yes").json()
    rows = {row["id"]: row for row in store.execute("SELECT * FROM v1_closure")}
    assert Counter(row["verdict"] for row in rows.values() if not row["superseded"]) == told["by_verdict"]
    assert len(rows) == len(told["closures"])
    for each in told["closures"]:
        row = rows[each["id"]]
        same = ("verdict", "credited_ms", "closed_at_ms", "closed_ms", "coldest_mc", "allowance_mc")
        assert {name: row[name] for name in same} == {name: each[name] for name in same}
        assert row["basin"] == f"{each['node']}/{each['basin']}"
        assert row["closed_at"] == utc_text(row["closed_at_ms"])
        assert row["opened_at_ms"] == each["opened_at_ms"]
        assert [one["code"] for one in json.loads(row["findings"])] == [one["code"] for one in each["findings"]]
        assert (row["contact_ms"] is None) == (each["requirement"] is None)


def test_soaks_are_the_closures_that_a_load_was_in(house: House, store: sqlite3.Connection) -> None:
    """As statistics and reports sort them out, by code that shares nothing with the view."""
    with Desk(house.data, lambda: pagekit.NOW_MS) as desk:
        book = Book.looking(desk.connection, pagekit.NOW_MS)
        basins = [(row[0], f"{row[1]}/{row[2]}") for row in store.execute("SELECT id, node, name FROM basin")]
        found = stored.found(book, basins, 0, 1 << 50, no_basin=True)
    sorted_out = soaks.sort_out(found.closures, found.loads, found.rounds, every_closing_is_a_load=False).closures
    wanted = sorted((each.closure.id, each.load) for each in sorted_out if each.load)
    assert len(wanted) >= 2
    assert wanted == sorted(map(tuple, store.execute("SELECT id, load FROM v1_soak WHERE NOT superseded")))


def test_the_soak_of_each_round_is_the_one_that_the_record_names(house: House, store: sqlite3.Connection) -> None:
    rounds = [each for each in shelf.find_all(store, Turn) if each.closure]
    assert rounds
    for each in rounds:
        rows = store.execute(
            """SELECT device, verdict FROM v1_device_soak
               WHERE turn = ? AND closure = ? AND throughout AND NOT superseded""",
            (each.id, each.closure),
        ).fetchall()
        assert [tuple(row) for row in rows] == [(each.device, "met")]
    (early,) = store.execute("SELECT verdict, throughout FROM v1_device_soak WHERE device = 'GS-03'").fetchall()
    assert tuple(early) == ("not met", 1)


@pytest.mark.parametrize(
    ("view", "kind", "mark"),
    [
        ("v1_load", "load", "ended_at IS NULL"),
        ("v1_fill", "fill", "in_basin"),
        ("v1_mec_test", "mec-test", "result IS NULL"),
        ("v1_device", "device", "in_service"),
        ("v1_alarm", "alarm", "stands"),
    ],
)
def test_there_are_as_many_things_as_the_api_says(
    store: sqlite3.Connection, api: TestClient[Any], view: str, kind: str, mark: str
) -> None:
    for query, where in (("limit=1", "1"), ("limit=1&open=yes", mark)):
        told = api.get(f"/api/things/{kind}?{query}").json()
        assert told["total"] == store.execute(f"SELECT count(*) FROM {view} WHERE {where}").fetchone()[0]


def test_the_ledger_ends_where_the_api_says(store: sqlite3.Connection, api: TestClient[Any]) -> None:
    head = api.get("/api/ledger/head").json()
    row = store.execute("SELECT number, hash FROM v1_record ORDER BY number DESC LIMIT 1").fetchone()
    assert tuple(row) == (head["records"], head["hash"])


@pytest.mark.parametrize("database", DATABASES, ids=lambda path: path.stem)
def test_every_older_database_gets_the_views_and_still_holds(tmp_path: Path, database: Path) -> None:
    connection = sqlite3.connect(tmp_path / FILE_NAME)
    connection.executescript(database.read_text(encoding="utf-8"))
    connection.close()
    db = connect(tmp_path / FILE_NAME)
    migrate(db)
    assert not migrations.pending(db)
    standing = db.conn.execute("SELECT verdict, credited_ms FROM v1_closure WHERE NOT superseded").fetchall()
    assert standing == [("met", 720_000)]
    before = db.conn.execute("SELECT * FROM v1_closure").fetchall()
    db.close()
    for command in (verify_command.command, rebuild_command.command):
        result = CliRunner().invoke(command, ["--data", str(tmp_path)])
        assert result.exit_code == 0, result.output
    with closing(sqlite3.connect(f"file:{tmp_path / FILE_NAME}?mode=ro", uri=True)) as other:
        assert other.execute("SELECT * FROM v1_closure").fetchall() == before


def test_a_query_of_a_year_begins_with_the_loads(store: sqlite3.Connection) -> None:
    """The other way round each closure looks through every load: minutes instead of a second."""
    for view in ("v1_soak", "v1_device_soak"):
        plan = [row["detail"] for row in store.execute(f"EXPLAIN QUERY PLAN SELECT * FROM {view}")]
        assert plan[0].startswith("SEARCH t USING"), plan
        assert "(closing_utc_ms>? AND closing_utc_ms<?)" in plan[1], plan


# Messages, commands, what is made from the program


def test_what_is_made_from_the_program_is_up_to_date() -> None:
    """If not: python -m tests.documents."""
    for name in documents.WITH_BLOCKS:
        text = (ROOT / name).read_text(encoding="utf-8")
        assert text == documents.filled(text), name


def test_the_example_messages_are_ones_that_are_understood() -> None:
    """Golden ones of a release, each under its topic."""
    examples = re.findall(r"^<!-- example ([\w-]+) -->\n```json\n(.+?)^```$", DOCUMENT, re.MULTILINE | re.DOTALL)
    assert len(examples) == 4
    for name, text in examples:
        topic = Topic(name.partition("-")[0])
        assert json.loads(text) == json.loads(documents.golden(name).read_text())
        decode(topic, text.encode())


def test_the_topics_are_those_of_the_published_wire() -> None:
    published = json.loads((ROOT / "soak" / "asyncapi.json").read_text())["channels"].values()
    named = set(re.findall(r"^\| `(soakledger/1/<node>/\w+)` \|", DOCUMENT, re.MULTILINE))
    assert named == {each["address"].replace("{node}", "<node>") for each in published}


def test_the_addresses_that_are_named_are_those_of_the_api(api: TestClient[Any]) -> None:
    """In capitals and in braces stands what is to be filled in."""
    paths = [re.sub(r"\{\w+\}", "*", each) for each in api.get("/schema/openapi.json").json()["paths"]]
    for address in set(re.findall(r"(?<![\w.])/api/[\w/{}.-]+", DOCUMENT)):
        asked = re.sub(r"\{\w+\}|[A-Z]+|(?<=/)n1(?=/)|(?<=/)b1(?=/)", "*", address.rstrip("."))
        assert [each for each in paths if fnmatch(each, asked)], f"{address} is no address of the API"


def test_the_commands_for_a_script_run_as_they_stand(house: House, tmp_path: Path) -> None:
    """curl against a real server: signs in, asks, records, signs out."""
    ((script,),) = (re.findall(r"```sh\n(.+?)```", block, re.DOTALL) for block in documents.blocks(DOCUMENT, "run"))
    data = tmp_path / "data"
    shutil.copytree(house.data, data)
    db = connect(data / FILE_NAME)
    set_secret(db.conn, SAM, Kind.PASSWORD, PASSWORD)
    db.close()
    (tmp_path / "sign-in.json").write_text(json.dumps({"person": SAM, "password": PASSWORD}))
    with pagekit.serving(data, house.played, real_now_ms=lambda: house.now_ms) as address:
        done = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", script],
            cwd=tmp_path,
            check=False,
            env={"PATH": "/usr/bin:/bin", "SITE": address, "CA": "/dev/null"},
            capture_output=True,
            text=True,
            timeout=60,
        )
    assert done.returncode == 0, done.stdout + done.stderr
    answers = _split(done.stdout)
    signed_in, basins, closures, recorded, signed_out = answers
    assert signed_in["person"]["id"] == SAM
    assert len(basins["basins"]) == 5
    assert {each["verdict"] for each in closures["closures"]} == {"not met"}
    assert recorded["kind"] == "handover"
    assert signed_out["person"] is None
    assert (tmp_path / "readings.csv").read_text().startswith("number,time,lid,temp_c")
    assert not (tmp_path / "session.txt").exists()
    assert (tmp_path / "sign-in.json").exists()


def _split(text: str) -> list[Any]:
    """JSON documents one after another."""
    found, decoder = [], json.JSONDecoder()
    while text:
        document, end = decoder.raw_decode(text)
        found.append(document)
        text = text[end:].lstrip()
    return found
