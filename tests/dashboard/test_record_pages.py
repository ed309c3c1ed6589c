"""The pages of the record over a morning of real deeds: what they show, what they say when there is nothing, bounds."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pagekit
import pytest
import recorded
from doorkit import OLGA, PEOPLE, House
from litestar import Litestar
from litestar.testing import TestClient
from pagekit import NOW_MS

from collector import ledger
from collector.record import shelf
from collector.record.desk import Desk
from collector.record.patch import difference
from collector.record.things import Device, Handover, Load, LookBack, MecTest, Quarantine, Thing, Turn
from collector.schema import FILE_NAME, connect
from dashboard.app import build_app
from dashboard.record_query import PER_PAGE

Client = TestClient[Litestar]


def asking(data: Path) -> Client:
    """An application over a data folder, at 13:18, as an auditor sees it."""
    app = build_app(data, rehearsal=pagekit.rehearsal(), when=pagekit.WHEN)
    return TestClient(pagekit.seen_by(app, PEOPLE[OLGA]), base_url="http://127.0.0.1")


EMPTY = (
    ("/solutions", "No fill is recorded in any basin"),
    ("/solutions", "No solution profile yet"),
    ("/solutions", "No bottle is recorded."),
    ("/solutions", "No strip bottle is recorded."),
    ("/solutions", "Nothing that is recorded runs out before then."),
    ("/fills", "No fill yet"),
    ("/devices", "No device is recorded yet."),
    ("/devices?show=held back", "Nothing fits."),
    ("/loads", "No load yet"),
    ("/review?day=2026-03-02", "Nothing is open of this day. A supervisor can sign it."),
    ("/record?show=what people said", "Nobody has recorded anything yet."),
)


@pytest.fixture(scope="module")
def morning(clinic: tuple[Path, dict[str, pagekit.Track]], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The clinic with a morning of deeds, not to be written to."""
    data = pagekit.copied(clinic[0], tmp_path_factory.mktemp("morning") / "data")
    recorded.record(data)
    return data


@pytest.fixture(scope="module")
def reads(morning: Path) -> Iterator[Client]:
    """Asks an application over it; no news comes, so after a while its basins are not heard."""
    with asking(morning) as client:
        yield client


@pytest.fixture
def at_once(morning: Path) -> Iterator[Client]:
    """The same, made for one test, whose clock says 13:18 when the test begins."""
    with asking(morning) as client:
        yield client


@pytest.fixture
def copy(morning: Path, tmp_path: Path) -> Path:
    """The same once more, to be written to."""
    return pagekit.copied(morning, tmp_path / "data")


def words(client: Client, address: str, status: int = 200) -> str:
    """What a person reads, on one line."""
    answer = client.get(address)
    assert answer.status_code == status, answer.text
    body = re.sub(r"(?s)^.*?<main", "<main", answer.text)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body)).replace("\u00a0", " ").replace("&#39;", "'")


def put(data: Path, *things: Thing) -> None:
    """Things as they are, past their rules."""
    with Desk(data, lambda: NOW_MS) as desk, desk.transaction():
        for thing in things:
            before = shelf.body_of(desk.connection, thing.KIND, thing.id)
            patch = difference(before, msgspec.json.decode(msgspec.json.encode(thing)))
            shelf.write(desk.connection, 1, {thing.KIND: {thing.id: patch}})


@pytest.mark.parametrize(("address", "sentence"), EMPTY)
def test_where_nothing_is_recorded_it_says_what_to_do(auditors: Client, address: str, sentence: str) -> None:
    assert sentence in words(auditors, address)


def test_where_nobody_is_recorded_the_page_for_signing_in_says_how_it_begins(client: Client, house: House) -> None:
    sentence = "Nobody is recorded yet The first administrator is recorded once, at the collector’s own machine"
    assert sentence in words(client, "/sign-in")
    assert sentence not in words(asking(house.data), "/sign-in")


@pytest.mark.parametrize(
    ("address", "sentence"),
    [
        ("/fills/F77", "There is no fill 'F77'. The list is at /fills."),
        ("/profiles/x", "There is no profile 'x'. The list is at /solutions."),
        ("/devices/GS-99", "There is no device 'GS-99'. The list is at /devices."),
        ("/loads/L77", "There is no load 'L77'. The list is at /loads."),
        ("/record/0", "There is no record '0'. The newest are at /record."),
        ("/record/100000", "There is no record '100000'. The newest are at /record."),
        ("/record/one", "There is no record 'one'. The newest are at /record."),
    ],
)
def test_what_is_not_there_is_named(reads: Client, address: str, sentence: str) -> None:
    assert sentence in words(reads, address, 404)


