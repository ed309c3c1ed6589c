"""The guided check: what it computes, what it refuses and in which words, and what follows from it."""

from __future__ import annotations

import math
from typing import Any

import msgspec
import pytest
from checkkit import BASIN, ICE, WORKING, certificate, check, newest, pairs, reference, settings, with_reference
from kit import SENSOR
from record_kit import ADMINISTRATOR, AUDITOR, DAY_MS, SUPERVISOR, Recording, at

from collector.record.basins.checks import RecordSensorCheck
from collector.record.basins.ready_facts import facts
from collector.record.basins.references import CertifyReference, RecordMapping, RetireReference
from collector.record.errors import RefusedError
from collector.record.things import CertificatePoint, Mapping, Place, Reference, SensorCheck
from collector.required import required_of
from soak.budget import Shape, expanded_mc
from soak.requirement import SensorTerms

CAN_BE_READ = {"pair": {"reference_mc": 20_000, "indicated_mc": 20_000}}


def test_correction_error_and_budget_by_hand(recording: Recording) -> None:
    """Corrected by +10 at the working point, the reference showed 21,410, 21,420, 21,410: 90, 80 and 152 below the
    sensor, mean 107.3. At the ice point 110, 120 and 40: mean 90."""
    settings(recording)
    with_reference(recording)
    recording.set_policy(sensor_check_days=180)
    recording.do(check())
    found = newest(recording)
    assert (found.correction_mc, found.error_mc, found.ice_correction_mc) == (-107, 107, -90)
    assert (found.ice_mc, found.working_mc) == (17, 21_413)
    assert (found.correction_before_mc, found.u_before_mc) == (0, 579)
    assert (found.due, found.until_ms) == ("2026-08-29", at("2026-08-30 00:00") - 1)
    u = {each.name: each.u_uc / 1_000 for each in found.budget}
    scatter = [110, 120, 40, 90, 80, 152]
    left = sum((each - 90) ** 2 for each in scatter[:3]) + sum((each - 322 / 3) ** 2 for each in scatter[3:])
    by_hand = {
        "reference, by its certificate": 30 / 2,
        "reference, drift since its certificate": math.ceil(20 * 182 / 365) / math.sqrt(3),
        "reference, resolution": 10 / math.sqrt(12),
        "sensor, resolution": 62.5 / math.sqrt(12),
        "pairs, repeatability": math.sqrt(left / 4) / math.sqrt(3) * math.sqrt(4 / 2),
        "sensor, drift until the next check": 200 / math.sqrt(3),
        "correction, change with temperature": (322 / 3 - 90) / (64_562 / 3 - 320 / 3) * 5_000 / math.sqrt(3),
    }
    assert u == pytest.approx(by_hand, abs=0.002)
    assert (
        found.u_mc == math.ceil(2 * math.sqrt(sum(each**2 for each in by_hand.values()))) == expanded_mc(found.budget)
    )
    assert [each.dof for each in found.budget if each.shape is Shape.REPEATS] == [4]
    assert found.left_out == ("Spread within the basin: nobody has mapped it, so U holds at the sensor's place only.",)


def test_it_goes_into_the_requirement_from_then_on(recording: Recording) -> None:
    settings(recording)
    with_reference(recording)
    recording.do(check())
    found = newest(recording)
    known = facts(recording.book(), BASIN)
    assert known.terms == {SENSOR: SensorTerms(found.u_mc, -107)}
    before, after = required_of(recording.desk.connection, known.basin_id)
    assert (before.terms, before.until_ms) == ({SENSOR: SensorTerms(579)}, {})
    assert (after.since_ms, after.terms) == (found.at_ms, known.terms)


def test_the_drift_is_its_own_history_from_the_second_check_on(recording: Recording) -> None:
    settings(recording)
    with_reference(recording)
    recording.do(check())
    recording.later(90 * DAY_MS)
    higher = pairs(*((shown, indicated + 250) for shown, indicated in WORKING))
    recording.do(check(working=higher, ice=pairs(*((shown, indicated + 250) for shown, indicated in ICE))))
    second = newest(recording)
    assert (second.error_mc, second.correction_mc) == (250, -357)
    drift = next(each for each in second.budget if each.name.startswith("sensor, drift"))
    assert (drift.size_uc, drift.why) == (250_000, "what this check found")
    recording.later(90 * DAY_MS)
    recording.do(check(working=higher, ice=pairs(*((shown, indicated + 250) for shown, indicated in ICE))))
    third = newest(recording)
    drift = next(each for each in third.budget if each.name.startswith("sensor, drift"))
    assert (third.error_mc, drift.size_uc, drift.why) == (0, 250_000, "the most that its last 2 checks found")


