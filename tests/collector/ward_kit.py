"""A ward for the tests of rounds and loads: two basins that are watched, a usable fill in each, and devices."""

from __future__ import annotations

from kit import BOOT, SENSOR, arrived, batch, clock_at, opened, site, stream_id
from msgspec.structs import replace
from record_kit import BASINS, DAY_MS, HOUR_MS, MINUTE_MS, MONDAY, SECOND_MS, SUPERVISOR, TECHNICIAN, Recording

from collector.intake import Intake
from collector.record.deed import Deed
from collector.record.desk import Done
from collector.record.rounds.loads import StartLoad, TakeOut
from collector.record.rounds.release import Release
from collector.record.rounds.rinses import AttestDried, BeginRinse, EndRinse
from collector.record.rounds.turns import AttestSteps, BeginTurn
from collector.record.things import (
    Device,
    DeviceType,
    Fill,
    LabelConfirmed,
    Load,
    MecResult,
    MecTest,
    Poured,
    Profile,
    Rinses,
    Step,
    Turn,
)
from collector.settings import BasinSettings, RequirementSettings, SensorSettings
from soak.reading import Lid, Reading, Why

B1, B2 = BASINS
BOOTED = MONDAY - HOUR_MS
STEP_MS = 5 * SECOND_MS
CONTACT_MS = 12 * MINUTE_MS

CONFIRMED = LabelConfirmed(
    by="ada", at_ms=MONDAY - DAY_MS, label_revision="R1", lot="L1", label_date="2026-01-05", picture_sha256="0" * 64
)
PROFILE = Profile(
    id="opa",
    name="ortho-phthalaldehyde",
    min_mc=20_000,
    contact_ms=CONTACT_MS,
    confirmed=CONFIRMED,
    reuse_days=14,
    rinses=Rinses(count=3, each_ms=MINUTE_MS),
    excluded_kinds=("urological",),
)
SCOPE = DeviceType(
    id="gastroscope",
    name="gastroscope",
    kind="gastroenterological",
    profiles=("opa",),
    steps=(Step.LEAK_TEST, Step.CLEAN),
    hang_days=7,
)
STEPS = SCOPE.steps


def fill(number: int, basin: str) -> Fill:
    """A fill that was poured half an hour ago."""
    poured_ms = MONDAY - 30 * MINUTE_MS
    return Fill(
        id=f"F{number}",
        basin=basin,
        profile="opa",
        poured=(Poured(bottle="B1", lot="L1", volume_ml=3_000, by=TECHNICIAN, at_ms=poured_ms),),
        poured_ms=poured_ms,
        poured_by=TECHNICIAN,
        use_by_ms=MONDAY + 13 * DAY_MS,
        use_by_why="reuse life of 14 days",
        tested_after_ms=poured_ms,
    )