@pytest.mark.parametrize(
    "address", ["/devices?show=all", "/loads?page=0", "/review?day=2026-13-01", "/solutions?page=2", "/record?show=x"]
)
def test_what_an_address_cannot_mean_is_refused(reads: Client, address: str) -> None:
    words(reads, address, 400)


def test_a_basin_that_is_not_ready_says_the_one_thing(at_once: Client) -> None:
    text = words(at_once, "/basins/n1/b1")
    assert "Fill in date until Tue 17 Mar 2026 12:22 peracetic acid, fill F1, lot LOT-1, poured 12:22" in text
    assert "MEC test due the last: passed 12:22" in text
    assert "Due No fill No fill is recorded in Basin 5. Pour solution into it and record it." in words(at_once, "/")


def test_a_basin_in_use_says_only_that(copy: Path) -> None:
    put(copy, Load(id="L9", basin="n1/b1", fill="F1", began_ms=NOW_MS - 300_000, by="tina"))
    with asking(copy) as app:
        assert "Load nothing left in it By Tina Test" in words(app, "/basins/n1/b1")
        assert "Load L9 has been in Basin 1 since 13:13." in app.get("/api/readiness/n1/b1").text


def test_a_ready_basin_says_what_it_shows(copy: Path) -> None:
    with Desk(copy, lambda: NOW_MS) as desk:
        (test,) = shelf.find_all(desk.connection, MecTest)
    put(copy, msgspec.structs.replace(test, used_for=""))
    with asking(copy) as app:
        assert "MEC test passed 12:22" in words(app, "/basins/n1/b1")
        body = app.get("/api/readiness/n1/b1").json()
        assert (body["ready"], body["blocks"], body["needs_mc"], body["fill"]) == (True, [], 20_580, "F1")


def test_readiness_for_programs(at_once: Client) -> None:
    every = at_once.get("/api/readiness").json()["basins"]
    assert [(each["node"], each["basin"], each["ready"]) for each in every] == [
        ("n1", "b1", False),
        ("n1", "b2", False),
        ("n2", "b1", False),
        ("n2", "b2", False),
        ("n3", "b1", False),
    ]
    one = at_once.get("/api/readiness/n1/b1").json()
    assert one == every[0] | {"indicated_mc": one["indicated_mc"]}
    assert one["blocks"] == [
        {
            "rule": "mec-tested",
            "text": "MEC test M1 of fill F1, the last one, cleared load L1; each use needs its own.",
            "next_step": "Test the solution with a strip.",
        }
    ]
    assert at_once.get("/api/readiness/n1/b9").json()["text"] == "There is no basin 'n1/b9'. Did you mean 'n1/b2'?"


def test_solutions(reads: Client) -> None:
    text = words(reads, "/solutions")
    for sentence in (
        "Basin 1 F1 peracetic acid Tue 17 Mar 2026 12:22 , 13 days left reuse life of 14 days from pouring, counted to "
        "the minute pass 12:22 M1",
        "cleared load L1 due before the next load 3000 ml",
        "pass 12:22 M1, Tina Test, strip lot STRIP-9, cleared load L1",
        "LOT-2 2026-04-30 closed 4000 of 4000 ml",
        "passed 12:21 3 of 3 full strength passed, 3 of 3 diluted failed, Tina Test",
        "revision 1, US 12 min at 20 °C or more 14 days Sam Test, 12:21 label R7, lot LOT-1",
    ):
        assert sentence in text
    assert text.index("LOT-2 2026-04-30") < text.index("LOT-1 2026-09-30"), "first-expiring first"


def test_a_profile_shows_every_figure_with_its_source(reads: Client) -> None:
    text = words(reads, "/profiles/typed")
    assert "Confirmed against the label by Sam Test , 12:21 : label R7 of 2025-10-01, container lot LOT-1." in text
    for row in (
        "Minimum temperature 20 °C label, typed by sam",
        "Maximum temperature not printed not printed on the label, said by sam",
        "Contact time 12 min label, typed by sam",
        "Rinses 3, at least 1 min each, fresh water each label, typed by sam",
        "Activation none nobody has entered it",
    ):
        assert row in text


def test_a_fill(reads: Client) -> None:
    text = words(reads, "/fills/F1")
    assert "B1 LOT-1 3000 ml Tina Test" in text
    assert "L1 12:40 , 2 devices" in text
    assert "L2 13:04 , 1 device, started by override" in text