def test_what_is_off_by_more_than_u_calls_for_a_look_back(recording: Recording) -> None:
    settings(recording, SensorTerms(106, 0))
    with_reference(recording)
    recording.do(check())
    assert newest(recording).found_off_mc() == 107
    recording.later(1_000)
    recording.do(check())
    assert newest(recording).found_off_mc() is None


def test_the_error_counts_with_the_correction_of_the_settings(recording: Recording) -> None:
    """Which is in use while no check is on record; an older release took it for 0. Both kinds of check."""
    settings(recording, SensorTerms(250, 50))
    with_reference(recording)
    elsewhere = {"sensor": SENSOR, "basin": BASIN, "reference": "certificate", "u_mc": 300}
    recording.do(RecordSensorCheck(**elsewhere, reference_mc=21_000, indicated_mc=21_020))
    assert (newest(recording).error_mc, newest(recording).correction_before_mc) == (70, 50)
    recording.later(1_000)
    recording.do(check())
    assert (newest(recording).error_mc, newest(recording).correction_before_mc) == (-20 + 107, -20)


def test_equal_to_u_is_not_more(recording: Recording) -> None:
    settings(recording, SensorTerms(107, 0))
    with_reference(recording)
    recording.do(check())
    assert newest(recording).found_off_mc() is None


def test_the_second_series_must_fit(recording: Recording) -> None:
    settings(recording)
    with_reference(recording)
    recording.do(check(as_left=pairs(*WORKING)))
    assert (newest(recording).left_mc, len(newest(recording).as_left)) == (0, 3)
    u_mc = newest(recording).u_mc
    refused = recording.refused(check(as_left=pairs(*((shown, indicated + 400) for shown, indicated in WORKING))))
    assert refused[0] == "as-left"
    assert refused[1].startswith("In the second series the sensor was still 0.4 °C off, more than the U of 0.")
    assert u_mc < 400


def test_the_spread_of_a_mapping_study_goes_in(recording: Recording) -> None:
    settings(recording)
    with_reference(recording)
    recording.do(mapping())
    recording.do(check())
    found = newest(recording)
    spread = next(each for each in found.budget if each.name.startswith("basin"))
    assert (found.mapping, spread.size_uc, spread.u_uc) == ("Y1", 120_000, 69_283)
    assert found.left_out == ()


def mapping(**more: Any) -> RecordMapping:
    places = (Place("far end, bottom", 21_380), Place("near end, top", 21_550), Place("middle", 21_480))
    fixed = {"basin": BASIN, "sensor": SENSOR, "thermometer": "R-4", "at_sensor_mc": 21_500, "places": places}
    return RecordMapping(**{**fixed, **more})


def test_a_mapping_study_keeps_its_greatest_difference(recording: Recording) -> None:
    recording.do(mapping())
    assert recording.get(Mapping, "Y1").spread_mc == 120
    assert recording.refused(mapping(places=(Place("middle", 21_480),)))[:2] == (
        "mapping-places",
        "1 places say little of a basin.",
    )
    far = (*mapping().places, Place("tap", 27_000))
    assert recording.refused(mapping(places=far))[0] == "mapping-spread"


def test_an_overdue_reference_is_recorded_and_changes_nothing(recording: Recording) -> None:
    """What was found is a fact; but nobody knows how good it is, so neither terms nor due day follow from it."""
    settings(recording, SensorTerms(100, 0))
    with_reference(recording, certificate=certificate(due="2026-03-01"))
    recording.set_policy(sensor_check_days=180)
    recording.do(check())
    found = newest(recording)
    assert found.void == "The reference's certificate 2025-118 was overdue: it was due on 2026-03-01."
    assert (found.due, found.until_ms, found.found_off_mc()) == (None, None, 107)
    known = facts(recording.book(), BASIN)
    assert (known.terms, known.checks) == ({SENSOR: SensorTerms(100)}, {})


def test_the_last_day_of_a_certificate_counts_to_its_end(recording: Recording) -> None:
    settings(recording)
    with_reference(recording, certificate=certificate(due="2026-03-02"))
    recording.do(check())
    assert newest(recording).void == ""
    recording.clock.now_ms = at("2026-03-03 00:00")
    recording.do(check())
    assert newest(recording).void != ""


