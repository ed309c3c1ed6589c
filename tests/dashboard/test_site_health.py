"""Each part of the site with its word: what is wrong is told with what to do, and nothing is better than is known."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec import structs
from pagekit import NOW_MS, WHEN

from collector.conditions import Condition
from collector.machine import BackupMade
from collector.read import NodeNow
from collector.record.things import Alarm, Drill
from collector.record.things.drills import Confirmed, Reached
from collector.status import Certificate, Own
from dashboard.collecting import Said
from dashboard.site_health import Health, Known, Word, health
from dashboard.site_upkeep import bytes_words, wear_text
from dashboard.when import DAY_MS
from soak.alarms import Priority
from soak.quantity import utc_text
from soak.wire import Clock, DiskUse, State

GB = 10**9
DISK = DiskUse(60 * GB, 30 * 86_400_000, 12 * GB, 31 * GB, 20)
CERTIFICATES = [
    Certificate("/etc/soakledger/tls/ca.pem", NOW_MS + 3_000 * DAY_MS, authority=True),
    Certificate("shown at 127.0.0.1:8883", NOW_MS + 300 * DAY_MS),
]
WELL = Said("", [], 0, NOW_MS - 2_000, NOW_MS - 1_000, True, CERTIFICATES, Own(synced=True, disk=DISK))
DRILL = Drill(
    id="2026-03-03",
    began_ms=NOW_MS - 3_600_000,
    told={"Sam": {"mail": Reached(ok=True, at_ms=NOW_MS)}},
    confirmed={"Sam": Confirmed("sam", NOW_MS)},
)
BACKUP = BackupMade("soakledger-20260304T023000000Z", "/media/copy", NOW_MS - 3_600_000, 1_200, "0" * 64, 163_000_000)


def node(*, up: bool = True, ago_ms: int = 2_000, off_ms: int = 0, synced: bool = True, **state: Any) -> NodeNow:
    heard_ms = NOW_MS - ago_ms
    clock = Clock(60_000, utc_text(heard_ms + off_ms), synced)
    return NodeNow("n1", heard_ms, up, State(up, "0.1.0", None, clock, **state) if up else State(up=False))


def known(**changed: Any) -> Known:
    good = Known(
        now_ms=NOW_MS,
        said=WELL,
        nodes=[node()],
        restarts={},
        database_bytes=163_000_000,
        free_bytes=80 * GB,
        disk_bytes=128 * GB,
        records=1_234,
        software="soakledger 0.1.0",
        version="0.1.0",
        chain=None,
        drill=DRILL,
        backup=BACKUP,
    )
    return good._replace(**changed)


def looked(**changed: Any) -> Health:
    return health(known(**changed), WHEN)


def part(found: Health, name: str) -> tuple[Word, str, str]:
    (check,) = [each for each in found.checks if each.name == name]
    return check.word, check.text, check.todo


def test_where_all_is_well_nobody_must_do_anything() -> None:
    found = looked()
    assert {each.word for each in found.checks} == {Word.GOOD}
    assert (found.word, found.line) == (Word.GOOD, "Nobody must do anything.")
    assert part(found, "backup")[1] == (
        "The last one was taken and verified 12:18: 1,200 records, 163 MB, in /media/copy."
    )
    assert part(found, "disk")[1] == (
        "The database has 163 MB. 80 GB of 128 GB are free. "
        "At this rate (60 GB in 30 days) a card rated at 20 TB lasts about 27 years."
    )
    assert part(found, "clock")[1] == "The collector’s clock is synchronised."
    assert part(found, "collector")[1] == "It runs and stores. Last word 13:17. Last stored 13:17. Version 0.1.0."
    assert part(found, "alarms")[1] == "Last drill 12:18: 1 of 1 people have said that it reached them."


def test_every_part_that_is_not_good_says_what_to_do() -> None:
    broken = looked(
        said=Said("The collector does not run.", [], 0, None, None),
        nodes=[node(up=False)],
        free_bytes=GB,
        drill=None,
        backup=None,
    )
    assert all(bool(each.todo) == (each.word is not Word.GOOD) for each in (*broken.checks, *looked().checks))
    assert broken.word is Word.BROKEN
    assert broken.line == (
        "Somebody must look at 9 things: collector, nodes, broker, certificates, disk, clock, ledger, alarms, backup."
    )


def test_a_backup_is_missing_or_too_old() -> None:
    assert part(looked(backup=None), "backup")[:2] == (Word.LOOK, "No backup is on record.")
    old = part(looked(backup=structs.replace(BACKUP, made_ms=NOW_MS - 49 * 3_600_000)), "backup")
    assert old[0] is Word.LOOK
    assert old[2] == "It is more than two days old: see whether backups are still taken."


@pytest.mark.parametrize(
    ("seen", "word", "says"),
    [
        (node(), Word.GOOD, ""),
        (node(up=False), Word.BROKEN, "It is gone: check its power and its network."),
        (node(ago_ms=61_000), Word.BROKEN, "Nothing heard for 1 min 1 s"),
        (node(ago_ms=59_000), Word.GOOD, ""),
        (node(synced=False), Word.LOOK, "Its clock is not synchronised"),
        (node(off_ms=5_001), Word.LOOK, "Its clock differs from the collector’s"),
        (node(off_ms=-5_001), Word.LOOK, "Its clock differs from the collector’s"),
        (node(off_ms=5_000), Word.GOOD, ""),
        (node(outbox=601), Word.LOOK, "Readings wait in its outbox"),
        (node(outbox=600), Word.GOOD, ""),
        (node(dropped=1), Word.LOOK, "It gave readings up"),
        (node(refused={"not-json": 2}), Word.LOOK, "It did not take some messages in"),
        (node(troubles=["its disk is nearly full"]), Word.LOOK, "It says: its disk is nearly full."),
    ],
)
def test_a_node(seen: NodeNow, word: Word, says: str) -> None:
    found = looked(nodes=[seen])
    (check,) = found.nodes
    assert check.word is word
    assert says in " ".join(check.wrong)
    assert bool(check.wrong) == (word is not Word.GOOD)
    assert part(found, "nodes")[0] is word


def test_a_node_that_starts_often_and_one_that_never_spoke() -> None:
    assert looked(restarts={"n1": 3}).nodes[0].word is Word.GOOD
    assert "It started often in the last week" in " ".join(looked(restarts={"n1": 4}).nodes[0].wrong)
    assert part(looked(nodes=[]), "nodes")[:2] == (Word.LOOK, "No node has spoken yet.")


def test_what_the_collector_says_of_a_node_stands_at_the_node() -> None:
    said = WELL._replace(conditions=[Condition("lost", "n1", "12 readings", NOW_MS)])
    found = looked(said=said, nodes=[node()])
    assert "Node n1 no longer has readings that never came (12 readings)." in " ".join(found.nodes[0].wrong)
    assert part(found, "collector")[:2] == (
        Word.LOOK,
        "It says that 1 thing is wrong. Last word 13:17. Last stored 13:17. Version 0.1.0.",
    )


def test_a_collector_that_does_not_run_makes_broker_and_ledger_unknown_not_good() -> None:
    found = looked(said=Said("The collector does not run.", [], 0, None, None))
    assert part(found, "collector")[0] is Word.BROKEN
    assert part(found, "broker")[:2] == (
        Word.LOOK,
        "Whether it is reached is not known: only the collector can say.",
    )
    assert part(found, "ledger")[0] is Word.LOOK


def test_a_broker_that_is_away_and_alarms_that_are_stuck_are_broken() -> None:
    said = WELL._replace(
        conditions=[Condition("broker-away", "", "refused", NOW_MS), Condition("alarms-stuck", "", "2 min", NOW_MS)]
    )
    found = looked(said=said)
    assert part(found, "broker")[0] is Word.BROKEN
    assert part(found, "alarms")[0] is Word.BROKEN
    assert "Nobody is alarmed by this collector" in part(found, "alarms")[1]


def test_two_versions_are_told() -> None:
    assert "of different versions" in part(looked(software="soakledger 0.0.9"), "collector")[1]


def test_a_ledger_that_does_not_hold() -> None:
    alarm = Alarm(
        id="AL1",
        code="chain-broken",
        priority=Priority.HIGH,
        about="site",
        text="Record 7 does not hold.",
        cause_ms=NOW_MS,
        raised_ms=NOW_MS,
    )
    word, text, todo = part(looked(chain=alarm), "ledger")
    assert (word, text) == (Word.BROKEN, "1,234 records. Record 7 does not hold.")
    assert "run soakledger verify" in todo


def test_a_disk_that_is_nearly_full() -> None:
    assert part(looked(free_bytes=12 * GB), "disk")[0] is Word.LOOK
    assert part(looked(free_bytes=13 * GB), "disk")[0] is Word.GOOD


@pytest.mark.parametrize(
    ("drill", "word"),
    [
        (None, Word.LOOK),
        (Drill(id="d", began_ms=NOW_MS - 49 * 3_600_000, told=DRILL.told, confirmed=DRILL.confirmed), Word.LOOK),
        (Drill(id="d", began_ms=NOW_MS, told=DRILL.told), Word.LOOK),
        (Drill(id="d", began_ms=NOW_MS, told={"Sam": {"mail": Reached(ok=False)}}), Word.BROKEN),
    ],
)
def test_a_drill_that_did_not_arrive(drill: Drill | None, word: Word) -> None:
    assert part(looked(drill=drill), "alarms")[0] is word


def test_the_collector_s_own_clock() -> None:
    word, text, todo = part(looked(said=WELL._replace(own=Own(synced=False))), "clock")
    assert (word, bool(todo)) == (Word.LOOK, True)
    assert text.startswith("The collector’s clock is not synchronised")
    assert part(looked(said=WELL._replace(own=Own())), "clock")[0] is Word.LOOK


def test_a_card_that_wears_out_and_a_backup_without_room_say_what_to_do() -> None:
    found = looked(
        said=WELL._replace(
            conditions=[
                Condition("card-wears", "", "the collector’s own, rated at 20 TB: about 1.4 years left", NOW_MS),
                Condition("card-worn", "n1", "node n1, rated at 20 TB: about 0.4 years left", NOW_MS),
                Condition("backup-room", "", "3 MiB are free, one takes 160 MiB", NOW_MS),
            ]
        )
    )
    assert part(found, "disk")[0] is Word.LOOK
    assert part(found, "disk")[2].startswith("Plan a new one")
    assert found.nodes[0].wrong == [
        "A memory card or disk is nearly worn out (node n1, rated at 20 TB: about 0.4 years left). "
        "Put in a new one that is rated for more; where its maker says another figure, set card_rated_tb."
    ]
    assert part(found, "backup")[:2] == (
        Word.LOOK,
        "There is no room for two more backups (3 MiB are free, one takes 160 MiB). The next ones will fail: no old "
        "backup is ever taken away by this program.",
    )


def test_the_next_backup_is_told() -> None:
    said = WELL._replace(own=Own(synced=True, backup_due_ms=NOW_MS + 60_000))
    assert part(looked(said=said), "backup")[1].endswith("in /media/copy. The next one is due 13:19.")


def test_how_long_a_card_lasts() -> None:
    year_ms = 31_557_600_000
    told = [wear_text(DiskUse(written, over_ms, 0, 0, 20)) for written, over_ms in [(1, 0), (1, 1)]]
    assert told == [
        "How much is written to it is not known.",
        "How long it lasts is not yet known: less than a day of counting.",
    ]
    assert wear_text(None) == told[0]
    lasts = [
        wear_text(DiskUse(written * 10**12, year_ms, 0, 0, 20)).rpartition(" lasts ")[2] for written in (0, 1, 11, 21)
    ]
    assert lasts == ["more than 50 years.", "about 20 years.", "less than two years.", "less than a year."]


def test_sizes() -> None:
    assert [bytes_words(each) for each in (0, 1, 999_001, 1_500_000, 12_000_000, 2_300_000_000, 5 * 10**12)] == [
        "0 kB",
        "1 kB",
        "1,000 kB",
        "1.5 MB",
        "12 MB",
        "2.3 GB",
        "5.0 TB",
    ]


def test_certificates_are_told_with_their_last_day_and_what_ends_with_what_to_do() -> None:
    assert part(looked(), "certificates") == (
        Word.GOOD,
        "ca.pem until Sat 20 May 2034, shown at 127.0.0.1:8883 until Mon 28 Dec 2026.",
        "",
    )
    ending = Condition("certificate-ending", "/etc/soakledger/tls/broker.pem", "on 2026-04-01, in 28 days", NOW_MS)
    ended = Condition("certificate-ended", "127.0.0.1:8883", "on 2026-03-01", NOW_MS)
    for conditions, word in (([ending], Word.LOOK), ([ending, ended], Word.BROKEN)):
        found = part(looked(said=WELL._replace(conditions=conditions)), "certificates")
        assert found[0] is word
        assert "broker.pem ends soon (on 2026-04-01, in 28 days)." in found[1]
        assert "soakledger certificates --renew" in found[2]


def test_a_broker_without_tls_is_told_but_for_a_rehearsal() -> None:
    plain = WELL._replace(encrypted=False, certificates=())
    word, text, todo = part(looked(said=plain), "certificates")
    assert (word, "without TLS" in text, "broker-setup" in todo) == (Word.LOOK, True, True)
    assert part(looked(said=plain, rehearsal=True), "certificates")[0] is Word.GOOD
