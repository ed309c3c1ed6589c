"""People: who may record and change them, and the clock that was wrong."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from record_kit import ADMINISTRATOR, AUDITOR, MINUTE_MS, SUPERVISOR, TECHNICIAN, Recording

from collector.record.desk import Desk
from collector.record.errors import RefusedError
from collector.record.shifts.people import ChangePerson, ClockWasWrong, FirstAdministrator, RecordPerson
from collector.record.things import ClockWrong, Person, Role
from collector.schema import FILE_NAME, connect, migrate
from collector.verify import verify

NEW = RecordPerson(id="nina", name="Nina New", roles=(Role.TECHNICIAN,))


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Recording]:
    recording = Recording(tmp_path / "data")
    yield recording
    recording.close()


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Desk]:
    path = tmp_path / FILE_NAME
    db = connect(path)
    migrate(db)
    db.close()
    with Desk(tmp_path, lambda: 1_000_000) as desk:
        yield desk


def refusal(desk: Desk, deed: FirstAdministrator | RecordPerson, who: str) -> tuple[str, str, str]:
    with pytest.raises(RefusedError) as caught:
        desk.do(deed, who, second_factor=True)
    return caught.value.rule, caught.value.text, caught.value.next_step


def test_the_first_person_records_themselves_and_then_the_others(empty: Desk) -> None:
    assert refusal(empty, NEW, "ada") == ("not-signed-in", "Nobody is signed in.", "Scan a badge, then do it again.")
    assert refusal(empty, FirstAdministrator(id="ada", name="Ada"), "eve") == (
        "own-name",
        "'eve' cannot record 'ada' as the first administrator.",
        "The first administrator records themselves: use the same id twice.",
    )
    assert empty.do(FirstAdministrator(id="ada", name=" Ada "), "ada") == (1, "person", "ada", False)
    assert refusal(empty, FirstAdministrator(id="ada", name="Ada"), "ada") == (
        "not-the-first",
        "There are people in the record already.",
        "Let an administrator among them record the new person.",
    )
    assert empty.do(NEW, "ada", second_factor=True).id == "nina"


def test_a_deed_made_in_python_keeps_its_bounds_too(empty: Desk) -> None:
    """Pages and commands make deeds without decoding: a reason of 60,000 letters went on record."""
    long = FirstAdministrator(id="ada", name="Ada", reason="x" * 60_000)
    rule, text, next_step = refusal(empty, long, "ada")
    assert (rule, text) == ("malformed", "Expected `str` of length <= 1000 - at `$.reason`.")
    assert next_step == "Nothing was recorded. Correct that and do it again."
    assert empty.connection.execute("SELECT count(*) FROM ledger").fetchone() == (0,)


@pytest.mark.parametrize("name", ["collector", "Nobody"])
def test_names_that_the_record_uses_are_nobodys(empty: Desk, site: Recording, name: str) -> None:
    expected = ("person-id", f"The record uses {name!r} where no person stands.", "Choose another id for this person.")
    assert refusal(empty, FirstAdministrator(id=name, name="Ada"), name) == expected
    assert site.refused(RecordPerson(id=name, name="Ada", roles=(Role.AUDITOR,)), ADMINISTRATOR) == expected


@pytest.mark.parametrize("who", [TECHNICIAN, SUPERVISOR, AUDITOR])
def test_only_an_administrator_records_people(site: Recording, who: str) -> None:
    assert site.refused(NEW, who)[0] == "role"


def test_recording_and_changing_people_takes_a_second_factor(site: Recording) -> None:
    expected = ("second-factor", "This takes a PIN or password besides the badge.", "Enter your PIN.")
    assert site.refused(NEW, ADMINISTRATOR, second_factor=False) == expected
    assert site.refused(ChangePerson(id=TECHNICIAN, active=False), ADMINISTRATOR, second_factor=False) == expected


def test_roles_stand_once_and_in_order(site: Recording) -> None:
    roles = (Role.SUPERVISOR, Role.TECHNICIAN, Role.SUPERVISOR)
    site.do(RecordPerson(id="nina", name=" Nina ", roles=roles), ADMINISTRATOR)
    assert site.get(Person, "nina") == Person(id="nina", name="Nina", roles=(Role.TECHNICIAN, Role.SUPERVISOR))


def test_somebody_without_a_role_is_refused(site: Recording) -> None:
    expected = (
        "no-role",
        "Without a role a person can do nothing, not even read.",
        "Give a role; if they have left, record that instead.",
    )
    assert site.refused(RecordPerson(id="nina", name="Nina", roles=()), ADMINISTRATOR) == expected
    assert site.refused(ChangePerson(id=TECHNICIAN, roles=()), ADMINISTRATOR) == expected


def test_an_id_is_one_persons_for_ever(site: Recording) -> None:
    site.do(ChangePerson(id=TECHNICIAN, active=False, reason="moved away"), ADMINISTRATOR)
    assert site.refused(RecordPerson(id="TINA", name="Tina Two", roles=(Role.TECHNICIAN,)), ADMINISTRATOR) == (
        "person-exists",
        "'tina' is Tina Test, who has left.",
        "Choose another id; to change what is on file for that person, change the person.",
    )


def test_a_supervisor_keeps_training_and_colour_vision_only(site: Recording) -> None:
    site.do(
        ChangePerson(
            id="tom",
            trained_on="2026-02-01",
            training_expires="2027-02-01",
            colour_vision_on="2026-02-01",
            colour_vision_passed=False,
        ),
        SUPERVISOR,
    )
    tom = site.get(Person, "tom")
    assert (tom.trained_on, tom.training_expires, tom.colour_vision_passed) == ("2026-02-01", "2027-02-01", False)
    assert site.refused(ChangePerson(id="tom", roles=(Role.ADMINISTRATOR,), active=False), SUPERVISOR) == (
        "role",
        "Sam Test is no administrator and cannot change roles or active of a person.",
        "Ask an administrator to do it; training and colour vision can be kept by a supervisor.",
    )


def test_what_is_not_given_stays_and_null_takes_away(site: Recording) -> None:
    site.do(ChangePerson(id=TECHNICIAN, name="Tina Other"), ADMINISTRATOR)
    assert site.get(Person, TECHNICIAN).colour_vision_passed is True
    site.do(ChangePerson(id=TECHNICIAN, colour_vision_on=None, colour_vision_passed=None), ADMINISTRATOR)
    tina = site.get(Person, TECHNICIAN)
    assert (tina.name, tina.colour_vision_on, tina.colour_vision_passed) == ("Tina Other", None, None)
    assert site.refused(ChangePerson(id="zoe", name="Zoe"), ADMINISTRATOR)[0] == "unknown-person"


@pytest.mark.parametrize(
    ("said", "rule", "text", "next_step"),
    [
        (
            {"trained_on": "2026-03-03"},
            "date-in-future",
            "The training is dated 2026-03-03, which is still to come.",
            "Record it once it has happened.",
        ),
        (
            {"colour_vision_on": "2026-03-03", "colour_vision_passed": True},
            "date-in-future",
            "The colour vision screening is dated 2026-03-03, which is still to come.",
            "Record it once it has happened.",
        ),
        (
            {"training_expires": "2027-01-01"},
            "training-dates",
            "An expiry of training is given, but no training.",
            "Give the date of the training too.",
        ),
        (
            {"trained_on": "2026-02-01", "training_expires": "2026-01-31"},
            "training-dates",
            "Training of 2026-02-01 cannot have expired before it, on 2026-01-31.",
            "Compare both dates with the certificate.",
        ),
        (
            {"colour_vision_on": "2026-02-01"},
            "colour-vision",
            "A colour vision screening has a date and an outcome; only one of them is given.",
            "Give both, or neither.",
        ),
        (
            {"trained_on": "2026-02-30"},
            "date",
            "'2026-02-30' is no date of the calendar.",
            "Type it as year-month-day, for instance 2027-03-31.",
        ),
    ],
)
def test_a_file_that_cannot_be_right(
    site: Recording, said: dict[str, object], rule: str, text: str, next_step: str
) -> None:
    assert site.refused(ChangePerson(id="tom", **said), SUPERVISOR) == (rule, text, next_step)  # type: ignore[arg-type]
    new = RecordPerson(id="nina", name="Nina", roles=(Role.TECHNICIAN,), **said)  # type: ignore[arg-type]
    assert site.refused(new, ADMINISTRATOR) == (rule, text, next_step)


@pytest.mark.parametrize("change", [{"active": False}, {"roles": (Role.SUPERVISOR,)}])
def test_the_last_administrator_stays_one(site: Recording, change: dict[str, object]) -> None:
    leaving = ChangePerson(id=ADMINISTRATOR, **change)  # type: ignore[arg-type]
    assert site.refused(leaving, ADMINISTRATOR) == (
        "last-administrator",
        "Ada Test is the only administrator: without one nobody could let anybody in again.",
        "Make somebody else an administrator first.",
    )
    site.do(RecordPerson(id="nina", name="Nina", roles=(Role.ADMINISTRATOR,)), ADMINISTRATOR)
    site.do(leaving, ADMINISTRATOR)
    assert site.refused(ChangePerson(id="nina", active=False), "nina")[0] == "last-administrator"


def test_who_has_left_can_do_nothing_and_may_come_back(site: Recording) -> None:
    site.do(ChangePerson(id=SUPERVISOR, active=False), ADMINISTRATOR)
    assert site.refused(ChangePerson(id="tom", trained_on="2026-02-01"), SUPERVISOR)[0] == "not-signed-in"
    site.do(ChangePerson(id=SUPERVISOR, active=True), ADMINISTRATOR)
    site.do(ChangePerson(id="tom", trained_on="2026-02-01"), SUPERVISOR)


def test_a_clock_that_was_wrong_holds_everything_up_until_it_is_said(site: Recording) -> None:
    right_ms = site.clock.now_ms
    site.later(26 * MINUTE_MS)
    wrong = site.do(ChangePerson(id="tom", trained_on="2026-02-01"), SUPERVISOR)
    site.clock.now_ms = right_ms
    deed = ChangePerson(id="tom", trained_on="2026-02-02")
    assert site.refused(deed, SUPERVISOR) == (
        "clock-behind",
        f"This machine's clock is 1560 s behind the last record (number {wrong.number}): what is recorded now would "
        "seem to have happened before it.",
        "Set the clock. If it is right and was wrong then, an administrator records 'clock was wrong'.",
    )
    assert site.refused(ClockWasWrong(), ADMINISTRATOR) == (
        "reason",
        "The record keeps why the clock was wrong.",
        "Say how it was noticed and put right.",
    )
    said = ClockWasWrong(reason="time server set it right")
    assert site.refused(said, ADMINISTRATOR, second_factor=False)[0] == "second-factor"
    assert site.refused(said, SUPERVISOR)[0] == "role"
    assert site.refused(ClockWasWrong(first=wrong.number + 1, reason="x"), ADMINISTRATOR) == (
        "record-number",
        f"Record {wrong.number + 1} comes after the last one that a person made, {wrong.number}.",
        "Give the number of the first record with a wrong date.",
    )
    done = site.do(said, ADMINISTRATOR)
    assert site.get(ClockWrong, done.id) == ClockWrong(
        id="W1",
        by=ADMINISTRATOR,
        at_ms=right_ms,
        first=wrong.number,
        last=wrong.number,
        ahead_ms=26 * MINUTE_MS,
        text=f"Records {wrong.number} to {wrong.number} were made with a clock that was ahead, the last by 26 min or "
        "more: what they date must be compared with the labels.",
    )
    site.do(deed, SUPERVISOR)
    assert site.refused(said, ADMINISTRATOR) == (
        "clock-not-behind",
        "This machine's clock is not behind the last record: nothing is held up by it.",
        "Put a wrong date right where it stands: correct that record and give the reason.",
    )


def test_a_change_that_changes_nothing_is_refused(recording: Recording) -> None:
    """Also where a list of the thing is as it was."""
    before = verify(recording.data).head
    with pytest.raises(RefusedError) as refused:
        recording.desk.do(ChangePerson(id="tina"), "ada", second_factor=True)
    assert refused.value.rule == "no-change"
    assert verify(recording.data).head == before
