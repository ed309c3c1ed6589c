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

EXAMPLES = int(os.environ.get("SOAKLEDGER_RECORD_EXAMPLES", "80"))
STEPS = 30
FAR = date(2026, 12, 31)

COUNTS: Counter[str] = Counter()
"""Over all examples of a run."""

MISHAPS = ("jump", "discard", "fail", "use", "quarantine", "correct", "change type", "top up", "begin", "override")

SLIPS = {
    "before": ("step missing", "no test", "runs out", "fails before"),
    "placed": ("topped up", "added during", "nobody says so"),
    "during": (
        "step late",
        "test late",
        "topped up during",
        "fails during",
        "cold",
        "not quite warm",
        "silent",
        "opening unseen",
        "taken out",
    ),
    "out": ("short", "twice"),
    "rinses": ("rinse short", "rinse missing", "used water", "not dried", "rinsed again"),
    "done": (
        "fails after",
        "quarantine",
        "solution",
        "excluded",
        "steps",
        "contact",
        "rinses",
        "used",
        "look-backs closed",
    ),
}
"""What may go wrong in one round, by the moment; up to two of it in one."""

devices = st.sampled_from(DEVICES)
slips_of_a_round = st.sets(st.sampled_from(sum(SLIPS.values(), ())), min_size=1, max_size=2)
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

    def _made_ready(self, basin: str, profile: str, *, tested: bool = True) -> None:
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
        if fill is not None and tested:
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
            self._free(device)
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

    # All but one or two things as it should be done

    @rule(rounds=st.lists(st.tuples(devices, slips_of_a_round, seldom), min_size=1, max_size=4))
    def slipping(self, rounds: list[tuple[str, set[str], bool]]) -> None:
        for device, slips, busy in rounds:
            self._slipped(device, slips, busy=busy)

    def _slipped(self, device: str, slips: set[str], *, busy: bool) -> None:
        """One round to its end; nothing but what went wrong, and what went wrong before it, stands against it."""
        clinic, stays = self.clinic, self.site.in_basin(BASINS[0])
        if stays or any(each.round.device == device for each in self.site.in_basin(BASINS[1])):
            return
        self._free(device)
        clinic.begin(device)
        current = self.site.round_of(device)
        if current is None or current.stay or current.kind.profiles[0] not in self.site.solutions:
            return
        fill = self._filled(current, slips)
        if fill is None:
            return
        steps = current.kind.steps[1:] if slips & {"step missing", "step late"} else current.kind.steps
        if steps:
            clinic.attest(device, steps)
        self._soaked(device, fill, slips)
        self._rinsed(device, current, slips)
        clinic.busy = busy
        self._afterwards(device, fill, slips)
        clinic.release(device)
        clinic.busy = False

    def _free(self, device: str) -> None:
        clinic = self.clinic
        for look_back, held in sorted(self.site.open_look_backs.items()):
            if device in held:
                clinic.close_look_back(look_back)
        if clinic.is_quarantined(device):
            clinic.lift(device)

    def _filled(self, current: Round, slips: set[str]) -> Filled | None:
        clinic, basin = self.clinic, BASINS[0]
        self._made_ready(basin, current.kind.profiles[0], tested=not slips & {"no test", "test late", "runs out"})
        fill = self.site.fill_in(basin)
        if fill is not None and "runs out" in slips:
            clinic.wait(max(0, fill.use_by_ms - clinic.now_ms - 4 * MINUTE_MS))
            clinic.test(fill)
            clinic.moved_today(basin)
        if fill is not None and "fails before" in slips:
            clinic.test(fill, "fail")
        return fill

    def _soaked(self, device: str, fill: Filled, slips: set[str]) -> None:
        clinic, basin, watch = self.clinic, fill.basin, self.clinic.watches[fill.basin]
        waiting = clinic.dip(fill) if "test late" in slips else None
        clinic.wait(12 * SECOND_MS if waiting else 0)
        unsaid = bool(slips & {"added during", "nobody says so", "step late"})
        if not unsaid:
            self._started(basin, device)
        if "topped up" in slips:
            self._topped_up(fill)
        if "runs out" in slips:
            clinic.wait(max(0, fill.use_by_ms - clinic.now_ms - MINUTE_MS))
        clinic.close_lid(basin)
        clinic.wait(5 * SECOND_MS)
        if waiting:
            clinic.read(fill, waiting)
        if "step late" in slips:
            clinic.attest(device, self.site.kinds[self.site.devices[device]].steps[:1], ago_ms=MINUTE_MS)
        if unsaid and "nobody says so" not in slips:
            self._started(basin, device, already_in="added during" not in slips)
        if "topped up during" in slips:
            self._topped_up(fill)
        if "fails during" in slips:
            clinic.test(fill, "doubtful")
        if slips & {"cold", "not quite warm"}:
            watch.mc = COLD_MC if "cold" in slips else GUARD_MC
            clinic.wait(6 * SECOND_MS)
            watch.mc = WARM_MC
        if "silent" in slips:
            clinic.recording.later(20 * SECOND_MS)
            watch.see(clinic.now_ms, self.site.shuts)
        if "taken out" in slips:
            watch.offline = True
            clinic.wait(MINUTE_MS)
            clinic.take_out(basin)
        shut, contact_ms = watch.shut, self.site.solutions[fill.profile].contact_ms
        until_ms = contact_ms + 5 * SECOND_MS if "short" not in slips else contact_ms - 5 * SECOND_MS
        clinic.wait(max(0, (shut.closing_ms if shut else 0) + until_ms - clinic.now_ms))
        if "opening unseen" in slips:
            clinic.recording.later(max(MINUTE_MS, fill.use_by_ms + MINUTE_MS - clinic.now_ms))
        clinic.open_lid(basin)
        watch.offline = False
        clinic.wait(SECOND_MS)
        if "twice" in slips:
            clinic.close_lid(basin)
            clinic.wait(contact_ms + 5 * SECOND_MS)
            clinic.open_lid(basin)
        if "nobody says so" in slips:
            clinic.assign_late(self.site.shuts[-1], device)
        if self.site.in_basin(basin):
            clinic.take_out(basin)

    def _started(self, basin: str, device: str, *, already_in: bool = False) -> None:
        """If it is not ready, all the same."""
        clinic = self.clinic
        if not clinic.start(basin, device, already_in=already_in):
            clinic.start(basin, device, already_in=already_in, override=True, who="sam")

    def _topped_up(self, fill: Filled) -> None:
        if bottle := self.clinic.receive(fill.profile, FAR):
            self.clinic.top_up(fill, bottle)

    def _rinsed(self, device: str, current: Round, slips: set[str]) -> None:
        clinic, fill = self.clinic, current.stay.load.fill if current.stay else None
        if fill is None:
            return
        asked = (self.site.solutions[fill.profile].rinses, current.kind.rinses)
        count, each_ms = (max(each) for each in zip(*asked, strict=True))
        for number in range(count - ("rinse missing" in slips)):
            short = "rinse short" in slips and number == 0
            clinic.rinse(
                device, each_ms - 2 * SECOND_MS if short else each_ms, fresh=number > 0 or "used water" not in slips
            )
        if "not dried" not in slips:
            clinic.dry(device)
        if "rinsed again" in slips:
            clinic.rinse(device, each_ms)

    def _afterwards(self, device: str, fill: Filled, slips: set[str]) -> None:
        clinic, kind, label = self.clinic, self.site.kinds[self.site.devices[device]], self.site.solutions[fill.profile]
        name, other = self.site.devices[device], "one" if fill.profile == "two" else "two"
        if "fails after" in slips:
            clinic.test(fill, "fail")
        if "quarantine" in slips:
            clinic.quarantine(device)
        if "solution" in slips:
            clinic.change_type(name, profiles=(other,))
        if "excluded" in slips:
            clinic.correct(fill.profile, excluded=(*label.excluded, kind.kind))
        if "steps" in slips:
            clinic.change_type(name, steps=(*kind.steps, "channels filled"))
        if "contact" in slips:
            clinic.correct(fill.profile, contact_ms=label.contact_ms + MINUTE_MS)
        if "rinses" in slips:
            clinic.change_type(name, rinses=(label.rinses[0] + 1, 10_000))
        if "used" in slips:
            clinic.use(device)
        if slips & {"look-backs closed", "contact", "excluded", "fails during", "fails before"}:
            for look_back in sorted(self.site.open_look_backs):
                clinic.close_look_back(look_back)

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
    assert COUNTS["released"] >= EXAMPLES // 10, f"too little was released to show anything: {COUNTS}"