def test_a_discarded_fill_is_out_of_use(copy: Path) -> None:
    desk = recorded.Morning(copy)
    desk.do("discard-fill", at_ms=NOW_MS - 60_000, fill="F1", volume_ml=2_900, reason="cloudy")
    desk.desk.close()
    with asking(copy) as app:
        text = words(app, "/fills/F1")
        assert "Fill F1 was discarded by Tina Test at 2026-03-03 13:17: cloudy" in text
        assert "Discarded 13:17 by Tina Test: cloudy 2900 ml" in text
        assert "discarded 13:17 cloudy" in words(app, "/fills")
        assert "No fill is recorded in any basin" in words(app, "/solutions")


def test_where_each_device_is_and_what_is_next(reads: Client) -> None:
    text = words(reads, "/devices")
    assert "GS-01 serial GS-01-2291 gastroscope released 12:59, in cabinet 2 It may be used." in text
    assert (
        "GS-02 serial GS-02-2291 gastroscope in quarantine since 12:59: GS-02 was used without having been released. "
        "Reprocess it. A supervisor closes the look-back." in text
    )
    assert "GS-03 serial GS-03-2291 gastroscope taken out of Basin 1 13:14, not released Do not use it." in text
    assert "GS-01" not in words(reads, "/devices?show=held back")
    assert "GS-02" in words(reads, "/devices?show=held back")
    assert "1 device in service with “gs-03”." in words(reads, "/devices?find=gs-03")


def test_a_devices_history(reads: Client) -> None:
    released = words(reads, "/devices/GS-01")
    for sentence in (
        "Came from encounter E-4417",
        "leak test Tina Test, 12:22",
        "L1 in Basin 1, peracetic acid, fill F1",
        "12:40 to 12:54 , 14 min 9 s",
        "met 12:40 , lid on for 13 min 59 s",
        "3: 12:57 , 1 min 5 s, fresh water, Tom Test",
        "Dried Tom Test, 12:59",
        "Released Sam Test, 12:59",
        "reprocess if not used by Tue 10 Mar 2026 12:59",
    ):
        assert sentence in released
    used = words(reads, "/devices/GS-02")
    assert "12:59 , encounter E-4431 recorded by Tom Test without release" in used
    assert "K1 12:59 : GS-02 was used without having been released. open" in used
    early = words(reads, "/devices/GS-03")
    assert "not met" in early
    assert "Opened with 9 min 10 s of 12 min proven without a break." in early
    assert "GS-03: no MEC test cleared its load. Do not use it." in early


def test_a_device_held_back_says_so_first(copy: Path) -> None:
    quarantine = Quarantine("sam", NOW_MS - 60_000, "The leak test failed.", "Send it for repair.")
    look_back = LookBack(
        id="K9",
        cause="mec-fail",
        text="MEC test M9 failed.",
        opened_ms=NOW_MS - 60_000,
        by="collector",
        from_ms=0,
        until_ms=NOW_MS,
        devices=("GS-01",),
    )
    put(copy, look_back, Device(id="GS-01", type="gastroscope", turn="T1", lookbacks=("K9",)))
    put(copy, Device(id="GS-03", type="gastroscope", turn="T3", quarantine=quarantine))
    with asking(copy) as app:
        assert "Held back by look-back K9, open since 13:17: MEC test M9 failed." in words(app, "/devices/GS-01")
        assert "Do not use it: a supervisor concludes look-back K9." in words(app, "/devices")
        assert (
            "In quarantine since 13:17, put there by Sam Test: The leak test failed. Next: Send it for repair."
            in words(app, "/devices/GS-03")
        )


def test_loads(reads: Client) -> None:
    text = words(reads, "/loads")
    assert "L2 13:04 Basin 1 peracetic acid, fill F1 GS-03 Sam Test 13:14 started by override" in text
    assert "L1 12:40 Basin 1 peracetic acid, fill F1 GS-01 GS-02 Tom Test 12:54 nothing" in text
    assert text.index("L2 13:04") < text.index("L1 12:40")


def test_a_load_says_what_its_override_overrode(reads: Client) -> None:
    text = words(reads, "/loads/L2")
    assert (
        "Started though the basin was not ready: Sam Test, 13:04: No strips at hand; the next patient waits. "
        "It overrode: MEC test M1 of fill F1, the last one, cleared load L1; each use needs its own. "
        "An override lets a load start. It changes no verdict and makes nothing releasable." in text
    )
    assert "none cleared it" in text
    good = words(reads, "/loads/L1")
    assert "pass M1, dipped 12:22 by Tina Test, read by Tina Test, strip lot STRIP-9" in good
    assert "GS-01 met 12:40 , 14 min 9 s 3 1 min 5 s 1 min 5 s 1 min 5 s Tom Test, 12:59 released by Sam Test" in good
    assert "An override" not in good
    assert "not released used 12:59 without release GS-02: 0 of 3 rinses" in good