class Ward:
    """Two watched basins on Monday at 09:00, lids open, ready; devices A1, A2 and A3 of one type.

    Attributes:
        recording: People, clock and desks.
    """

    def __init__(self, recording: Recording) -> None:
        self.recording = recording
        required = RequirementSettings("20", "12m", since=None)
        sensors = {SENSOR: SensorSettings(u_c="0.5")}
        recording.clock.now_ms = BOOTED - HOUR_MS
        self._store = opened(recording.data, recording.clock)
        self._store.apply(
            site(basins=[BasinSettings("n1", f"b{n}", f"Basin {n}", sensors, requirement=required) for n in (1, 2)])
        )
        self._intake = Intake(self._store, recording.clock)
        self._number = {B1: 1, B2: 1}
        self._heard_ms = {B1: 0, B2: 0}
        self.tests = 0
        recording.clock.now_ms = MONDAY - MINUTE_MS
        recording.put(PROFILE, SCOPE, *(Device(id=f"A{n}", type=SCOPE.id) for n in (1, 2, 3)))
        for number, basin in enumerate(BASINS, 1):
            recording.put(fill(number, basin))
            self.tested(basin)
        for basin in BASINS:
            recording.clock.now_ms = MONDAY - MINUTE_MS
            self.lid(basin, "closed", 10)
            self.lid(basin, "open", 49)
        recording.clock.now_ms = MONDAY

    @property
    def now_ms(self) -> int:
        return self.recording.clock.now_ms

    def lid(self, basin: str, lid: str, seconds: int, mc: int | None = 21_000) -> None:
        """The lid stands so from now on for so many seconds; a reading now, every five seconds, and at the end."""
        began_ms, ended_ms = self.now_ms, self.now_ms + seconds * SECOND_MS
        times = [*range(began_ms, ended_ms, STEP_MS), ended_ms - 1]
        readings = [Reading(ms - BOOTED, Why("tick"), Lid(lid), {SENSOR: mc}) for ms in dict.fromkeys(times)]
        self.recording.clock.now_ms = ended_ms
        number = BASINS.index(basin) + 1
        message = batch(
            readings,
            self._number[basin],
            stream=stream_id(number),
            basin=f"b{number}",
            boot=BOOT,
            clock=clock_at(readings[-1].ms, booted_utc_ms=BOOTED),
        )
        self._intake.take([arrived(message)])
        self._number[basin] += len(readings)
        self._heard_ms[basin] = ended_ms

    def tested(self, basin: str, **changes: object) -> MecTest:
        """A MEC test of the basin's fill that passed just now."""
        self.tests += 1
        current = next(each for each in reversed(self.recording.all(Fill)) if each.basin == basin and each.open())
        now_ms = self.now_ms
        given: dict[str, object] = {"result": MecResult.PASS, "read_ms": now_ms, "read_by": TECHNICIAN} | changes
        test = MecTest(
            id=f"M{self.tests}",
            fill=current.id,
            strip_bottle="S1",
            by=TECHNICIAN,
            dipped_ms=now_ms,
            read_from_ms=now_ms,
            read_until_ms=now_ms,
            **given,  # type: ignore[arg-type]
        )
        self.recording.put(test)
        return test

    def do(self, deed: Deed, who: str = TECHNICIAN) -> Done:
        return self.recording.do(deed, who)

    def refused(self, deed: Deed, who: str = TECHNICIAN, *, second_factor: bool = True) -> tuple[str, str, str]:
        return self.recording.refused(deed, who, second_factor=second_factor)

    def prepared(self, *devices: str, came_from: str = "") -> None:
        """Rounds begun, every step attested."""
        for device in devices:
            self.do(BeginTurn(device=device, came_from=came_from))
            self.do(AttestSteps(device=device, steps=STEPS))

    def soaking(self, *devices: str, basin: str = B1) -> None:
        """In the basin, lid still open."""
        self.prepared(*devices)
        if self.now_ms - self._heard_ms[basin] > STEP_MS:
            self.lid(basin, "open", 1)
        self.do(StartLoad(basin=basin, devices=devices))
        self.recording.later(SECOND_MS)

    def soaked(self, *devices: str, basin: str = B1, minutes: int = 13) -> None:
        """Soaked, and taken out."""
        self.soaking(*devices, basin=basin)
        self.lid(basin, "closed", minutes * 60)
        self.lid(basin, "open", 10)
        self.do(TakeOut(basin=basin))

    def rinsed(self, device: str, times: int = 3, ms: int = MINUTE_MS) -> None:
        for _ in range(times):
            self.do(BeginRinse(device=device, fresh_water=True))
            self.recording.later(ms)
            self.do(EndRinse(device=device))

    def finished(self, *devices: str, basin: str = B1) -> None:
        """Soaked, rinsed and dried: nothing is missing."""
        self.soaked(*devices, basin=basin)
        for device in devices:
            self.rinsed(device)
            self.do(AttestDried(device=device))

    def released(self, *devices: str, basin: str = B1) -> None:
        self.finished(*devices, basin=basin)
        self.do(Release(devices=devices), SUPERVISOR)

    def device(self, device: str) -> Device:
        return self.recording.get(Device, device)

    def turn(self, device: str) -> Turn:
        return self.recording.get(Turn, self.device(device).turn)

    def load(self, load: str = "L1") -> Load:
        return self.recording.get(Load, load)

    def change_turn(self, device: str, **changes: object) -> None:
        """Change a round past its deeds."""
        self.recording.put(replace(self.turn(device), **changes))

    def close(self) -> None:
        self._store.close()
