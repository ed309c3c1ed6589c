"""The demo's staff on real parts: a working day of five basins, declared to a real record, with its alarms."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from msgspec.structs import replace

from collector.record import shelf
from collector.record.things import Alarm
from collector.schema import FILE_NAME, connect
from collector.verify_command import command as verify
from firmware.simulator.staff_past import past_days
from firmware.simulator.staff_screen import Screen
from firmware.simulator.staff_stock import LEAD, OTHER_LEAD, PROFILE_OF, SHIFTS, STAFF
from soak.alarms import Priority
from tests.bench.alarm_truth import FALSE, MOST_FALSE, REAL, Compared, compare, print_table
from tests.bench.played import END_MS, Played, in_utc, pages, play
from tests.bench.truth import Truth

SEED = 10
"""On its one day five lids are opened early, two to add a device; one load is cold, sensors fail in different ways."""


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Played:
    return play(tmp_path_factory.mktemp("staff"), 1, SEED)


@pytest.fixture(scope="module")
def compared(played: Played) -> Compared:
    return compare(played.data, played.nodes, SEED)


@pytest.fixture(autouse=True)
def here() -> Iterator[None]:
    """The machine's own time zone is that of the plan."""
    with in_utc():
        yield


def test_a_day_is_declared_and_nothing_is_refused_that_the_play_does_not_foresee(played: Played) -> None:
    """Set up, fills, tests, loads, releases, reviews; the record holds, and what was not met was not released."""
    assert played.teller.unexpected == []
    assert played.teller.recorded > 600
    with pages(played.data) as ask:
        screen = Screen(ask)
        turns = ask("api/things/turn?limit=1000", None).body["things"]
        stages = [turn["thing"].get("stage", "preparing") for turn in turns]
        assert stages.count("released") + stages.count("used") > 20
        shown = screen.verdicts(0, END_MS)
        [loads] = [day for day in past_days(played.nodes, SEED) if day.occasions]
        met = [occasion for occasion in loads.occasions if shown(occasion)]
        assert len(met) > 20
        for turn in (turn["thing"] for turn in turns):
            if "released" in turn:
                assert any(
                    occasion.basin == turn["basin"] and occasion.in_ms <= turn["in_ms"] <= occasion.closed_ms + 1_000
                    for occasion in met
                )
        assert ask(
            "api/rehearsal/people", [{"person": each.id, "badge": each.badge, "pin": each.pin} for each in STAFF]
        )
        signed = ask("api/sign-in", {"badge": STAFF[1].badge, "pin": STAFF[1].pin}).body
        assert (signed["person"]["name"], signed["second_factor"]) == ("Jonas Beispielmann", True)
    checked = CliRunner().invoke(verify, ["--data", str(played.data)])
    assert checked.exit_code == 0, checked.output


def alarms(data: Path) -> list[Alarm]:
    with closing(connect(data / FILE_NAME).conn) as connection:
        return shelf.find_all(connection, Alarm)


def test_every_lid_really_opened_early_has_its_alarm_and_no_other_has(compared: Compared) -> None:
    """Against the simulator's script: its lids, its loads, its true temperatures."""
    assert compared.early >= 5
    assert compared.missed == []
    assert compared.kinds()[REAL] >= 5
    assert [judged for judged in compared.high if judged.kind == FALSE] == []
    assert compared.for_each < MOST_FALSE
    assert compared.worst <= 1
    assert compared.good


def test_alarms_of_the_past_were_seen_by_who_was_on(played: Played) -> None:
    """Each after it was raised, none by two, and nothing high is left but what the day's end left."""
    high = [alarm for alarm in alarms(played.data) if alarm.priority is Priority.HIGH]
    seen = [alarm for alarm in high if alarm.seen is not None]
    assert len(seen) >= len(high) - 1
    for alarm in seen:
        assert alarm.seen is not None
        assert alarm.seen.by in {*SHIFTS[alarm.basin.partition("/")[0]], LEAD, OTHER_LEAD}
        assert alarm.raised_ms < alarm.seen.at_ms == alarm.ended_ms
        assert alarm.seen.done
        assert not alarm.late
    assert [alarm for alarm in alarms(played.data) if alarm.priority is Priority.LOW] == []


def changed(played: Played, folder: Path, *changes: Alarm, gone: str = "") -> Compared:
    """The comparison with other alarms on record."""
    data = folder / "collector"
    shutil.copytree(played.data, data)
    with closing(connect(data / FILE_NAME).conn) as connection, connection:
        connection.execute("DELETE FROM thing WHERE kind = 'alarm' AND id = ?", (gone,))
        shelf.write(connection, 1, {"alarm": {each.id: msgspec.to_builtins(each) for each in changes}})
    return compare(data, played.nodes, SEED)


def test_an_alarm_that_is_missing_is_found_to_be(played: Played, compared: Compared, tmp_path: Path) -> None:
    real = next(judged.alarm for judged in compared.high if judged.kind == REAL)
    found = changed(played, tmp_path, gone=real.id)
    assert [soak.seen for soak in found.missed] == [real.about]
    assert not found.good


def test_alarms_without_a_cause_are_found_to_be_false(
    played: Played, compared: Compared, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An announced opening, a lid over an empty basin, solution that was warm, a device
    that was released, a soak that was good."""
    truth = Truth(played.nodes, SEED)
    soaks = list(truth.soaks({basin: [(0, 20_000)] for basin in PROFILE_OF}, []))
    announced = next(soak for soak in soaks if soak.announced)
    loaded = {soak.seen for soak in soaks}
    good = next(soak for soak in soaks if soak.seen and not (soak.announced or soak.early or soak.doubt))
    empty = next(key for key, (_, lived) in truth.closures.items() if key not in loaded and lived.whole)
    like = compared.high[0].alarm
    made = [
        replace(like, id="W901", about=announced.seen, basin=announced.basin),
        replace(like, id="W902", about=empty, basin=truth.closures[empty][0]),
        replace(like, id="W903", about=like.basin, code="below-minimum", basin="scope-room/b1"),
        replace(like, id="W904", about=good.seen, basin=good.basin),
        replace(like, id="W905", about="T1", code="used-unreleased"),
    ]
    found = changed(played, tmp_path, *made)
    false = {judged.alarm.id: judged.why for judged in found.high if judged.kind == FALSE}
    assert false == {
        "W901": "lifted to add a device, as was said before",
        "W902": "no load was in it",
        "W903": "never really cold",
        "W904": "really enough, and nothing in doubt",
        "W905": "not used, or released before",
    }
    assert not found.good
    print_table(found)
    assert f"without a real cause {found.false_highs.total():>26,}" in capsys.readouterr().out
