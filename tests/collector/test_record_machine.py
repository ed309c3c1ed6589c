"""Whatever people do, in any order: nothing is released unless all that the design asks for holds.

A state machine over a real data folder. `walk` does what comes next for a device, as it should be done; the other rules
do everything else, right or wrong, at any moment. What may be released is judged by `record_machine_facts`, from what
was fed and said; whatever is refused must have changed nothing; a use is never refused; and in the end chain, pages and
a rebuild must hold. `SOAKLEDGER_RECORD_EXAMPLES=2000` looks longer.
"""

from __future__ import annotations

import os
from collections import Counter
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule, run_state_machine_as_test
from record_kit import BASINS, DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS
from record_machine_clinic import COLD_MC, DEVICES, GUARD_MC, WARM_MC, Clinic
from record_machine_facts import Filled, Round

EXAMPLES = int(os.environ.get("SOAKLEDGER_RECORD_EXAMPLES", "50"))
STEPS = 35
FAR = date(2026, 12, 31)

COUNTS: Counter[str] = Counter()
"""Over all examples of a run."""

MISHAPS = ("jump", "discard", "fail", "use", "quarantine", "correct", "change type", "top up", "begin", "override")

devices = st.sampled_from(DEVICES)
some = st.lists(devices, min_size=1, max_size=3, unique=True).map(tuple)
basins = st.sampled_from(BASINS)
profiles = st.sampled_from(("one", "two"))
people = st.sampled_from(("tina", "tina", "tom", "sam", "olga", "ada"))
mostly = st.sampled_from((True, True, True, False))
seldom = st.sampled_from((False, False, False, True))


def when(mishap: str) -> Any:
    """For a rule of examples in which that happens."""
    return precondition(lambda self: mishap in self.mishaps)


def anywhere(stage: str) -> Any:
    """For a rule that is refused unless some device is so far."""
    return precondition(lambda self: stage in self.stages())