def test_people_without_their_secrets(reads: Client, morning: Path) -> None:
    text = words(reads, "/people")
    assert "Tina Test tina soaks that name them technician" in text
    assert "Badges, PINs and passwords are kept elsewhere and shown nowhere." in text


def test_the_days_review(reads: Client) -> None:
    text = words(reads, "/review")
    assert "Basin 1 was closed for 14 min from 2026-03-03 11:18: nobody has said what was in it. See it" in text
    assert "GS-03: taken out 2026-03-03 13:14, soak not met, not released. See it" in text
    assert "Basin 1 reads warm since noon; the new bottle is in the left cupboard. Tina Test, 13:14" in text
    assert "Signed by Sam Test, 13:14, with 0 answers." in words(reads, "/review?day=2026-03-01")
    page = reads.get("/review").text
    assert re.search(r'href="/closures/\d+">See it', page)
    assert 'href="/devices/GS-03">See it' in page


def test_the_record_in_words(reads: Client, morning: Path) -> None:
    count, head = _head(morning)
    text = words(reads, "/record")
    assert f"Record {count} records" in text
    assert head in text
    assert f"{count} 13:14 Sign a day's log review review 2026-03-01 Sam Test" in text
    assert "Start a load: put devices into a basin load L2 Sam Test No strips at hand; the next patient waits." in text
    said = words(reads, "/record?show=what people said")
    assert "the collector" not in said
    oldest = words(reads, f"/record?page={(count - 1) // PER_PAGE + 1}")
    assert "The site was named" in oldest


def test_a_record_with_its_hash_and_the_one_before(reads: Client, morning: Path) -> None:
    count, head = _head(morning)
    text = words(reads, f"/record/{count}")
    db = connect(morning / FILE_NAME, read_only=True)
    before, last = ledger.record(db.conn, count - 1), ledger.record(db.conn, count)
    db.close()
    assert before is not None
    assert last is not None
    assert f"Hash {head} follows from its content and the hash before it" in text
    assert f"Hash before it {before.hash}" in text
    assert last.body.replace('"', "&#34;") in text
    assert f"Hash before it {'0' * 64}" in words(reads, "/record/1")


def test_a_record_that_was_changed_is_seen(copy: Path) -> None:
    db = connect(copy / FILE_NAME)
    db.conn.execute("DROP TRIGGER ledger_update")
    db.conn.execute("UPDATE ledger SET who = 'tom' WHERE number = (SELECT max(number) FROM ledger)")
    db.conn.commit()
    db.close()
    count, _ = _head(copy)
    with asking(copy) as app:
        assert "it is not what was written. Run soakledger verify and restore a backup." in words(
            app, f"/record/{count}"
        )


def _head(data: Path) -> tuple[int, str]:
    db = connect(data / FILE_NAME, read_only=True)
    try:
        return ledger.head(db.conn)
    finally:
        db.close()


def test_long_lists_come_in_pages(copy: Path) -> None:
    """A hundred and twenty devices, thirty rounds of one of them, many notes: each page is bounded."""
    put(copy, *(Device(id=f"X-{number:03}", type="gastroscope") for number in range(120)))
    put(copy, *(Turn(id=f"T{number}", device="X-001", began_ms=number * 1_000) for number in range(100, 130)))
    put(
        copy, *(Handover(id=f"H{number}", by="tina", at_ms=number, note=f"note {number}") for number in range(100, 200))
    )
    with asking(copy) as app:
        counts = [app.get(f"/devices?page={page}").text.count('href="/devices/') for page in (1, 2, 3, 4)]
        assert counts == [50, 50, 23, 0]
        assert "Past the end of the list" in words(app, "/devices?page=4")
        rounds = [app.get(f"/devices/X-001?page={page}").text.count('class="round"') for page in (1, 2, 3, 4)]
        assert rounds == [10, 10, 10, 0]
        assert app.get("/review").text.count("note ") <= 20
        first = words(app, "/devices?page=1")
        assert "Page 1 Further" in first
        assert "Back Page 3" in words(app, "/devices?page=3")


def test_names_cannot_bring_markup(copy: Path) -> None:
    put(copy, Device(id="X-1", type="gastroscope", serial=pagekit.XSS))
    with asking(copy) as app:
        for address in ("/devices", "/devices/X-1", f"/devices?find={pagekit.XSS}"):
            assert pagekit.XSS not in app.get(address).text
