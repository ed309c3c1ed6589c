"""Badges, PINs and passwords, and who is signed in: on real databases, with a clock that the test sets."""

from __future__ import annotations

import threading

import argon2
import msgspec
import pytest
from record_kit import ADMINISTRATOR, SUPERVISOR, TECHNICIAN, Recording

from collector import credentials, sessions
from collector.credentials import Kind
from collector.guesses import WAITING_RULE
from collector.record.errors import RefusedError
from collector.record.things import Person
from collector.schema import FILE_NAME, connect

NOW_MS = 1_700_000_000_000
PIN, OTHER_PIN = "836152", "529471"
PASSWORD = "copper lantern walks north"  # noqa: S105


def refusal(recording: Recording, kind: Kind, secret: str) -> tuple[str, str, str]:
    with pytest.raises(RefusedError) as caught:
        credentials.set_secret(recording.desk.connection, TECHNICIAN, kind, secret)
    assert credentials.has(recording.desk.connection, TECHNICIAN) == []
    return caught.value.rule, caught.value.text, caught.value.next_step


def test_a_badge_is_known_by_its_code_alone(recording: Recording) -> None:
    """Scanners add line ends, and with caps lock on they type small letters."""
    connection = recording.desk.connection
    code = credentials.new_badge(connection, TECHNICIAN)
    other = credentials.new_badge(connection, SUPERVISOR)
    assert credentials.person_of_badge(connection, code) == TECHNICIAN
    assert credentials.person_of_badge(connection, f" {other.lower()}\r\n") == SUPERVISOR
    assert credentials.person_of_badge(connection, code[:-1]) is None
    assert credentials.person_of_badge(connection, "") is None


def test_a_badge_has_128_random_bits_and_only_letters_that_no_keyboard_moves(recording: Recording) -> None:
    codes = {credentials.new_badge(recording.desk.connection, TECHNICIAN) for _ in range(50)}
    assert len(codes) == 50
    random_part = {code.removeprefix("PERSON") for code in codes}
    assert {len(each) for each in random_part} == {30}
    letters = set("".join(random_part))
    assert len(letters) ** 30 > 2**128
    assert not letters & set("AQWZYM")
    assert all(each.isascii() and each.isupper() for each in letters)


def test_a_new_badge_ends_the_one_before(recording: Recording) -> None:
    connection = recording.desk.connection
    lost = credentials.new_badge(connection, TECHNICIAN)
    found = credentials.new_badge(connection, TECHNICIAN)
    assert credentials.person_of_badge(connection, lost) is None
    assert credentials.person_of_badge(connection, found) == TECHNICIAN


def test_nothing_that_opens_anything_is_kept(recording: Recording) -> None:
    """The database file itself does not hold a badge, a PIN, a password or a session's token."""
    connection = recording.desk.connection
    code = credentials.new_badge(connection, TECHNICIAN)
    credentials.set_secret(connection, TECHNICIAN, Kind.PIN, PIN)
    credentials.set_secret(connection, TECHNICIAN, Kind.PASSWORD, PASSWORD)
    token = sessions.begin(connection, TECHNICIAN, NOW_MS, idle_ms=1_000, proven=True)
    connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    stored = (recording.data / FILE_NAME).read_bytes()
    assert b"$argon2id$" in stored
    for secret in (code, PIN, PASSWORD, token):
        assert secret.encode() not in stored


def test_pin_and_password_are_told_apart(recording: Recording) -> None:
    """A PIN never signs in where a password is asked for."""
    connection = recording.desk.connection
    credentials.set_secret(connection, TECHNICIAN, Kind.PIN, PIN)
    credentials.set_secret(connection, TECHNICIAN, Kind.PASSWORD, PASSWORD)
    assert credentials.check(connection, TECHNICIAN, PIN, NOW_MS)
    assert credentials.check(connection, TECHNICIAN, PASSWORD, NOW_MS)
    assert not credentials.check(connection, TECHNICIAN, PIN, NOW_MS, Kind.PASSWORD)
    assert not credentials.check(connection, TECHNICIAN, OTHER_PIN, NOW_MS)
    assert not credentials.check(connection, SUPERVISOR, PIN, NOW_MS)
    assert not credentials.check(connection, "nobody", PIN, NOW_MS)


def test_a_password_is_the_same_however_its_characters_are_composed(recording: Recording) -> None:
    connection = recording.desk.connection
    credentials.set_secret(connection, TECHNICIAN, Kind.PASSWORD, "Kräuterg\u00e4rten im Mai")
    assert credentials.check(connection, TECHNICIAN, "Kra\u0308uterga\u0308rten im Mai", NOW_MS)


@pytest.mark.parametrize("pin", ["83615", "836152836152", "83615x", "８３６１５２", ""])
def test_a_pin_is_six_to_eleven_digits(recording: Recording, pin: str) -> None:
    assert refusal(recording, Kind.PIN, pin) == ("pin-form", "A PIN has 6 to 11 digits.", "Choose another one.")


