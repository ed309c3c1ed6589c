"""What the page of one basin says and offers, state by state: whole sentences, and where its buttons lead."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest
from pagekit import NOW_MS, WHEN
from test_say import BASIN, NEED, WAIT, watched

from collector.record.basins.readiness import Readiness
from collector.record.block import Block
from collector.record.things import Fill, Load, MecTest, Poured, Profile, Rinses, Strip
from dashboard.basin_facts import BasinFacts, InBasin, Rinsing, StripsAtHand
from dashboard.basin_next import Next, next_step
from dashboard.basin_words import LANE_DEPTH, facts_beside, marks, rinses_words
from dashboard.lanes import lane
from dashboard.look import BasinSeen
from dashboard.readiness_view import Standing
from dashboard.say import Kind, say
from soak.reading import Lid
from soak.requirement import Requirement

OPEN = (10, Lid.OPEN, 21_300)
SOAKING = (WAIT, (445, Lid.CLOSED, 21_300))
MET_ON = (WAIT, (790, Lid.CLOSED, 21_300))
MET_OFF = (*MET_ON, OPEN)
EARLY = (WAIT, (551, Lid.CLOSED, 21_300), OPEN)
STANDING = (WAIT, (3_700, Lid.CLOSED, 21_300))
FILL = Fill(
    id="F1",
    basin="n1/b1",
    profile="typed",
    poured=(Poured("B1", "LOT-1", 3_000, "tina", NOW_MS - 3_600_000),),
    poured_ms=NOW_MS - 3_600_000,
    poured_by="tina",
    use_by_ms=NOW_MS + 86_400_000,
    use_by_why="reuse life",
    tested_after_ms=NOW_MS - 3_600_000,
)
PROFILE = Profile(id="typed", name="peracetic acid", rinses=Rinses(count=3, each_ms=60_000))
LOAD = Load(id="L3", basin="n1/b1", fill="F1", began_ms=NOW_MS - 500_000, by="tina", turns=("T1",))
IN_IT = (InBasin("GS-01", "gastroscope", "T1", met=False),)
WITH_LOAD = BasinFacts(load=LOAD, devices=IN_IT, by="Tina Test")
NOTHING = BasinFacts()
STRIPS = (StripsAtHand("S1", "STRIP-9", Strip(1_000, 5_000, 60_000)),)


def seen(*spans: Any, blocks: tuple[Block, ...] = (), fill: Fill | None = FILL, **known: object) -> BasinSeen:
    """A basin after these readings, by the real rule, whose readiness has these blocks."""
    each, _ = watched(*spans, basin=BASIN, **known)
    ready = Readiness("n1/b1", fill.id if fill else "", blocks)
    return BasinSeen(each, say(each, WHEN), Standing(ready, fill, PROFILE if fill else None, None))


def found(*spans: Any, facts: BasinFacts = NOTHING, **known: Any) -> Next:
    return next_step(seen(*spans, **known), facts, WHEN)


def offered(said: Next) -> list[str]:
    """The words of the next step, or a dash, and of everything else."""
    return [said.first.words if said.first else "–", *(each.words for each in said.others)]


def test_soaking_leaves_the_lid_alone() -> None:
    """No button takes anything out of a running soak; a device is added by saying so before the lid is opened."""
    said = found(*SOAKING, facts=WITH_LOAD)
    assert (said.sentence, said.running) == ("Keep closed. Ready 13:23.", True)
    assert offered(said) == ["–", "Add a device", "Note"]
    assert [each.address for each in said.others] == [
        "/do/announce-opening?basin=n1%2Fb1",
        "/do/note-turn?turn=T1",
    ]


def test_a_closure_that_nobody_has_named_asks_what_is_in_it() -> None:
    said = found(*SOAKING)
    assert said.sentence == "Keep closed. Ready 13:23."
    assert said.first is not None
    assert (said.first.words, said.first.address) == ("Say what is in it", "/start?basin=n1%2Fb1")


def test_met_with_the_lid_on_is_taken_out_then_rinsed() -> None:
    said = found(*MET_ON, facts=WITH_LOAD)
    assert (said.sentence, offered(said)) == ("Soak met. Rinse next.", ["Take out", "Rinse", "Note"])
    assert [each.opens for each in said.others] == ["rinse", ""]


def test_met_and_out_is_rinsed() -> None:
    facts = BasinFacts(last=LOAD, devices=IN_IT, rinsing=Rinsing("L3", ("GS-01",), PROFILE.rinses))
    said = found(*MET_OFF, facts=facts)
    assert said.first is not None
    assert (said.sentence, said.first.words, said.first.opens) == ("Soak met. Rinse next.", "Rinse", "rinse")
    assert said.first.address == "/do/begin-rinse?device=GS-01"
    rinsed = found(*MET_OFF, facts=msgspec.structs.replace(facts, rinsing=Rinsing("L3", (), PROFILE.rinses)))
    assert (rinsed.sentence, offered(rinsed)[0]) == ("Ready for a load", "Start a soak")


def test_opened_early_with_the_device_still_in_it() -> None:
    said = found(*EARLY, facts=WITH_LOAD)
    assert said.sentence == "Reprocess: opened at 9 min 10 s of 12 min"
    assert offered(said) == ["Take out", "Add a device", "Note"]


def test_an_announced_opening_is_no_failure() -> None:
    said = found(*EARLY, facts=msgspec.structs.replace(WITH_LOAD, announced=True))
    assert said.sentence == "Put it in, then close the lid"
    assert "starts again from zero" in said.detail
    assert said.first is not None
    assert said.first.address == "/do/add-device?basin=n1%2Fb1"


def test_opened_early_and_nobody_said_what_was_in_it() -> None:
    due = Block("mec-tested", "Fill F1 has not been MEC tested since it was poured.", "Test it.")
    said = found(*EARLY, blocks=(due,), facts=BasinFacts(unassigned=True, latest_key="a:1"))
    assert offered(said) == ["Say what was in it", "MEC test"]
    assert said.first is not None
    assert said.first.address == "/closures/7"


def test_opened_early_and_taken_out_begins_again() -> None:
    said = found(*EARLY, facts=BasinFacts(last=LOAD, devices=IN_IT))
    assert said.first is not None
    assert (said.first.words, said.first.address) == ("Begin a new round", "/do/begin-turn?device=GS-01")


def test_a_load_under_an_open_lid_waits_for_it() -> None:
    said = found(OPEN, facts=WITH_LOAD)
    assert (said.sentence, said.running) == ("Close the lid", False)
    assert offered(said) == ["–", "Add a device", "Take out", "Note"]


def test_ready() -> None:
    said = found(OPEN)
    assert said.sentence == "Ready for a load"
    assert said.first is not None
    assert said.first.address == "/start?basin=n1%2Fb1"


def test_lid_on_for_long_with_nothing_named_is_a_basin_standing_by() -> None:
    said = found(*STANDING)
    assert said.sentence == "Ready for a load"
    assert "A device still in it: look at its maker’s longest time." in said.detail
    assert found(*STANDING, facts=WITH_LOAD).sentence.startswith("Lid on since")


@pytest.mark.parametrize(
    ("rule", "sentence", "words", "address"),
    [
        ("mec-tested", "Not ready: MEC test due", "MEC test", "/do/begin-mec-test?fill=F1&strip_bottle=S1"),
        ("fill-in-date", "Not ready: fill out of date", "Discard the fill", "/do/discard-fill?fill=F1"),
        ("fill-failed", "Not ready: MEC test failed", "Discard the fill", "/do/discard-fill?fill=F1"),
        ("fill-in-basin", "Not ready: no fill in it", "Pour a fill", "/do/pour-fill?basin=n1%2Fb1"),
        (
            "profile-confirmed",
            "Not ready: solution profile not confirmed",
            "Confirm the profile",
            "/do/confirm-profile?profile=typed",
        ),
        (
            "thermometer",
            "Not ready: independent thermometer to be read",
            "Read the thermometer",
            "/do/read-thermometer?basin=n1%2Fb1",
        ),
        ("temperature", "Not ready: too cold", "–", ""),
        ("of-a-newer-version", "Not ready: This stands against it.", "–", ""),
    ],
)
def test_the_one_thing_that_blocks_and_the_form_that_solves_it(
    rule: str, sentence: str, words: str, address: str
) -> None:
    blocks = (Block(rule, "This stands against it.", "Do that."), Block("lid-moved", "Not seen.", "Lift it."))
    said = found(OPEN, blocks=blocks, facts=BasinFacts(strips=STRIPS))
    assert said.sentence == sentence
    assert said.detail == "This stands against it. Do that."
    assert said.besides == ("Not seen. Lift it.",)
    assert offered(said)[0] == words
    assert (said.first.address if said.first else "") == address
    assert "Start a soak" not in offered(said)


def test_a_strip_that_waits_is_read() -> None:
    """Within its window the form to read it; past it, a new strip is dipped."""
    test = MecTest(
        id="M2", fill="F1", strip_bottle="S1", by="tina", dipped_ms=NOW_MS, read_from_ms=NOW_MS, read_until_ms=NOW_MS
    )
    due = Block("mec-tested", "MEC test M2 waits.", "Read it.")
    said = found(OPEN, blocks=(due,), facts=BasinFacts(strips=STRIPS, waiting=test))
    assert said.first is not None
    assert (said.sentence, said.first.address) == (
        "Not ready: the MEC strip waits to be read",
        "/do/read-mec-test?test=M2",
    )
    late = msgspec.structs.replace(test, read_until_ms=NOW_MS - 1)
    said = found(OPEN, blocks=(due,), facts=BasinFacts(strips=STRIPS, waiting=late))
    assert said.first is not None
    assert (said.sentence, said.first.address) == (
        "Not ready: MEC test due",
        "/do/begin-mec-test?fill=F1&strip_bottle=S1",
    )


def test_what_is_not_heard_offers_nothing_that_hangs_on_the_lid() -> None:
    said = found(*SOAKING, silent_ms=12_000, facts=WITH_LOAD)
    assert said.sentence == "Not heard for 12 s"
    assert offered(said) == ["–", "Site health", "Note"]


@pytest.mark.parametrize("spans", [SOAKING, MET_ON, MET_OFF, EARLY, STANDING, (OPEN,)])
@pytest.mark.parametrize("facts", [BasinFacts(), WITH_LOAD, BasinFacts(last=LOAD, devices=IN_IT)])
def test_nothing_is_offered_twice(spans: tuple[Any, ...], facts: BasinFacts) -> None:
    words = offered(found(*spans, facts=facts))
    assert len(words) == len(set(words))


def test_the_marks_go_up_to_the_rim() -> None:
    found_marks = marks(NEED)
    assert [each.minutes for each in found_marks if each.minutes] == ["3", "6", "9", "12"]
    assert found_marks[-1].below_percent == 0
    assert found_marks[0].below_percent == 91.67
    assert marks(None) == []
    assert len(marks(Requirement(20_000, 90 * 60_000))) <= 18


def test_the_lanes_draw_a_full_level_as_high_as_this_page_takes_it_to_be() -> None:
    full = seen(*MET_ON)
    assert full.said.kind is Kind.MET
    assert lane(full, WHEN).depth == LANE_DEPTH


def test_what_stands_beside_the_vessel() -> None:
    facts = msgspec.structs.replace(WITH_LOAD, rinsing=Rinsing("L3", (), PROFILE.rinses))
    beside = {each.about: each for each in facts_beside(seen(*SOAKING), facts, WHEN)}
    assert beside["Load"].lines == ("gastroscope GS-01",)
    assert beside["By"].lines == ("Tina Test",)
    assert beside["Fill"].lines == ("in date until Wed 4 Mar 2026 13:18",)
    assert beside["Fill"].more == "peracetic acid, fill F1, lot LOT-1, poured 12:18"
    assert beside["Then"].lines == ("3 rinses, 1 min or more each",)
    gone = msgspec.structs.replace(FILL, use_by_ms=NOW_MS - 1)
    assert {each.about: each for each in facts_beside(seen(OPEN, fill=gone), facts, WHEN)}["Fill"].lines == (
        "out of date since 13:17",
    )


def test_rinses_in_words() -> None:
    assert rinses_words(None) == "rinses not known: nobody has entered them"
    assert rinses_words(Rinses(count=0, each_ms=0)) == "no rinse is asked for"
    assert rinses_words(Rinses(count=1, each_ms=300_000)) == "1 rinse of 5 min or more"