REFUSED = {
    "two pairs": (
        {"ice": pairs(*ICE[:2])},
        "check-pairs",
        "2 pairs at the ice point, 3 near the working temperature: from so few nobody can tell how well they repeat.",
        "Read 3 pairs or more at each.",
    ),
    "two pairs afterwards": (
        {"as_left": pairs(*WORKING[:2])},
        "check-pairs",
        "3 pairs at the ice point, 3 near the working temperature, 2 afterwards: from so few nobody can tell how well "
        "they repeat.",
        "Read 3 pairs or more at each.",
    ),
    "points reversed": (
        {"ice": pairs(*WORKING), "working": pairs(*ICE)},
        "check-points",
        "The two points are the wrong way round: 21.413 °C stands at the ice point, 0.017 °C at the working "
        "temperature.",
        "Type each series into its own table.",
    ),
    "no ice": (
        {"ice": pairs(*((4_000, 4_100) for _ in range(3)))},
        "check-points",
        "The reference showed 4.002 °C at the ice point: that is no melting ice.",
        "Make the bath again: crushed ice, water only in the gaps, half an hour to settle.",
    ),
    "ice off": (
        {"ice": pairs(*((-200, -100) for _ in range(3)))},
        "ice-point",
        "R-4 showed -0.2 °C in melting ice, corrected by its certificate; by that and its drift it can be off by "
        "0.09 °C there. Either the bath is no ice point, or the reference has changed.",
        "Make the bath again from clean water; if it stays so, take the reference out of use and say by how much it "
        "was off.",
    ),
    "too warm for the label": (
        {"working": pairs(*((25_500, 25_500) for _ in range(3)))},
        "check-points",
        "The working point is 25.51 °C: too far from where soaks in Basin 1 are judged.",
        "Read the second series in liquid within 5 °C of 20 °C.",
    ),
    "far off": (
        {"working": pairs((21_400, 21_500), (21_400, 24_000), (21_400, 21_500))},
        "sensor-error",
        f"Sensor {SENSOR} indicated 24 °C and the reference showed 21.41 °C: 2.59 °C apart, more than a sound sensor "
        "can be off (2 °C).",
        "Compare again in stirred liquid when both have settled; if it stays so, replace the sensor.",
    ),
    "not settled": (
        {"working": pairs((21_000, 21_100), (21_200, 21_200), (21_400, 21_300))},
        "check-settled",
        "The reference moved from 21 °C to 21.4 °C during the pairs near the working temperature: it had not settled, "
        "and the two lag differently.",
        "Stir, wait until neither moves, and read the pairs again.",
    ),
    "nobody said settled": (
        {"settled": False},
        "check-settled",
        "Nobody said that both had settled: a sensor in its sheath follows later than the reference.",
        "Wait until neither moves, read the pairs, and say so.",
    ),
    "unknown reference": (
        {"reference": "R-9"},
        "unknown-reference",
        "There is no reference 'R-9'.",
        "Choose one of the list, or record it with its certificate first.",
    ),
    "unknown sensor": (
        {"sensor": "28-00000000beef"},
        "unknown-sensor",
        "Basin 1 has no sensor '28-00000000beef'.",
        f"Compare the id on its cable. It has: {SENSOR}.",
    ),
    "unknown basin": (
        {"basin": "n1/b9"},
        "unknown-basin",
        "There is no basin 'n1/b9'.",
        "Choose a basin of the list, or name it in the collector's settings.",
    ),
}


