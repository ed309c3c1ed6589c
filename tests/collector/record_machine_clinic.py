"""Two watched basins, their people's deeds, and beside them the bookkeeping that the state machine judges by.

Everything goes the real way: readings through the intake, deeds through the desk, corrections through the reassessment.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from contextlib import closing
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from kit import BOOT, SENSOR, WallClock, arrived, batch, clock_at, opened, site, stream_id
from record_kit import BASINS, DAY_MS, HOUR_MS, MINUTE_MS, MONDAY, SECOND_MS, SUPERVISOR, TECHNICIAN, Recording
from record_machine_facts import Filled, Kind, Laden, Round, Shut, Site, Solution, Stay, Tested
from solutions_kit import CONFIRMED, GTIN, OTHER_GTIN
from sqlite_utils import Database

from collector.intake import Intake
from collector.reassess import Reassessment
from collector.rebuild import rebuild
from collector.record import shelf
from collector.record.deed import Deed
from collector.record.desk import Desk, Done
from collector.record.devices.device_types import ChangeDeviceType, RecordDeviceType
from collector.record.devices.devices import RecordDevice
from collector.record.errors import RefusedError
from collector.record.rounds.late import AssignLate
from collector.record.rounds.loads import AddDevice, StartLoad, TakeOut
from collector.record.rounds.lookbacks import CloseLookBack, FreeFromLookBack
from collector.record.rounds.quarantine import LiftQuarantine, QuarantineDevice
from collector.record.rounds.release import Release
from collector.record.rounds.rinses import AttestDried, BeginRinse, EndRinse
from collector.record.rounds.turn_findings import turn_findings
from collector.record.rounds.turns import AttestSteps, BeginTurn
from collector.record.rounds.use import RecordUse
from collector.record.solutions.bottles import ReceiveBottle
from collector.record.solutions.fills import DiscardFill, PourFill, TopUpFill
from collector.record.solutions.mec import BeginMecTest, ReadMecTest
from collector.record.solutions.pouring import FromBottle
from collector.record.solutions.profiles import AssignProductCode, ConfirmProfile, CorrectProfile, DraftProfile
from collector.record.solutions.strips import OpenStripBottle, ReceiveStripBottle
from collector.record.things import Controls, Device, LookBack, Rinses, Step, Strip, Turn
from collector.schema import FILE_NAME
from collector.settings import BasinSettings, RequirementSettings, SensorSettings
from collector.verify import verify
from soak.reading import Lid, Reading, Why

BOOTED = MONDAY - HOUR_MS
STEP_MS = 5 * SECOND_MS
LONGEST_WATCH_MS = 20 * MINUTE_MS
"""Longer jumps of the clock leave a gap in what was watched."""

WARM_MC, GUARD_MC, COLD_MC = 21_000, 20_300, 19_000
STRIP = Strip(dip_ms=1_000, read_from_ms=10_000, read_until_ms=40_000)
PROFILES = {"one": GTIN, "two": OTHER_GTIN}
SCOPES, CYSTOS = ("A1", "A2"), ("C1",)
DEVICES = (*SCOPES, *CYSTOS)
HANDS = (TECHNICIAN, "tom", SUPERVISOR)


def _site() -> Site:
    solutions = {
        "one": Solution(20_000, 2 * MINUTE_MS, (2, 20_000), 2, ("urological",)),
        "two": Solution(20_000, 3 * MINUTE_MS, (1, 30_000), 1),
    }
    scope = Kind("gastroenterological", ("one",), (Step.LEAK_TEST.value, Step.CLEAN.value))
    cysto = Kind("urological", ("two",), (Step.CLEAN.value,))
    return Site(
        solutions,
        {"scope": scope, "cysto": cysto},
        dict.fromkeys(SCOPES, "scope") | dict.fromkeys(CYSTOS, "cysto"),
    )


class _Reopened(Recording):
    """What a template folder was left as."""

    def __init__(self, data: Path) -> None:
        self.data, self.clock = data, WallClock(MONDAY)
        self._desks: list[Desk] = []
        self.desk = self.another_desk()


_template: list[bytes] = []


def _written() -> bytes:
    """A database with profiles confirmed, devices recorded and strips opened, all by their deeds."""
    if not _template:
        with TemporaryDirectory() as folder:
            recording = Recording(Path(folder))
            _stocked(recording)
            recording.close()
            _template.append((Path(folder) / FILE_NAME).read_bytes())
    return _template[0]


def _stocked(recording: Recording) -> None:
    recording.desk.connection.execute("PRAGMA synchronous = OFF")
    known = _site()
    for name, gtin in PROFILES.items():
        solution = known.solutions[name]
        figures: dict[str, Any] = {
            "jurisdiction": "US",
            "min_mc": solution.min_mc,
            "contact_ms": solution.contact_ms,
            "reuse_days": solution.reuse_days,
            "opened_days": 30,
            "mec": "0.3 %",
            "mec_monitored": True,
            "strip": STRIP,
            "rinses": Rinses(*solution.rinses, volume_ml=8_000, water="sterile"),
        }
        recording.do(DraftProfile(profile=name, name=f"solution {name}", manual=True), SUPERVISOR)
        confirm = ConfirmProfile(profile=name, excluded_kinds=solution.excluded, **figures, **CONFIRMED)
        recording.do(confirm, SUPERVISOR)
        recording.do(AssignProductCode(profile=name, gtin=gtin), SUPERVISOR)
    for name, kind in known.kinds.items():
        steps = tuple(Step(each) for each in kind.steps)
        record = RecordDeviceType(
            id=name, name=name, kind=kind.kind, profiles=kind.profiles, steps=steps, dry_ms=0, hang_days=7
        )
        recording.do(record, SUPERVISOR)
    for device, name in known.devices.items():
        recording.do(RecordDevice(id=device, type=name), SUPERVISOR)
    for name in PROFILES:
        recording.do(
            ReceiveStripBottle(
                profile=name,
                lot="T1",
                expires="2026-12-31",
                open_days=90,
                strip=STRIP,
                controls=Controls(0),
                reason="Their instructions, revision 2, ask for none.",
            )
        )
    for number in range(1, len(PROFILES) + 1):
        recording.do(OpenStripBottle(strip_bottle=f"S{number}"))


class Watch:
    """One basin's lid and sensor, and the node that reports them."""

    def __init__(self, basin: str) -> None:
        self.basin, self.number = basin, BASINS.index(basin) + 1
        self.shut: Shut | None = None
        self.mc = WARM_MC
        self.last_ms = 0
        self.offline = False
        self.moved_on: date | None = None
        self._first, self._waiting = 1, list[Reading]()

    def see(self, ms: int, shuts: list[Shut]) -> None:
        """One reading."""
        if ms <= self.last_ms:
            return
        lid = Lid.CLOSED if self.shut else Lid.OPEN
        self._waiting.append(Reading(ms - BOOTED, Why("tick"), lid, {SENSOR: self.mc}))
        self.last_ms = ms
        if self.shut is not None:
            if not self.shut.readings:
                shuts.append(self.shut)
            self.shut.readings.append((ms, self.mc))

    def catch_up(self, now_ms: int, shuts: list[Shut]) -> None:
        """A closed lid is watched every five seconds, unless that would be for long."""
        if self.shut and now_ms - self.last_ms <= LONGEST_WATCH_MS:
            for ms in range(self.last_ms + STEP_MS, now_ms, STEP_MS):
                self.see(ms, shuts)
        if now_ms - self.last_ms >= STEP_MS:
            self.see(now_ms, shuts)

    def message(self) -> Any:
        """What the node sends now; None: nothing, or nothing gets through."""
        if self.offline or not self._waiting:
            return None
        readings, first = self._waiting, self._first
        self._waiting, self._first = [], first + len(readings)
        clock = clock_at(readings[-1].ms, booted_utc_ms=BOOTED)
        stream = stream_id(self.number)
        return arrived(batch(readings, first, stream=stream, basin=f"b{self.number}", boot=BOOT, clock=clock))


