"""Look-backs: which rounds are concerned, whose devices are held back, and how they come free."""

from __future__ import annotations

import pytest
from msgspec.structs import replace
from record_kit import MINUTE_MS, SECOND_MS, SUPERVISOR
from ward_kit import B1, B2, Ward

from collector.record.deed import HANDS, Deed
from collector.record.rounds.lookback_opening import open_look_back
from collector.record.rounds.lookbacks import CloseLookBack, FreeFromLookBack
from collector.record.rounds.quarantine import QuarantineDevice
from collector.record.rounds.release import Release
from collector.record.rounds.use import RecordUse
from collector.record.things import Attested, LookBack


class Suspect(Deed, frozen=True, kw_only=True):
    """A deed of the test's that finds something wrong with fills."""

    NAME = "suspect"
    ROLES = HANDS

    fills: tuple[str, ...]
    from_ms: int
    until_ms: int | None = None

    def perform(self, book: object) -> LookBack:
        """Open it."""
        return open_look_back(
            book,  # type: ignore[arg-type]
            cause="mec-fail",
            text="A strip failed.",
            from_ms=self.from_ms,
            until_ms=self.until_ms,
            fills=self.fills,
        )


def test_the_rounds_of_a_fill_within_the_window(ward: Ward) -> None:
    """What was taken out before the last good evidence, or went into another fill, is not concerned."""
    ward.soaked("A1")
    from_ms = ward.now_ms
    ward.recording.later(SECOND_MS)
    ward.tested(B1)
    ward.soaked("A2")
    ward.soaked("A3", basin=B2)
    ward.do(Suspect(fills=("F1",), from_ms=from_ms))
    (look_back,) = ward.recording.all(LookBack)
    assert look_back.concerned.keys() == {"T2"}
    assert replace(look_back, concerned={}) == LookBack(
        id="K1",
        cause="mec-fail",
        text="A strip failed.",
        opened_ms=ward.now_ms,
        by="tina",
        from_ms=from_ms,
        until_ms=ward.now_ms + 1,
        fills=("F1",),
        turns=("T2",),
        devices=("A2",),
    )
    assert [ward.device(each).lookbacks for each in ("A1", "A2", "A3")] == [(), ("K1",), ()]


def test_the_window_ends_before_what_went_in_later(ward: Ward) -> None:
    ward.soaked("A1")
    until_ms = ward.now_ms
    ward.recording.later(SECOND_MS)
    ward.tested(B1)
    ward.soaking("A2")
    ward.do(Suspect(fills=("F1", "F2"), from_ms=0, until_ms=until_ms))
    assert ward.recording.get(LookBack, "K1").turns == ("T1",)
    ward.do(Suspect(fills=("F1",), from_ms=0))
    assert ward.recording.get(LookBack, "K2").turns == ("T1", "T2")


def test_what_was_used_stays_in_the_look_back_and_holds_no_device(ward: Ward) -> None:
    """Its encounter is what matters; a quarantined device is held already."""
    ward.released("A1", "A2", "A3")
    ward.do(RecordUse(device="A1", encounter="ENC-1"))
    ward.do(QuarantineDevice(device="A2", reason="It fell.", next_action="Reprocess."))
    ward.do(Suspect(fills=("F1",), from_ms=0))
    assert ward.recording.get(LookBack, "K1").turns == ("T1", "T2", "T3")
    assert [ward.device(each).lookbacks for each in ("A1", "A2", "A3")] == [(), (), ("K1",)]


def test_a_held_device_is_not_released_until_the_look_back_is_closed(ward: Ward) -> None:
    ward.finished("A1")
    ward.do(Suspect(fills=("F1",), from_ms=0))
    ward.do(Suspect(fills=("F1",), from_ms=0))
    assert ward.refused(Release(devices=("A1",))) == (
        "look-back",
        "A1: look-back K1 holds it.",
        "A supervisor concludes the look-back, or frees it once it was reprocessed.",
    )
    close = CloseLookBack(look_back="K1", conclusion="The strip was from a wet bottle.", reason="A test closes it.")
    assert ward.refused(close)[0] == "role"
    assert ward.refused(close, SUPERVISOR, second_factor=False)[0] == "second-factor"
    assert ward.refused(CloseLookBack(look_back="K1", conclusion=" "), SUPERVISOR) == (
        "conclusion",
        "Look-back K1 has no conclusion: nobody could tell later what was found.",
        "Say in a sentence what was found and what was done.",
    )
    ward.do(close, SUPERVISOR)
    closed = ward.recording.get(LookBack, "K1").closed
    assert closed == Attested("sam", ward.now_ms, "The strip was from a wet bottle.")
    assert ward.device("A1").lookbacks == ("K2",)
    assert ward.refused(close, SUPERVISOR) == (
        "look-back-closed",
        "Look-back K1 was closed by Sam Test at 2026-03-02 09:16.",
        "Read the conclusion; nothing more is needed.",
    )
    ward.do(CloseLookBack(look_back="K2", conclusion="The same.", reason="A test closes it."), SUPERVISOR)
    ward.do(Release(devices=("A1",)))


@pytest.mark.parametrize("reason", ["", "It was reprocessed in fill F1."])
def test_a_reprocessed_device_is_freed_while_the_look_back_goes_on(ward: Ward, reason: str) -> None:
    ward.finished("A1")
    ward.do(Suspect(fills=("F1",), from_ms=0))
    free = FreeFromLookBack(look_back="K1", device="A1", reason=reason)
    assert ward.refused(free, SUPERVISOR) == (
        "reprocess-first",
        "A1 has not been reprocessed since: its round T1 is the one in question.",
        "Begin a new round of A1, or close look-back K1 with its conclusion.",
    )
    ward.recording.later(MINUTE_MS)
    ward.tested(B1)
    ward.finished("A1")
    assert ward.refused(Release(devices=("A1",)))[0] == "look-back"
    if not reason:
        assert ward.refused(free, SUPERVISOR) == ("reason", "This needs a reason.", "Say in a few words why.")
        return
    ward.do(free, SUPERVISOR)
    assert ward.recording.get(LookBack, "K1").open()
    ward.do(Release(devices=("A1",)))
    assert ward.refused(free, SUPERVISOR) == (
        "not-in-look-back",
        "Look-back K1 does not hold A1 back.",
        "Look at the device's page: it lists what does.",
    )
