"""What is remembered of a load is what would be found out anew, whatever was said or seen in between."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from random import Random

import pytest
from kit import SENSOR
from msgspec.structs import replace
from record_kit import MINUTE_MS, SECOND_MS, TECHNICIAN, Recording
from ward_kit import B1, B2, STEPS, Ward

from collector.alarms.gather import Gather
from collector.record.errors import RefusedError
from collector.record.rounds.loads import AddDevice, AnnounceOpening, StartLoad, TakeOut
from collector.record.rounds.turns import AttestSteps, BeginTurn
from collector.record.things import Device, Discarded, Fill, Profile, SensorCheck, Turn


def device(ward: Ward) -> tuple[str]:
    """A device nobody has seen before, prepared."""
    name = f"D{ward.now_ms}"
    ward.recording.put(Device(id=name, type="gastroscope"))
    ward.do(BeginTurn(device=name))
    ward.do(AttestSteps(device=name, steps=STEPS))
    return (name,)


def something(ward: Ward, basin: str, dice: Random) -> None:
    """Something is seen, done or corrected.

    Raises:
        RefusedError: It cannot be done now.
    """
    recording, now_ms = ward.recording, ward.now_ms
    match dice.randrange(13):
        case 0 | 1:
            ward.lid(basin, dice.choice(("open", "closed")), dice.randrange(5, 60), dice.choice((21_000, 19_500)))
        case 2:
            ward.lid(basin, "closed", 13 * 60)
        case 3:
            ward.do(StartLoad(basin=basin, devices=device(ward)))
        case 4:
            ward.do(AddDevice(basin=basin, devices=device(ward)))
        case 5:
            ward.do(AnnounceOpening(basin=basin))
        case 6:
            ward.do(TakeOut(basin=basin))
        case 11 | 12:
            soaking = [each.device for each in recording.all(Turn) if each.basin == basin and each.out_ms is None]
            ward.do(TakeOut(basin=basin, devices=(dice.choice(soaking),) if soaking else ()))
        case 7:
            *_, fill = (each for each in recording.all(Fill) if each.basin == basin)
            discarded = (
                Discarded(by=TECHNICIAN, at_ms=now_ms, reason="old", volume_ml=3_000)
                if fill.discarded is None
                else None
            )
            recording.put(replace(fill, failed_ms=dice.choice((None, now_ms)), discarded=discarded))
        case 8:
            profile, longest_ms = recording.get(Profile, "opa"), dice.choice((None, MINUTE_MS))
            min_mc = dice.choice((19_000, 20_000, 22_000))
            recording.put(replace(profile, min_mc=min_mc, longest_immersion_ms=longest_ms))
        case 9:
            correction_mc = dice.choice((-2_000, 0, 500))
            recording.put(
                SensorCheck(
                    id=f"C{now_ms}",
                    sensor=SENSOR,
                    basin=basin,
                    at_ms=now_ms,
                    by=TECHNICIAN,
                    reference="reference",
                    correction_mc=correction_mc,
                    u_mc=500,
                )
            )
        case _:
            recording.set_policy(longest_immersion_ms=dice.choice((MINUTE_MS, 60 * MINUTE_MS)))
            recording.later(dice.randrange(1, 30) * SECOND_MS)


def remembered(gather: Gather) -> dict[str, object]:
    """Of each load, all but for the judge, who is held to what was found."""
    return {load: known._replace(judge=None) for load, known in gather._known.items()}


@pytest.mark.parametrize("seed", range(6))
def test_what_is_remembered_is_what_would_be_found_out_anew(tmp_path: Path, seed: int) -> None:
    ward = Ward(Recording(tmp_path / "data"))
    try:
        dice, remembering, held = Random(seed), Gather(), 0
        for basin in (B1, B2):
            ward.lid(basin, "open", 5)
            ward.do(StartLoad(basin=basin, devices=device(ward)))
        for _ in range(120):
            with suppress(RefusedError):
                something(ward, dice.choice((B1, B2)), dice)
            book = ward.recording.book()
            found = list(remembering.look(book, {}))
            anew = Gather()
            anew._open_since_ms = remembering._open_since_ms
            assert found == list(anew.look(book, {}))
            assert remembered(remembering) == remembered(anew)
            held += len(found)
        assert held > 20
    finally:
        ward.close()
        ward.recording.close()
