"""Types of device and devices, and what a scanned code is the code of."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from pathlib import Path

import pytest
from record_kit import ADMINISTRATOR, MONDAY, SUPERVISOR, TECHNICIAN, Recording

from collector.record.devices.device_types import ChangeDeviceType, RecordDeviceType
from collector.record.devices.devices import ChangeDevice, RecordDevice, ReinstateDevice, RetireDevice
from collector.record.things import (
    Bottle,
    Controls,
    Device,
    DeviceType,
    Fill,
    Poured,
    Profile,
    Rinses,
    Stage,
    Step,
    Strip,
    StripBottle,
    Turn,
)
from collector.scan import read_scan
from collector.scan_identify import Found, Identified, identify

GTIN = "12345678901231"
BOTTLE_GTIN = "06291041500213"
TYPE = RecordDeviceType(
    id="gastroscope",
    name="Gastroscope",
    kind="Gastrointestinal",
    profiles=("glut",),
    steps=(Step.LEAK_TEST, Step.CLEAN),
    dry_ms=0,
    hang_days=7,
)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Recording]:
    recording = Recording(tmp_path / "data")
    recording.put(
        Profile(id="glut", name="Glutaraldehyde 2.4 %", product_codes=(BOTTLE_GTIN,)),
        Profile(id="opa", name="Ortho-phthalaldehyde 0.55 %", excluded_kinds=("urological",)),
    )
    recording.do(TYPE, SUPERVISOR)
    yield recording
    recording.close()


def found(site: Recording, typed: str) -> Identified:
    return identify(site.book(), read_scan(typed, datetime.date(2026, 3, 2)))


def names(site: Recording, typed: str) -> list[tuple[str, str]]:
    return [(each.kind, each.id) for each in found(site, typed).found]


def test_a_type_is_kept_tidy(site: Recording) -> None:
    assert site.get(DeviceType, "gastroscope") == DeviceType(
        id="gastroscope",
        name="Gastroscope",
        kind="gastrointestinal",
        profiles=("glut",),
        steps=(Step.LEAK_TEST, Step.CLEAN),
        hang_days=7,
    )
    assert site.refused(TYPE, SUPERVISOR) == (
        "device-type-exists",
        "The device type 'gastroscope' is recorded already.",
        "Change it, or choose another short name.",
    )


def test_hang_time_has_no_default_and_may_be_taken_away(site: Recording) -> None:
    with pytest.raises(TypeError, match="hang_days"):
        RecordDeviceType(id="x", name="X", kind="x", profiles=("glut",), steps=(Step.CLEAN,), dry_ms=0)  # type: ignore[call-arg]
    site.do(ChangeDeviceType(id="gastroscope", hang_days=None), ADMINISTRATOR)
    changed = site.get(DeviceType, "gastroscope")
    assert (changed.hang_days, changed.steps) == (None, (Step.LEAK_TEST, Step.CLEAN))
    site.do(ChangeDeviceType(id="gastroscope", rinses=Rinses(3, 60_000), steps=(Step.DRIED, Step.CLEAN)), SUPERVISOR)
    assert site.get(DeviceType, "gastroscope").steps == (Step.CLEAN, Step.DRIED)


def test_a_technician_keeps_no_types_or_devices(site: Recording) -> None:
    for deed in (TYPE, RecordDevice(id="A1", type="gastroscope"), RetireDevice(id="A1", reason="x")):
        assert site.refused(deed, TECHNICIAN)[0] == "role"


# Rutala and Weber 2016, key points: cleaning always comes before high-level disinfection
def test_every_type_is_cleaned_first(site: Recording) -> None:
    assert site.refused(ChangeDeviceType(id="gastroscope", steps=(Step.LEAK_TEST,)), SUPERVISOR) == (
        "clean-first",
        "Gastroscope would be disinfected without having been cleaned: what is not clean cannot be.",
        "Keep the step 'clean' for every type of device.",
    )


def test_profiles_of_a_type_exist_and_do_not_exclude_it(site: Recording) -> None:
    assert site.refused(ChangeDeviceType(id="gastroscope", profiles=("glut", "peroxide")), SUPERVISOR) == (
        "unknown-profile",
        "There is no profile 'peroxide'.",
        "Record the solution profile first, or choose another.",
    )
    # CDC/HICPAC guideline 2008: no ortho-phthalaldehyde for urological instruments
    change = ChangeDeviceType(id="gastroscope", kind=" Urological ", profiles=("opa",))
    assert site.refused(change, SUPERVISOR) == (
        "excluded-kind",
        "Ortho-phthalaldehyde 0.55 % is not for urological devices, and Gastroscope is one.",
        "Choose another solution profile; the label and the device maker's instructions decide.",
    )


def test_a_device_takes_its_serial_number_from_its_udi(site: Recording) -> None:
    site.do(RecordDevice(id="END-1", type="gastroscope", udi=f"]d201{GTIN}21S1"), SUPERVISOR)
    assert site.get(Device, "END-1") == Device(id="END-1", type="gastroscope", serial="S1", udi=f"(01){GTIN}(21)S1")
    assert site.refused(
        RecordDevice(id="END-2", type="gastroscope", serial="S2", udi=f"(01){GTIN}(21)S3"), SUPERVISOR
    ) == (
        "serial-differs",
        "The serial number 'S2' is not the one in the UDI, 'S3'.",
        "Compare both with the device, and correct the wrong one.",
    )


def test_an_asset_number_is_given_once_whatever_its_case(site: Recording) -> None:
    site.do(RecordDevice(id="END-1", type="gastroscope"), SUPERVISOR)
    site.do(RetireDevice(id="END-1", reason="beyond repair"), SUPERVISOR)
    assert site.refused(RecordDevice(id="end-1", type="gastroscope"), SUPERVISOR) == (
        "device-exists",
        "END-1 is recorded already and retired: an asset number is never given twice.",
        "Compare the label. To change what is on file, change that device.",
    )


def test_a_serial_number_is_given_once_in_a_type_or_product(site: Recording) -> None:
    site.do(
        RecordDeviceType(**{**{f: getattr(TYPE, f) for f in TYPE.__struct_fields__}, "id": "colonoscope"}), SUPERVISOR
    )
    site.do(RecordDevice(id="END-1", type="gastroscope", udi=f"(01){GTIN}(21)S1"), SUPERVISOR)
    assert site.refused(RecordDevice(id="END-2", type="gastroscope", serial="s1"), SUPERVISOR) == (
        "serial-taken",
        "END-1 has the same serial number among the Gastroscope devices: s1.",
        "Compare both devices. If it is one device with two labels, keep the asset number that is recorded.",
    )
    twin = RecordDevice(id="END-3", type="colonoscope", udi=f"(01){GTIN}(17)300101(21)S1")
    assert site.refused(twin, SUPERVISOR)[1] == "END-1 has the same product code and serial number: S1."
    site.do(RecordDevice(id="END-4", type="colonoscope", serial="S1"), SUPERVISOR)  # another maker's number


def test_an_unknown_type_names_those_there_are(site: Recording) -> None:
    assert site.refused(RecordDevice(id="A1", type="gastro"), SUPERVISOR) == (
        "unknown-device-type",
        "There is no device type 'gastro'.",
        "Record the device type first, or choose one of those recorded: gastroscope.",
    )


def test_what_is_on_file_is_changed_with_a_reason(site: Recording) -> None:
    site.do(RecordDevice(id="A1", type="gastroscope", serial="S1"), SUPERVISOR)
    assert site.refused(ChangeDevice(id="A1", serial="S2"), SUPERVISOR) == (
        "reason",
        "What is on file for A1 is changed only with a reason.",
        "Say why it was wrong.",
    )
    site.do(ChangeDevice(id="A1", serial="S2", reason="misread"), SUPERVISOR)
    assert site.get(Device, "A1") == Device(id="A1", type="gastroscope", serial="S2")


def test_a_retired_device_leaves_no_release_behind(site: Recording) -> None:
    site.do(RecordDevice(id="A1", type="gastroscope"), SUPERVISOR)
    turn = Turn(id="T1", device="A1", began_ms=MONDAY, stage=Stage.SOAKING, basin="n1/b1")
    stored = Device(id="A1", type="gastroscope", turn="T1", stored_in="cabinet 1", stored_ms=1, hang_until_ms=2)
    site.put(turn, stored)
    assert site.refused(RetireDevice(id="A1"), SUPERVISOR) == (
        "reason",
        "A1 is retired only with a reason.",
        "Say why it goes, and where it goes.",
    )
    assert site.refused(RetireDevice(id="A1", reason="old"), SUPERVISOR) == (
        "device-in-basin",
        "A1 lies in basin n1/b1.",
        "Take it out first, then retire it.",
    )
    site.put(Turn(id="T1", device="A1", began_ms=MONDAY, stage=Stage.RELEASED))
    site.do(RetireDevice(id="A1", reason="old"), SUPERVISOR)
    assert site.get(Turn, "T1").stage is Stage.ENDED
    assert site.get(Device, "A1") == Device(id="A1", type="gastroscope", turn="T1", retired=True)
    assert site.refused(RetireDevice(id="A1", reason="old"), SUPERVISOR)[0] == "no-change"
    assert site.refused(ReinstateDevice(id="A1"), SUPERVISOR) == (
        "reason",
        "A1 comes back into service only with a reason.",
        "Say why it is in service again.",
    )
    site.do(ReinstateDevice(id="A1", reason="retired by mistake"), SUPERVISOR)
    assert site.get(Device, "A1").retired is False


def bottle(bottle_id: str, **more: str) -> Bottle:
    return Bottle(
        id=bottle_id,
        profile="glut",
        lot="L7",
        expires="2027-01-01",
        volume_ml=1,
        left_ml=1,
        received_ms=0,
        use_by_ms=0,
        **more,
    )


def test_a_device_is_found_by_any_of_its_codes(site: Recording) -> None:
    site.do(RecordDevice(id="END-1", type="gastroscope", udi=f"(01){GTIN}(21)S1"), SUPERVISOR)
    for typed, by in (
        ("END-1", "asset number"),
        ("end-1\r", "asset number"),
        ("SL:device:END-1", "our own label"),
        (f"01{GTIN}1729010121S1", "product code and serial number"),
    ):
        said = found(site, typed)
        assert said.found == (Found("device", "END-1", "Gastroscope END-1", by),)
        assert (said.ask, said.text, said.next_step) == (False, f"Gastroscope END-1, found by {by}.", "")


def test_a_bottle_is_found_by_product_code_and_lot_and_its_profile_by_the_code(site: Recording) -> None:
    code = f"01{BOTTLE_GTIN}1727010110L7"
    assert names(site, code) == [("profile", "glut")]
    assert names(site, BOTTLE_GTIN.lstrip("0")) == [("profile", "glut")]
    site.put(bottle("B1"))
    assert names(site, code) == [("bottle", "B1")]
    assert names(site, "L7") == [("bottle", "B1")]
    site.put(bottle("B2", gtin=BOTTLE_GTIN, serial="9"))
    said = found(site, code)
    assert said.ask
    assert said.text == (
        "2 things fit: bottle B1 of Glutaraldehyde 2.4 %, lot L7; bottle B2 of Glutaraldehyde 2.4 %, lot L7."
    )
    assert said.next_step == "Choose the one that you hold."
    assert names(site, f"01{BOTTLE_GTIN}10L7\x1d219") == [("bottle", "B2")]
    site.put(Bottle(**{**{f: getattr(bottle("B1"), f) for f in Bottle.__struct_fields__}, "gone": True}))
    assert names(site, code) == [("bottle", "B2")]


def test_readings_that_fit_are_offered_with_what_they_fit(site: Recording) -> None:
    site.do(RecordDevice(id="END-1", type="gastroscope", udi=f"(01){GTIN}(10)A(21)S1"), SUPERVISOR)
    said = found(site, f"01{GTIN}10A21S1")
    assert (said.ask, said.next_step) == (True, "Compare with the label and choose how it reads.")
    assert [(each.id, each.reading) for each in said.found] == [("END-1", f"(01){GTIN}(10)A(21)S1")]


def test_an_asset_number_that_looks_like_a_code_is_the_device(site: Recording) -> None:
    site.do(RecordDevice(id="1727123110AB", type="gastroscope"), SUPERVISOR)
    said = found(site, "1727123110AB")
    assert (said.ask, names(site, "1727123110AB")) == (False, [("device", "1727123110AB")])


def test_our_labels_name_basins_fills_bottles_and_strips(site: Recording) -> None:
    strips = StripBottle(
        id="S1",
        profile="glut",
        lot="ST",
        expires="2027-01-01",
        open_days=1,
        use_by_ms=0,
        strip=Strip(1, 1, 1),
        controls=Controls(3),
    )
    fill = Fill(
        id="F1",
        basin="n1/b1",
        profile="glut",
        poured=(Poured("B1", "L7", 1, "tina", 0),),
        poured_ms=0,
        poured_by="tina",
        use_by_ms=0,
        use_by_why="",
        tested_after_ms=0,
    )
    site.put(bottle("B1"), strips, fill)
    assert [
        each.name
        for typed in ("basin:n1/b1", "fill:F1", "bottle:B1", "strips:S1")
        for each in found(site, f"SL:{typed}").found
    ] == [
        "Basin 1",
        "fill F1 of Glutaraldehyde 2.4 % in Basin 1",
        "bottle B1 of Glutaraldehyde 2.4 %, lot L7",
        "strip bottle S1 for Glutaraldehyde 2.4 %, lot ST",
    ]
    assert names(site, "F1") == [("fill", "F1")]
    assert names(site, "ST") == [("strip-bottle", "S1")]


def test_a_badge_is_never_shown(site: Recording) -> None:
    code = "PERSON" + "BCDEFGHIJK" * 3
    said = found(site, code)
    assert (said.found, said.next_step) == (
        (Found("badge", "", "a person's badge", "our own label"),),
        "Sign in with it.",
    )
    assert code not in repr(said)


@pytest.mark.parametrize(
    ("typed", "text", "next_step"),
    [
        (
            "A9",
            "Nothing recorded has the number 'A9'.",
            "Compare it with the label. A new device is recorded by a supervisor.",
        ),
        (
            "SL:basin:n9/b9",
            "The label names the basin 'n9/b9', which is not recorded here.",
            "It may be another site's label, or older than the data. Print the label anew.",
        ),
        (
            "01" + GTIN,
            f"The product code {GTIN} is not recorded; its first digit, 1, says that it is an outer package's.",
            "Scan the code on the bottle or device itself.",
        ),
        (
            "7300011000017",
            "No solution profile or device has the product code 07300011000017.",
            "A new product: a supervisor adds the code to its solution profile, or records the device.",
        ),
        (
            "(10)L9",
            "'(10)L9' has no product code (01), and nothing recorded has its lot.",
            "Scan the code with (01) on the same label first.",
        ),
    ],
)
def test_what_is_not_known_says_what_to_do(site: Recording, typed: str, text: str, next_step: str) -> None:
    said = found(site, typed)
    assert (said.found, said.ask, said.text, said.next_step) == ((), False, text, next_step)


@pytest.mark.parametrize(("name", "kind"), [("Cystoscope", "flexible endoscope"), ("Scope", "Urology")])
def test_an_instrument_of_the_urinary_tract_has_the_kind_that_solutions_exclude(
    site: Recording, name: str, kind: str
) -> None:
    """By another word for its kind, ortho-phthalaldehyde would let it in (Miner et al. 2012; CDC Table 5)."""
    fields = {field: getattr(TYPE, field) for field in TYPE.__struct_fields__}
    said = {**fields, "id": "cy", "name": name, "kind": kind, "profiles": ("opa",)}
    assert site.refused(RecordDeviceType(**said), SUPERVISOR) == (
        "urological",
        f"{name} is by its name a urological instrument, and its kind is '{kind.lower()}': a solution whose label "
        "excludes urological devices would let it in.",
        "Give it the kind 'urological', or give the reason why it is none.",
    )
    site.do(RecordDeviceType(**{**said, "reason": "A training dummy."}), SUPERVISOR)
    site.do(RecordDeviceType(**{**said, "id": "cy2", "kind": "urological", "profiles": ("glut",)}), SUPERVISOR)