@pytest.mark.parametrize(
    "pin", ["000000", "123456", "654321", "890123", "246802", "121212", "123123", "1231231", "447447", "112211"]
)
def test_a_pin_is_not_what_is_tried_first(recording: Recording, pin: str) -> None:
    assert refusal(recording, Kind.PIN, pin) == (
        "pin-weak",
        "That PIN is among the first that anybody would try: digits in a row, or the same ones again.",
        "Choose another one.",
    )


def test_a_password_is_long(recording: Recording) -> None:
    assert refusal(recording, Kind.PASSWORD, "Tr0ub4dor&3") == (
        "password-length",
        "A password has 12 to 200 characters; this has 11.",
        "Several words in a row are easy to remember. Choose another one.",
    )
    assert refusal(recording, Kind.PASSWORD, "ab" * 101)[0] == "password-length"


@pytest.mark.parametrize(
    "password", ["passwordpassword", "Soakledger1234", "123456789012", "tina-tina-tina-1", "abababababab"]
)
def test_a_password_is_not_what_is_tried_first(recording: Recording, password: str) -> None:
    assert refusal(recording, Kind.PASSWORD, password) == (
        "password-weak",
        "That password is among the first that anybody would try: well-known words, your own name or the same "
        "characters again.",
        "Several words in a row are easy to remember. Choose another one.",
    )


def test_after_five_failures_each_try_waits_longer(recording: Recording) -> None:
    """30 s, then a minute, two …; meanwhile the right PIN opens nothing either."""
    connection = recording.desk.connection
    credentials.set_secret(connection, TECHNICIAN, Kind.PIN, PIN)
    now_ms = NOW_MS
    for _ in range(5):
        assert credentials.wait_ms(connection, TECHNICIAN, Kind.PIN, now_ms) == 0
        assert not credentials.check(connection, TECHNICIAN, OTHER_PIN, now_ms)
    for wait_ms in (30_000, 60_000, 120_000):
        assert credentials.wait_ms(connection, TECHNICIAN, Kind.PIN, now_ms) == wait_ms
        assert not credentials.check(connection, TECHNICIAN, PIN, now_ms + wait_ms - 1)
        now_ms += wait_ms
        assert not credentials.check(connection, TECHNICIAN, OTHER_PIN, now_ms)
    now_ms += 240_000
    assert credentials.check(connection, TECHNICIAN, PIN, now_ms)
    assert credentials.wait_ms(connection, TECHNICIAN, Kind.PIN, now_ms) == 0
    assert WAITING_RULE == (
        "After five wrong ones in a row each further try has to wait: 30 seconds at first, twice as long each time, "
        "an hour at most."
    )


def test_waiting_never_takes_more_than_an_hour_until_nothing_but_a_new_one_helps(recording: Recording) -> None:
    connection = recording.desk.connection
    credentials.set_secret(connection, TECHNICIAN, Kind.PIN, PIN)

    def failures(count: int) -> None:
        connection.execute("UPDATE credential SET failures = ?, failed_ms = ?", (count, NOW_MS))
        connection.commit()

    failures(49)
    assert credentials.wait_ms(connection, TECHNICIAN, Kind.PIN, NOW_MS) == 3_600_000
    assert credentials.check(connection, TECHNICIAN, PIN, NOW_MS + 3_600_000)
    failures(50)
    assert not credentials.check(connection, TECHNICIAN, PIN, NOW_MS + 10 * 3_600_000)
    credentials.set_secret(connection, TECHNICIAN, Kind.PIN, OTHER_PIN)
    assert credentials.check(connection, TECHNICIAN, OTHER_PIN, NOW_MS)


def test_a_clock_set_back_locks_nobody_out_for_long(recording: Recording) -> None:
    connection = recording.desk.connection
    credentials.set_secret(connection, TECHNICIAN, Kind.PIN, PIN)
    for _ in range(5):
        credentials.check(connection, TECHNICIAN, OTHER_PIN, NOW_MS)
    assert credentials.wait_ms(connection, TECHNICIAN, Kind.PIN, NOW_MS - 86_400_000) == 30_000


def test_wrong_passwords_do_not_lock_the_pin(recording: Recording) -> None:
    """They can be tried from anywhere; a PIN at the tablet takes the badge too."""
    connection = recording.desk.connection
    credentials.set_secret(connection, TECHNICIAN, Kind.PIN, PIN)
    credentials.set_secret(connection, TECHNICIAN, Kind.PASSWORD, PASSWORD)
    for _ in range(6):
        assert not credentials.check(connection, TECHNICIAN, "wrong wrong wrong", NOW_MS)
    assert not credentials.check(connection, TECHNICIAN, PASSWORD, NOW_MS)
    assert credentials.check(connection, TECHNICIAN, PIN, NOW_MS)