class Clinic:
    """A day at two basins, in the record and beside it.

    Attributes:
        site: The bookkeeping.
        counts: What came of all that was tried.
        busy: The collector does not get to judging again what a correction changed.
    """

    def __init__(self, data: Path, counts: Counter[str] | None = None) -> None:
        data.mkdir(parents=True, exist_ok=True)
        (data / FILE_NAME).write_bytes(_written())
        self.site, self.counts = _site(), Counter() if counts is None else counts
        self.recording = _Reopened(data)
        self.desk.connection.execute("PRAGMA synchronous = OFF")
        required = RequirementSettings("20", "12m", since=None)
        sensors = {SENSOR: SensorSettings(u_c="0.5")}
        self.store = opened(data, self.recording.clock)
        self.store.apply(
            site(basins=[BasinSettings("n1", f"b{n}", f"Basin {n}", sensors, requirement=required) for n in (1, 2)])
        )
        self.intake = Intake(self.store, self.recording.clock)
        self.reassessment = Reassessment(self.store, self.intake)
        self.reassessment.look()
        self.watches = {basin: Watch(basin) for basin in BASINS}
        self.busy = False
        self.last_refusal: RefusedError | None = None
        for basin in BASINS:
            self.open_lid(basin)
        self.wait(SECOND_MS)

    # Time and lids

    @property
    def desk(self) -> Desk:
        return self.recording.desk

    @property
    def now_ms(self) -> int:
        return self.recording.clock.now_ms

    def wait(self, ms: int) -> None:
        """Time passes; what is seen is sent."""
        now_ms = self.recording.later(ms)
        for watch in self.watches.values():
            watch.catch_up(now_ms, self.site.shuts)
        self.deliver()
        if not self.busy:
            self.settle()

    def deliver(self) -> None:
        messages = [message for watch in self.watches.values() if (message := watch.message())]
        if messages:
            self.intake.take(messages)

    def settle(self) -> None:
        """The collector notices what was said, and judges again."""
        self.reassessment.look()
        while self.reassessment.step():
            pass

    def close_lid(self, basin: str) -> None:
        watch = self.watches[basin]
        if watch.shut is not None:
            return
        self.wait(500)
        watch.see(self.now_ms, self.site.shuts)
        self.recording.later(500)
        watch.shut = Shut(basin)
        watch.see(self.now_ms, self.site.shuts)
        watch.moved_on = self.recording.book().local_date(self.now_ms)
        self.deliver()

    def open_lid(self, basin: str) -> None:
        watch = self.watches[basin]
        self.wait(500)
        watch.see(self.now_ms, self.site.shuts)
        self.recording.later(500)
        if watch.shut is not None:
            watch.shut.over = True
            watch.shut = None
        watch.see(self.now_ms, self.site.shuts)
        self.deliver()

    def moved_today(self, basin: str) -> None:
        """The lid switch is seen to move."""
        if self.watches[basin].moved_on != self.recording.book().local_date(self.now_ms):
            self.close_lid(basin)
            self.open_lid(basin)

    # Deeds

    def do(self, deed: Deed, who: str = TECHNICIAN, *, second_factor: bool = True) -> Done | None:
        """Done, or None if it was refused; a refusal must have changed nothing."""
        self.wait(SECOND_MS)
        before = self._everything()
        was_open = self._look_backs()
        try:
            done = self.recording.do(deed, who, second_factor=second_factor)
        except RefusedError as refusal:
            assert self._everything() == before, f"{deed} was refused and changed something"
            told = all((refusal.rule, refusal.text, refusal.next_step))
            self.last_refusal = refusal if told else None
            self.counts[f"refused {deed.NAME}: {refusal.rule}"] += 1
            return None
        self.counts[f"done {deed.NAME}"] += 1
        now_open = self._look_backs()
        self.new_look_backs = now_open.keys() - was_open.keys()
        for each in self.new_look_backs:
            self.site.look_back_opened(each, self.recording.get(LookBack, each).turns)
        for each in self.site.open_look_backs.keys() - now_open.keys():
            del self.site.open_look_backs[each]
        assert self._released() <= self._believed_released(), f"{deed} changed what is released"
        return done

    def _everything(self) -> tuple[Any, ...]:
        connection = self.desk.connection
        head = connection.execute("SELECT number, hash FROM ledger ORDER BY number DESC LIMIT 1").fetchone()
        return head, connection.execute("SELECT * FROM thing ORDER BY kind, id").fetchall()

    def _look_backs(self) -> dict[str, set[str]]:
        return {each.id: set(each.devices) for each in self.recording.all(LookBack) if each.open()}

    def _released(self) -> set[str]:
        rows = self.desk.connection.execute(
            "SELECT id FROM thing WHERE kind = 'turn' AND json_extract(body, '$.stage') = 'released'"
        )
        return {str(row[0]) for row in rows}

    def _believed_released(self) -> set[str]:
        released = {
            each.id
            for rounds in self.site.rounds.values()
            for each in rounds
            if each.released and not each.used and not each.ended and not each.quarantined
        }
        return (released | set(self._to_be_released)) - set(self._no_longer_released)

    _to_be_released: tuple[str, ...] = ()
    _no_longer_released: tuple[str, ...] = ()
    new_look_backs: frozenset[str] | set[str] = frozenset()

    # Solutions

    def receive(self, profile: str, expires: date) -> str | None:
        done = self.do(ReceiveBottle(gtin=PROFILES[profile], lot="L1", expires=expires.isoformat(), volume_ml=3_785))
        if done is None:
            return None
        self.site.bottles[done.id] = (profile, expires)
        return done.id

    def pour(self, basin: str, bottle: str, *, ago_ms: int = 0) -> str | None:
        profile = self.site.bottles[bottle][0]
        poured_ms = self.now_ms - ago_ms if ago_ms else None
        done = self.do(PourFill(basin=basin, bottles=(FromBottle(bottle),), poured_ms=poured_ms))
        if done is None:
            return None
        at_ms = self.now_ms if poured_ms is None else poured_ms
        use_by_ms = self.site.use_by_ms(profile, at_ms, [bottle])
        self.site.fills[done.id] = Filled(done.id, basin, profile, at_ms, use_by_ms, [at_ms])
        return done.id

    def top_up(self, fill: Filled, bottle: str) -> bool:
        done = self.do(TopUpFill(fill=fill.id, bottles=(FromBottle(bottle),)))
        if done:
            assert self.site.bottles[bottle][0] == fill.profile, "solutions were mixed"
            fill.use_by_ms = min(fill.use_by_ms, self.site.last_good_ms([bottle]))
            fill.changed_ms.append(self.now_ms)
        return done is not None

    def discard(self, fill: Filled) -> None:
        if self.do(DiscardFill(fill=fill.id, reason="It is spent.")):
            fill.discarded_ms = self.now_ms

    def dip(self, fill: Filled, strip_bottle: str | None = None) -> str | None:
        strip_bottle = strip_bottle or f"S{list(PROFILES).index(fill.profile) + 1}"
        done = self.do(BeginMecTest(fill=fill.id, strip_bottle=strip_bottle))
        if done:
            fill.tests[done.id] = Tested(self.now_ms)
        return done.id if done else None

    def read(self, fill: Filled, test: str, result: Any = "pass", who: str = TECHNICIAN) -> None:
        done = self.do(ReadMecTest(test=test, result=result), who)
        if not done:
            return
        tested = fill.tests[test]
        out_ms = tested.dipped_ms + STRIP.dip_ms
        in_window = out_ms + STRIP.read_from_ms <= self.now_ms <= out_ms + STRIP.read_until_ms
        assert in_window, "a strip was read outside its window"
        assert not tested.result, "a strip was read twice"
        good_ms = max((each.dipped_ms for each in fill.tests.values() if each.result == "pass"), default=fill.poured_ms)
        tested.result, tested.read_ms = result, self.now_ms
        if result != "pass" and fill.failed_ms is None:
            fill.failed_ms = tested.dipped_ms
            assert len(self.new_look_backs) == 1, "a failed test opened no look-back"
            for rounds in self.site.rounds.values():
                for each in rounds:
                    stay = each.stay
                    if stay and stay.load.fill is fill and (stay.out_ms is None or stay.out_ms > good_ms):
                        each.doubts |= self.new_look_backs

    def test(self, fill: Filled, result: str = "pass", *, after_ms: int = 20_000) -> None:
        """Dip, wait, read."""
        if test := self.dip(fill):
            self.wait(after_ms)
            self.read(fill, test, result)

    # Devices

    def begin(self, device: str) -> None:
        before = self.site.round_of(device)
        self._no_longer_released = (before.id,) if before else ()
        done = self.do(BeginTurn(device=device))
        self._no_longer_released = ()
        if done:
            if before:
                before.ended = True
            kind = self.site.kinds[self.site.devices[device]]
            self.site.rounds.setdefault(device, []).append(Round(done.id, device, kind))

    def attest(self, device: str, steps: tuple[str, ...], *, ago_ms: int = 0) -> None:
        done_ms = self.now_ms - ago_ms if ago_ms else None
        deed = AttestSteps(device=device, steps=tuple(Step(each) for each in steps), done_ms=done_ms)
        if self.do(deed) and (current := self.site.round_of(device)):
            for step in steps:
                current.steps[step] = min(self.now_ms, current.steps.get(step, self.now_ms))

    def start(
        self,
        basin: str,
        *devices: str,
        already_in: bool = False,
        override: bool = False,
        who: str = TECHNICIAN,
    ) -> bool:
        reason = "It is needed." if override else ""
        deed = StartLoad(basin=basin, devices=devices, already_in=already_in, override=override, reason=reason)
        done = self.do(deed, who)
        if not done:
            return False
        fill = self.site.fill_in(basin)
        assert fill is not None, "a load was started without a fill"
        load = Laden(done.id, fill, self.now_ms, needs_test_at_start=not override)
        self.site.loads[done.id] = load
        if not override:
            assert fill.in_use(self.now_ms), "a load was started in a fill that is out of use"
        self._put_in(load, devices, already_in=already_in)
        return True

    def add(
        self, basin: str, *devices: str, already_in: bool = False, override: bool = False, who: str = TECHNICIAN
    ) -> bool:
        reason = "It is needed." if override else ""
        deed = AddDevice(basin=basin, devices=devices, already_in=already_in, override=override, reason=reason)
        done = self.do(deed, who)
        if done:
            self._put_in(self.site.loads[done.id], devices, already_in=already_in)
        return done is not None

    def _put_in(self, load: Laden, devices: tuple[str, ...], *, already_in: bool) -> None:
        shut = self.watches[load.fill.basin].shut
        in_ms = shut.closing_ms if already_in and shut else self.now_ms
        for device in devices:
            current = self.site.round_of(device)
            assert current is not None, "a device without a round went in"
            assert current.stay is None or current.stay.out_ms is not None, "a device is in two basins"
            current.stays.append(Stay(current, load, in_ms))

    def take_out(self, basin: str, *devices: str) -> None:
        lying = self.site.in_basin(basin)
        if self.do(TakeOut(basin=basin, devices=devices)):
            for stay in lying:
                if not devices or stay.round.device in devices:
                    stay.out_ms = self.now_ms

    def assign_late(self, shut: Shut, *devices: str) -> None:
        keys = [
            each.key
            for each in self.recording.book().closures(shut.basin, shut.closing_ms, shut.opening_ms + 1)
            if each.closing_ms == shut.closing_ms
        ]
        if not keys:
            return
        deed = AssignLate(closure=keys[0], devices=devices, second_person="tom", reason="The tablet was flat.")
        if not (done := self.do(deed)):
            return
        load = self.site.loads.get(done.id)
        if load is None:
            then = [
                each
                for each in self.site.fills.values()
                if each.basin == shut.basin
                and each.poured_ms <= shut.closing_ms
                and (each.discarded_ms is None or each.discarded_ms >= shut.opening_ms)
            ]
            load = Laden(done.id, then[-1], shut.closing_ms, needs_test_at_start=False)
            self.site.loads[done.id] = load
        for device in devices:
            current = self.site.round_of(device)
            assert current is not None
            current.stays.append(Stay(current, load, shut.closing_ms, shut.opening_ms + SECOND_MS))

    def begin_rinse(self, device: str, *, fresh: bool = True) -> None:
        if self.do(BeginRinse(device=device, fresh_water=fresh)) and (current := self.site.round_of(device)):
            current.rinsing = (self.now_ms, fresh)

    def end_rinse(self, device: str) -> None:
        if self.do(EndRinse(device=device)):
            current = self.site.round_of(device)
            assert current is not None
            assert current.rinsing is not None
            began_ms, fresh = current.rinsing
            current.rinses.append((began_ms, self.now_ms, fresh))
            current.rinsing = None

    def rinse(self, device: str, ms: int, *, fresh: bool = True) -> None:
        self.begin_rinse(device, fresh=fresh)
        self.wait(ms)
        self.end_rinse(device)

    def dry(self, device: str) -> None:
        if self.do(AttestDried(device=device)) and (current := self.site.round_of(device)):
            current.dried_ms = self.now_ms

    def quarantine(self, device: str) -> None:
        current = self.site.round_of(device)
        if current:
            self._no_longer_released = (current.id,)
        if self.do(QuarantineDevice(device=device, reason="It leaks.", next_action="Reprocess.")):
            self.site.quarantined.add(device)
            if current and not current.used:
                current.quarantined = True
        self._no_longer_released = ()

    def lift(self, device: str) -> None:
        if self.do(LiftQuarantine(device=device, reason="It was looked at."), SUPERVISOR):
            self.site.quarantined.discard(device)

    def close_look_back(self, look_back: str) -> None:
        self.do(
            CloseLookBack(look_back=look_back, conclusion="Nothing came of it.", reason="A test closes it."), SUPERVISOR
        )

    def free(self, look_back: str, device: str) -> None:
        if self.do(FreeFromLookBack(look_back=look_back, device=device, reason="It was reprocessed."), SUPERVISOR):
            self.site.freed.add((look_back, device))

    def is_quarantined(self, device: str) -> bool:
        """As the record has it."""
        return self.recording.get(Device, device).quarantine is not None

    # Corrections

    def correct(self, profile: str, **changes: Any) -> None:
        """`contact_ms`, `excluded` or `rinses` of a label."""
        said: dict[str, Any] = dict(changes)
        if "excluded" in said:
            said["excluded_kinds"] = said.pop("excluded")
        if "rinses" in said:
            said["rinses"] = Rinses(*said["rinses"], volume_ml=8_000, water="sterile")
        if self.do(CorrectProfile(profile=profile, reason="It was misread.", **said, **CONFIRMED), SUPERVISOR):
            for name, value in changes.items():
                setattr(self.site.solutions[profile], name, value)

    def change_type(self, name: str, **changes: Any) -> None:
        """`steps`, `profiles`, `kind` or `rinses` of a type."""
        said: dict[str, Any] = dict(changes)
        if "steps" in said:
            said["steps"] = tuple(Step(each) for each in said["steps"])
        if "rinses" in said:
            said["rinses"] = Rinses(*said["rinses"])
        if self.do(ChangeDeviceType(id=name, reason="Its maker says so.", **said), SUPERVISOR):
            for field, value in changes.items():
                setattr(self.site.kinds[name], field, value)

    # Release and use

    def against(self, *devices: str, who: str = TECHNICIAN, second_factor: bool = True) -> dict[str, set[str]]:
        """What the bookkeeping has against releasing each."""
        hands = who in HANDS
        return {
            each: self.site.against(each, second_factor=second_factor, hands=hands, besides=devices) for each in devices
        }

    def release(self, *devices: str, who: str = TECHNICIAN, second_factor: bool = True) -> bool:
        """All or none; never anything that the bookkeeping has something against."""
        against = self.against(*devices, who=who, second_factor=second_factor)
        rounds = [each for each in map(self.site.round_of, devices) if each]
        self._to_be_released = tuple(each.id for each in rounds)
        try:
            done = self.do(Release(devices=devices), who, second_factor=second_factor)
        finally:
            self._to_be_released = ()
        found = set().union(*against.values())
        if not done:
            assert self.last_refusal is not None
            if not found:
                self.counts[f"refused though nothing is against it: {self.last_refusal.rule}"] += 1
            elif len(found) == 1 and len([each for each in against.values() if each]) == 1:
                self.counts[f"last obstacle: {found.copy().pop()}"] += 1
            return False
        assert not found, f"{devices} released, though: {against}"
        self.counts["released"] += len(devices)
        for each in rounds:
            stay = each.stay
            assert stay is not None
            failed_ms = stay.load.fill.failed_ms
            assert failed_ms is None or stay.load.began_ms <= failed_ms, "a load after a failed test was released"
            each.released = True
            stay.load.released.append(stay)
        return True

    def use(self, device: str, encounter: str = "E-1") -> None:
        """Never refused; without a release it is looked back on."""
        current = self.site.round_of(device)
        good = current is not None and current.released and not current.used and not current.quarantined
        good = good and current is not None and not current.ended
        if current:
            self._no_longer_released = (current.id,)
            current.used = True
        done = self.do(RecordUse(device=device, encounter=encounter), TECHNICIAN, second_factor=False)
        self._no_longer_released = ()
        assert done is not None, f"a use was refused: {self.last_refusal}"
        if current and current.stay and current.stay.out_ms is None:
            current.stay.out_ms = self.now_ms
        self.counts["used released" if good else "used without release"] += 1
        if not good:
            turn = shelf.find(self.desk.connection, Turn, current.id) if current else None
            codes = [each.code for each in turn_findings(self.recording.book(), turn)] if turn else []
            looked_back = any(device in self._look_backs()[each] for each in self.new_look_backs)
            if self.is_quarantined(device):
                self.site.quarantined.add(device)
            assert looked_back or "used-without-release" in codes, "a use without release left nothing behind"

    # In the end

    def hold(self) -> None:
        """The chain holds, and on a copy every table is made again as it is."""
        outcome = verify(self.recording.data, processes=1)
        assert outcome.wrong is None, f"the chain does not hold: {outcome.wrong}"
        with closing(sqlite3.connect(":memory:")) as copy:
            self.desk.connection.backup(copy)
            copy.execute("BEGIN IMMEDIATE")
            differing = rebuild(Database(copy)).differing
            copy.rollback()
        assert not differing, f"tables do not follow from ledger and pages: {differing}"

    def close(self) -> None:
        self.store.close()
        self.recording.close()


__all__ = ["DAY_MS", "DEVICES", "Clinic"]