class RecordMachine(RuleBasedStateMachine):
    """Everybody's actions."""

    def __init__(self) -> None:
        super().__init__()
        self._folder = TemporaryDirectory()
        self.clinic = Clinic(Path(self._folder.name), COUNTS)
        self.site = self.clinic.site
        self.mishaps: set[str] = set()

    def teardown(self) -> None:
        try:
            self.clinic.hold()
        finally:
            self.clinic.close()
            self._folder.cleanup()

    def stages(self) -> set[str]:
        """How far any device is."""
        current = [each for each in map(self.site.round_of, DEVICES) if each and not each.ended and not each.used]
        stays = [each.stay for each in current if not each.released]
        return {"ready" if stay is None else "in" if stay.out_ms is None else "out" for stay in stays}

    # As it should be done

    @initialize(both=st.booleans(), mishaps=st.sets(st.sampled_from(MISHAPS), max_size=4))
    def morning(self, both: bool, mishaps: set[str]) -> None:
        """What ends rounds happens in some examples only: in all of them nothing would come to its end."""
        self.mishaps = mishaps
        for basin, profile in zip(BASINS, ("one", "two"), strict=True):
            if both or profile == "one":
                self._made_ready(basin, profile)

    def _made_ready(self, basin: str, profile: str) -> None:
        """A fill that may be used, tested for the next load, its lid seen to move."""
        clinic = self.clinic
        if self.site.in_basin(basin):
            return
        clinic.watches[basin].mc, clinic.watches[basin].offline, clinic.busy = WARM_MC, False, False
        clinic.open_lid(basin)
        fill = self.site.fill_in(basin)
        if fill and not (fill.in_use(clinic.now_ms + 10 * MINUTE_MS) and fill.profile == profile):
            clinic.discard(fill)
            fill = self.site.fill_in(basin)
        if fill is None and (bottle := clinic.receive(profile, FAR)) and (poured := clinic.pour(basin, bottle)):
            fill = self.site.fills[poured]
        if fill is not None:
            clinic.test(fill)
        clinic.moved_today(basin)

    @rule(device=devices, steps=st.integers(1, 5))
    def walk(self, device: str, steps: int) -> None:
        for _ in range(steps):
            self._walked(device)

    @rule(device=devices, steps=st.integers(4, 14))
    def stride(self, device: str, steps: int) -> None:
        """Far, but never over the release."""
        for _ in range(steps):
            current = self.site.round_of(device)
            if current is None or current.dried_ms is None or current.released or current.used:
                self._walked(device)

    @rule(chosen=some, who=people, second_factor=mostly)
    def stride_and_release(self, chosen: tuple[str, ...], who: str, second_factor: bool) -> None:
        for device in chosen:
            self.stride(device, 12)
        self.clinic.release(*chosen, who=who, second_factor=second_factor)

    @rule(device=devices, basin=basins)
    def prepared(self, device: str, basin: str) -> None:
        """As far as the basin, ready."""
        current = self.site.round_of(device)
        if current is None or current.ended or current.used or current.released:
            self.clinic.begin(device)
            self.clinic.attest(device, self.site.kinds[self.site.devices[device]].steps)
        if not self.site.in_basin(basin):
            self._made_ready(basin, "two" if device.startswith("C") else "one")

    def _walked(self, device: str) -> None:
        """What comes next for it."""
        clinic, current = self.clinic, self.site.round_of(device)
        if current is None or current.ended or current.used or current.quarantined:
            for look_back, concerned in sorted(self.site.open_look_backs.items()):
                if device in concerned:
                    clinic.close_look_back(look_back)
            if clinic.is_quarantined(device):
                clinic.lift(device)
            clinic.begin(device)
        elif current.released:
            clinic.use(device)
        elif current.stay is None:
            self._walked_in(device, current)
        elif current.stay.out_ms is None:
            self._walked_out(current)
        else:
            self._finished(device, current)

    def _walked_in(self, device: str, current: Round) -> None:
        missing = tuple(each for each in current.kind.steps if each not in current.steps)
        if missing:
            self.clinic.attest(device, missing)
            return
        profile = current.kind.profiles[0]
        for basin in BASINS:
            if not self.site.in_basin(basin):
                self._made_ready(basin, profile)
                if self.clinic.start(basin, device):
                    return

    def _walked_out(self, current: Round) -> None:
        clinic, stay = self.clinic, current.stay
        assert stay is not None
        basin = stay.load.fill.basin
        watch = clinic.watches[basin]
        if watch.shut is None:
            if any(shut.basin == basin and shut.closing_ms >= stay.in_ms for shut in self.site.shuts):
                clinic.take_out(basin)
            else:
                clinic.close_lid(basin)
            return
        need_ms = self.site.solutions[stay.load.fill.profile].contact_ms
        clinic.wait(max(0, watch.shut.closing_ms + need_ms + 6 * SECOND_MS - clinic.now_ms))
        clinic.open_lid(basin)

    def _finished(self, device: str, current: Round) -> None:
        clinic, stay = self.clinic, current.stay
        assert stay is not None
        against = clinic.against(device)[device]
        if current.rinsing:
            clinic.end_rinse(device)
        elif "rinses" in against:
            clinic.rinse(device, 30 * SECOND_MS)
        elif "dried" in against:
            clinic.dry(device)
        elif not clinic.release(device):
            clinic.begin(device)

    # Solutions

    @when("top up")
    @rule(basin=basins, profile=profiles, left_days=st.sampled_from((0, 0, 1, 300)), ago=seldom, topping=st.booleans())
    def pour(self, basin: str, profile: str, left_days: int, ago: bool, topping: bool) -> None:
        today = self.clinic.recording.book().local_date(self.clinic.now_ms)
        bottle = self.clinic.receive(profile, today + timedelta(days=left_days))
        fill = self.site.fill_in(basin)
        if bottle is None:
            return
        if fill is None or not topping:
            self.clinic.pour(basin, bottle, ago_ms=10 * MINUTE_MS if ago else 0)
        else:
            self.clinic.top_up(fill, bottle)

    @when("top up")
    @rule(basin=basins)
    def top_up(self, basin: str) -> None:
        fill = self.site.fill_in(basin)
        if fill and (bottle := self.clinic.receive(fill.profile, FAR)):
            self.clinic.top_up(fill, bottle)

    @when("discard")
    @rule(basin=basins)
    def discard(self, basin: str) -> None:
        if fill := self.site.fill_in(basin):
            self.clinic.discard(fill)

    @rule(
        basin=basins,
        result=st.sampled_from(("pass", "pass", "pass", "fail", "doubtful")),
        after_ms=st.sampled_from((20_000, 20_000, 11_000, 5_000, 41_000, 60_000)),
        wrong=seldom,
    )
    def mec_test(self, basin: str, result: str, after_ms: int, wrong: bool) -> None:
        if result != "pass" and "fail" not in self.mishaps:
            result = "pass"
        if fill := self.site.fill_in(basin):
            self._dipped(fill, result, after_ms, wrong=wrong)

    def _dipped(self, fill: Filled, result: str, after_ms: int, *, wrong: bool) -> None:
        other = {"one": "S2", "two": "S1"}[fill.profile]
        if test := self.clinic.dip(fill, other if wrong else None):
            self.clinic.wait(after_ms)
            self.clinic.read(fill, test, result)

    @rule(basin=basins, result=st.sampled_from(("pass", "fail")))
    def dip_or_read(self, basin: str, result: str) -> None:
        """A strip that lies there while other things are done."""
        if fill := self.site.fill_in(basin):
            waiting = [name for name, each in fill.tests.items() if not each.result]
            if waiting:
                self.clinic.read(fill, waiting[-1], result if "fail" in self.mishaps else "pass")
            else:
                self.clinic.dip(fill)

    # Devices and loads

    @when("begin")
    @rule(device=devices)
    def begin(self, device: str) -> None:
        self.clinic.begin(device)

    @anywhere("ready")
    @rule(device=devices, back=st.sampled_from((0, 0, 60_000, HOUR_MS)), data=st.data())
    def attest(self, device: str, back: int, data: st.DataObject) -> None:
        steps = self.site.kinds[self.site.devices[device]].steps
        chosen = data.draw(st.lists(st.sampled_from(steps), min_size=1, unique=True))
        self.clinic.attest(device, tuple(chosen), ago_ms=back)

    @anywhere("ready")
    @rule(basin=basins, chosen=some, already_in=st.booleans(), override=seldom, who=people)
    def start(self, basin: str, chosen: tuple[str, ...], already_in: bool, override: bool, who: str) -> None:
        override = override and "override" in self.mishaps
        self.clinic.start(basin, *chosen, already_in=already_in, override=override, who="sam" if override else who)

    @anywhere("in")
    @rule(basin=basins, chosen=some, already_in=st.booleans(), override=st.booleans(), who=people)
    def add(self, basin: str, chosen: tuple[str, ...], already_in: bool, override: bool, who: str) -> None:
        override = override and "override" in self.mishaps
        self.clinic.add(basin, *chosen, already_in=already_in, override=override, who="sam" if override else who)

    @anywhere("in")
    @rule(basin=basins, chosen=st.one_of(st.just(()), some))
    def take_out(self, basin: str, chosen: tuple[str, ...]) -> None:
        self.clinic.take_out(basin, *chosen)

    @anywhere("ready")
    @rule(basin=basins, chosen=some, data=st.data())
    def assign_late(self, basin: str, chosen: tuple[str, ...], data: st.DataObject) -> None:
        shuts = [each for each in self.site.shuts if each.over and each.basin == basin]
        if shuts:
            self.clinic.assign_late(data.draw(st.sampled_from(shuts[-3:])), *chosen)

    @rule(basin=basins)
    def lid(self, basin: str) -> None:
        if self.clinic.watches[basin].shut:
            self.clinic.open_lid(basin)
        else:
            self.clinic.close_lid(basin)

    @rule(
        basin=basins,
        seconds=st.sampled_from((30, 110, 125, 175, 185, 600)),
        mc=st.sampled_from((WARM_MC, WARM_MC, GUARD_MC, COLD_MC)),
        cold_s=st.sampled_from((0, 5, 60)),
        out=st.booleans(),
    )
    def soak(self, basin: str, seconds: int, mc: int, cold_s: int, out: bool) -> None:
        """Met or not, long or short, with a chill in it."""
        clinic, watch = self.clinic, self.clinic.watches[basin]
        clinic.close_lid(basin)
        watch.mc = mc
        clinic.wait(seconds * SECOND_MS // 2)
        watch.mc = COLD_MC if cold_s else mc
        clinic.wait(cold_s * SECOND_MS)
        watch.mc = mc
        clinic.wait(seconds * SECOND_MS // 2)
        watch.mc = WARM_MC
        clinic.open_lid(basin)
        if out:
            clinic.take_out(basin)

    @rule(ms=st.sampled_from((5 * SECOND_MS, 30 * SECOND_MS, MINUTE_MS, 2 * MINUTE_MS, 3 * MINUTE_MS)))
    def wait(self, ms: int) -> None:
        self.clinic.wait(ms)

    @when("jump")
    @rule(ms=st.sampled_from((HOUR_MS, 9 * HOUR_MS, DAY_MS, 2 * DAY_MS)))
    def jump(self, ms: int) -> None:
        self.clinic.wait(ms)

    @rule(basin=basins)
    def network(self, basin: str) -> None:
        """What the node sees arrives later, or arrives again."""
        watch = self.clinic.watches[basin]
        watch.offline = not watch.offline
        self.clinic.deliver()

    @rule()
    def collector_busy(self) -> None:
        self.clinic.busy = not self.clinic.busy

    # Afterwards

    @anywhere("out")
    @rule(device=devices, ms=st.sampled_from((5_000, 19_000, 21_000, 31_000)), fresh=mostly)
    def rinse(self, device: str, ms: int, fresh: bool) -> None:
        self.clinic.rinse(device, ms, fresh=fresh)

    @anywhere("out")
    @rule(device=devices, times=st.integers(1, 3), dry=st.booleans())
    def rinses(self, device: str, times: int, dry: bool) -> None:
        for _ in range(times):
            self.clinic.rinse(device, 31_000)
        if dry:
            self.clinic.dry(device)

    @anywhere("out")
    @rule(device=devices)
    def rinse_begun_or_ended(self, device: str) -> None:
        current = self.site.round_of(device)
        if current and current.rinsing:
            self.clinic.end_rinse(device)
        else:
            self.clinic.begin_rinse(device)

    @anywhere("out")
    @rule(device=devices)
    def dry(self, device: str) -> None:
        self.clinic.dry(device)

    @anywhere("out")
    @rule(chosen=some, who=people, second_factor=mostly)
    def release(self, chosen: tuple[str, ...], who: str, second_factor: bool) -> None:
        self.clinic.release(*chosen, who=who, second_factor=second_factor)

    @when("use")
    @rule(device=devices, encounter=st.sampled_from(("E-17", "")))
    def use(self, device: str, encounter: str) -> None:
        self.clinic.use(device, encounter)

    @when("quarantine")
    @rule(device=devices)
    def quarantine(self, device: str) -> None:
        self.clinic.quarantine(device)

    @rule(device=devices)
    def lift(self, device: str) -> None:
        self.clinic.lift(device)

    @rule(data=st.data())
    def close_look_back(self, data: st.DataObject) -> None:
        if self.site.open_look_backs:
            self.clinic.close_look_back(data.draw(st.sampled_from(sorted(self.site.open_look_backs))))

    @rule(device=devices)
    def free(self, device: str) -> None:
        for look_back, concerned in sorted(self.site.open_look_backs.items()):
            if device in concerned:
                self.clinic.free(look_back, device)

    @when("correct")
    @rule(
        profile=profiles,
        change=st.sampled_from(
            (
                {"contact_ms": 2 * MINUTE_MS},
                {"contact_ms": 3 * MINUTE_MS},
                {"contact_ms": 4 * MINUTE_MS},
                {"excluded": ()},
                {"excluded": ("urological",)},
                {"excluded": ("gastroenterological",)},
                {"rinses": (3, 30_000)},
                {"rinses": (1, 20_000)},
            )
        ),
    )
    def correct(self, profile: str, change: dict[str, Any]) -> None:
        self.clinic.correct(profile, **change)

    @when("change type")
    @rule(
        name=st.sampled_from(("scope", "cysto")),
        change=st.sampled_from(
            (
                {"steps": ("clean",)},
                {"steps": ("leak test", "clean")},
                {"profiles": ("one",)},
                {"profiles": ("two",)},
                {"profiles": ("one", "two")},
                {"kind": "urological"},
                {"kind": "gastroenterological"},
                {"rinses": (3, 20_000)},
            )
        ),
    )
    def change_type(self, name: str, change: dict[str, Any]) -> None:
        self.clinic.change_type(name, **change)


def test_nothing_is_released_unless_everything_holds() -> None:
    COUNTS.clear()
    often = settings(
        max_examples=EXAMPLES,
        stateful_step_count=STEPS,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much],
    )
    run_state_machine_as_test(RecordMachine, settings=often)  # type: ignore[no-untyped-call]
    assert COUNTS["released"] >= EXAMPLES // 4, f"too little was released to show anything: {COUNTS}"
    assert COUNTS["used without release"], COUNTS