def test_many_tries_at_once_are_counted_like_one_after_another(recording: Recording) -> None:
    """The right PIN among twenty at the same moment: at most five of them are compared at all."""
    credentials.set_secret(recording.desk.connection, TECHNICIAN, Kind.PIN, PIN)
    right: list[bool] = []

    def guess(secret: str) -> None:
        db = connect(recording.data / FILE_NAME)
        right.append(credentials.check(db.conn, TECHNICIAN, secret, NOW_MS))
        db.close()

    threads = [threading.Thread(target=guess, args=(OTHER_PIN,)) for _ in range(20)]
    for each in threads:
        each.start()
    for each in threads:
        each.join()
    assert right == [False] * 20
    assert recording.desk.connection.execute("SELECT failures FROM credential").fetchone() == (5,)


def test_what_was_hashed_more_weakly_is_hashed_again(recording: Recording) -> None:
    connection = recording.desk.connection
    credentials.set_secret(connection, TECHNICIAN, Kind.PIN, PIN)
    weak = argon2.PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(PIN)
    connection.execute("UPDATE credential SET hash = ?", (weak,))
    connection.commit()
    assert credentials.check(connection, TECHNICIAN, PIN, NOW_MS)
    (hashed,) = connection.execute("SELECT hash FROM credential").fetchone()
    assert hashed.startswith("$argon2id$v=19$m=19456,t=2,p=1$")
    assert credentials.check(connection, TECHNICIAN, PIN, NOW_MS)


def test_what_somebody_else_set_is_temporary_until_changed(recording: Recording) -> None:
    connection = recording.desk.connection
    credentials.set_secret(connection, TECHNICIAN, Kind.PIN, PIN, temporary=True)
    assert credentials.is_temporary(connection, TECHNICIAN, Kind.PIN)
    credentials.set_secret(connection, TECHNICIAN, Kind.PIN, OTHER_PIN)
    assert not credentials.is_temporary(connection, TECHNICIAN, Kind.PIN)


def session(recording: Recording, token: str, now_ms: int) -> sessions.Session | None:
    return sessions.find(recording.desk.connection, token, now_ms)


def test_a_session_ends_when_it_rests_and_after_twelve_hours_whatever_happens(recording: Recording) -> None:
    connection = recording.desk.connection
    token = sessions.begin(connection, TECHNICIAN, NOW_MS, idle_ms=600_000, proven=False)
    found = session(recording, token, NOW_MS + 600_000)
    assert found is not None
    assert (found.person.id, found.second_factor) == (TECHNICIAN, False)
    assert session(recording, token, NOW_MS + 600_001) is None
    now_ms = NOW_MS
    while now_ms < NOW_MS + sessions.LONGEST_MS:
        now_ms += 600_000
        sessions.touch(connection, token, now_ms)
    assert session(recording, token, NOW_MS + sessions.LONGEST_MS) is not None
    assert session(recording, token, NOW_MS + sessions.LONGEST_MS + 1) is None


def test_a_second_factor_counts_for_five_minutes(recording: Recording) -> None:
    connection = recording.desk.connection
    token = sessions.begin(connection, TECHNICIAN, NOW_MS, idle_ms=3_600_000, proven=True)
    for ms, holds in ((0, True), (300_000, True), (300_001, False)):
        found = session(recording, token, NOW_MS + ms)
        assert found is not None
        assert found.second_factor is holds
    sessions.prove(connection, token, NOW_MS + 400_000)
    found = session(recording, token, NOW_MS + 400_000)
    assert found is not None
    assert found.second_factor


def test_a_session_ends_when_the_person_leaves_or_a_secret_changes(recording: Recording) -> None:
    connection = recording.desk.connection
    mine = sessions.begin(connection, TECHNICIAN, NOW_MS, idle_ms=600_000, proven=False)
    other = sessions.begin(connection, TECHNICIAN, NOW_MS, idle_ms=600_000, proven=False)
    theirs = sessions.begin(connection, ADMINISTRATOR, NOW_MS, idle_ms=600_000, proven=False)
    sessions.end_all(connection, TECHNICIAN, NOW_MS, but=mine)
    assert session(recording, mine, NOW_MS) is not None
    assert session(recording, other, NOW_MS) is None
    assert session(recording, theirs, NOW_MS) is not None
    recording.put(msgspec.structs.replace(recording.get(Person, TECHNICIAN), active=False))
    assert session(recording, mine, NOW_MS) is None
    recording.put(msgspec.structs.replace(recording.get(Person, ADMINISTRATOR), roles=()))
    assert session(recording, theirs, NOW_MS) is None


def test_a_clock_set_back_ends_sessions(recording: Recording) -> None:
    """Nobody knows how long they have rested."""
    token = sessions.begin(recording.desk.connection, TECHNICIAN, NOW_MS, idle_ms=600_000, proven=False)
    assert session(recording, token, NOW_MS - 60_000) is not None
    assert session(recording, token, NOW_MS - 60_001) is None


def test_sessions_that_are_over_are_cleared_away(recording: Recording) -> None:
    connection = recording.desk.connection
    for ms in (0, 700_000, 700_001):
        sessions.begin(connection, TECHNICIAN, NOW_MS + ms, idle_ms=600_000, proven=False)
    assert connection.execute("SELECT count(*) FROM session").fetchone() == (2,)
    assert session(recording, "", NOW_MS) is None