@pytest.fixture(scope="module")
def ready(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A reference on record and a basin at 20 °C, for what is refused and so changes nothing."""
    one = Recording(tmp_path_factory.mktemp("refused") / "record")
    settings(one)
    with_reference(one)
    yield one
    one.close()


@pytest.mark.parametrize("case", sorted(REFUSED))
def test_what_is_no_check_is_refused_in_plain_words(ready: Recording, case: str) -> None:
    more, *words = REFUSED[case]
    assert ready.refused(check(**more)) == tuple(words)


def test_a_certificate_speaks_of_its_range_only(recording: Recording) -> None:
    settings(recording)
    narrow = tuple(CertificatePoint(at_mc, 10, 30) for at_mc in (0, 15_000))
    with_reference(recording, certificate=certificate(points=narrow))
    assert recording.refused(check()) == (
        "certificate-range",
        "Certificate 2025-118 speaks of 0 °C to 15 °C, not of 21.413 °C.",
        "Take a reference thermometer that was calibrated there.",
    )


def test_an_auditor_only_reads(recording: Recording) -> None:
    with_reference(recording)
    for deed in (check(), reference(id="R-5"), mapping()):
        assert recording.refused(deed, AUDITOR)[0] == "role"


def test_between_two_points_the_correction_lies_on_the_line_and_u_is_the_wider() -> None:
    points = (CertificatePoint(0, -20, 30), CertificatePoint(20_000, 15, 50, "2.5"), CertificatePoint(40_000, 0, 44))
    told = certificate(points=points)
    assert told.at(0) == points[0]
    assert told.at(10_000) == CertificatePoint(10_000, -2, 50, "2.5")  # u 20 against 15
    assert told.at(30_000) == CertificatePoint(30_000, 8, 44, "2")  # u 22 against 20
    assert (told.at(-900), told.at(41_000)) == (points[0], points[2])
    assert [told.covers(mc) for mc in (-1_001, -1_000, 41_000, 41_001)] == [False, True, True, False]


def test_a_new_certificate_tells_how_far_the_reference_has_moved(recording: Recording) -> None:
    with_reference(recording)
    moved = tuple(CertificatePoint(at_mc, 60, 30) for at_mc in (0, 20_000, 30_000))
    new = certificate(number="2026-7", calibrated_on="2026-02-20", due="2027-02-19", points=moved)
    recording.do(CertifyReference(id="R-4", certificate=new), SUPERVISOR)
    got = recording.get(Reference, "R-4")
    assert (got.certificate.number, got.moved_mc, got.moved_u_mc, got.found_off_mc()) == ("2026-7", 60, 30, -60)
    older = certificate(number="2025-1", calibrated_on="2025-01-01")
    assert recording.refused(CertifyReference(id="R-4", certificate=older), SUPERVISOR)[0] == "certificate-older"


def test_a_reference_out_of_use_checks_nothing(recording: Recording) -> None:
    settings(recording)
    with_reference(recording)
    assert recording.refused(RetireReference(id="R-4"), SUPERVISOR)[0] == "reason"
    recording.do(RetireReference(id="R-4", off_mc=-200, reason="Dropped."), SUPERVISOR)
    assert recording.refused(check()) == (
        "reference-retired",
        "R-4 was taken out of use by Sam Test at 2026-03-02 09:00: Dropped.",
        "Take another reference thermometer.",
    )
    assert recording.get(Reference, "R-4").found_off_mc() == -200
    assert recording.refused(reference(), ADMINISTRATOR)[0] == "reference-exists"


@pytest.mark.parametrize(
    ("more", "rule"),
    [
        ({"due": "2025-09-01"}, "certificate-dates"),
        ({"calibrated_on": "2026-09-01", "due": "2027-09-01"}, "date"),
        ({"due": "2026-02-30"}, "date"),
        ({"points": (CertificatePoint(0, 0, 30), CertificatePoint(0, 10, 30))}, "certificate-points"),
    ],
)
def test_a_certificate_that_makes_no_sense(recording: Recording, more: dict[str, Any], rule: str) -> None:
    assert recording.refused(reference(certificate=certificate(**more)), SUPERVISOR)[0] == rule


@pytest.mark.parametrize("k", ["0", "0.5", "two", "2.005", "-2", "4", ""])
def test_a_coverage_factor_is_one_to_three(k: str) -> None:
    point = {"at_mc": 0, "correction_mc": 0, "expanded_mc": 30, "k": k}
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert(point, CertificatePoint)
    assert msgspec.convert({**point, "k": "2.05"}, CertificatePoint).k_hundredths == 205


def test_checks_of_older_records_still_decode() -> None:
    """As release 0.1.0 wrote them. Their due day is over when it is over everywhere, twelve hours behind UTC."""
    body = b"""{"id":"C1","sensor":"28-0000072c1a5f","basin":"n1/b1","at_ms":1772438400000,"by":"tina",
        "reference":"No. 17","correction_mc":-222,"u_mc":180,"due":"2026-08-29","error_mc":222}"""
    old = msgspec.json.decode(body, type=SensorCheck)
    assert old.counts
    assert old.found_off_mc() is None
    assert old.holds_until_ms() == 1_788_091_199_999  # 2026-08-30 11:59:59.999 UTC


def test_a_u_below_the_sensor_s_own_step_is_refused(recording: Recording) -> None:
    fixed = {"sensor": SENSOR, "basin": BASIN, "reference": "certificate", "reference_mc": 21_000}
    with pytest.raises(RefusedError) as refused:
        recording.desk.do(RecordSensorCheck(**fixed, indicated_mc=21_000, u_mc=36), SUPERVISOR, second_factor=True)
    assert refused.value.rule == "sensor-u"
    recording.do(RecordSensorCheck(**fixed, indicated_mc=21_000, u_mc=37))
