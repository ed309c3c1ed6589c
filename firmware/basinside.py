"""What a node knows, shows and says at one basin, with no network at all. Pure.

The exposure rule runs here on the basin's own readings, with the collector's own meter and what orders that still hold
require. All durations are of the node's uninterrupted clock. What is shown is no verdict: that is the record's.

What a press of the button means:

- An alarm of high or medium priority sounds: "seen". It falls silent; nothing else is meant.
- No load is in, lid open or closed: "a load is in", with a lid that is closed since its closing.
- A load soaks, lid closed: "a device is about to be added". The next opening is no alarm, within two minutes.
- The lid is open, and a load was said to be in: it is not, or not any more. After an opening that was said to be for
  adding it means nothing.
- A soak is met: nothing. Its load leaves with the next opening.

A load that was opened early is only still in where the lid is put back on within ten seconds. Else it begins a new
round, with a press of its own: nobody who takes devices out presses a button first, and the empty basin's next opening
must be no alarm. A load of the record stays until the record ends it.

A press within two seconds of the last one is the same press.
"""

from __future__ import annotations

from firmware.delay import Delayed
from firmware.orders import BasinInHand
from firmware.standing import OPENED_EARLY, Alarms, Standing, sounding
from soak.closure import Closure, Verdict
from soak.exposure import Meter
from soak.reading import Lid, Reading, Why
from soak.requirement import Judge, Judged
from soak.signals import TENTHS, Shown, Sign, Sounding
from soak.wire import BasinOrders, BasinSide, LoadOrders

ON_MS, OFF_MS = 10_000, 30_000
"""A temperature that is out of range, or missing, must be so for the first to be an alarm, and be well again for the
second to be none."""

FIRM_MS = 1_000
"""A lid that stays closed for less has not been put on: a switch that flickers is one opening and one alarm. Our own
choice, twenty times what a closing needs to settle."""

ADDING_MS = 120_000
"""How long after "a device is about to be added" the lid may be opened without an alarm. Our own choice: time to fetch
a device, and too little for it to be forgotten."""

BACK_ON_MS = 10_000
"""A lid opened early and back on by then has its load in still. Our own choice: devices are not out so soon."""

SAME_PRESS_MS = 2_000
"""Our own choice: who presses twice, unsure whether the first did anything, does not take it back."""

UNASSIGNED_MS = 60_000
"""A closure that held nothing, as far as anybody said, asks at its opening whether it did, if it was longer."""

ASKING_MS = 15_000
"""How long the light asks. Our own choice."""


class AtBasin:
    """One basin as its node knows it.

    Args:
        name: The basin's name.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self._alarms = Alarms()
        self._part: BasinInHand | None = None
        self._now_ms = 0
        self._meter, self._number = Meter(None, {}), 0
        self._judge: Judge | None = None  # by what is in force
        self._closure_judge: Judge | None = None  # by what was in force at the closing
        self._closed_ms: int | None = None  # since when the lid is closed
        self._moved_ms: int | None = None
        self._said_ms: int | None = None
        self._pressed_ms: int | None = None
        self._adding_ms: int | None = None
        self._adding_open = False  # the opening that was said has come
        self._left: LoadOrders | None = None  # the record's load that has left here, as the orders had it then
        self._early_ms: int | None = None
        self._asked_ms: int | None = None
        self._delays = {
            code: Delayed(ON_MS, OFF_MS) for code in ("below-minimum", "above-maximum", "guard-band", "sensor-fault")
        }

    @property
    def _orders(self) -> BasinOrders | None:
        """What still holds."""
        return self._part.orders if self._part and self._part.holds(self._now_ms) else None

    @property
    def _recorded(self) -> LoadOrders | None:
        """The record's load, if it is still here."""
        orders = self._orders
        return orders.load if orders and orders.load and orders.load != self._left else None

    @property
    def _loaded(self) -> bool:
        """A load is in that has not met yet as far as the record knows."""
        recorded = self._recorded
        return self._said_ms is not None or (recorded is not None and recorded.devices > 0)

    @property
    def _firm(self) -> bool:
        """The lid is on, and has stayed so."""
        return self._closed_ms is not None and self._now_ms - self._closed_ms >= FIRM_MS

    @property
    def _met(self) -> bool:
        progress = self._meter.progress()
        return progress is not None and progress.met

    @property
    def trouble(self) -> str:
        """What is wrong with the orders, in a few words; nothing while they hold."""
        if self._orders:
            return ""
        what = "have run out" if self._part else "never came"
        return f"the orders for basin {self.name} {what}: its soaks are not judged here"

    def obey(self, part: BasinInHand | None, now_ms: int) -> None:
        """Take in what the node goes by from now on; None where it has nothing."""
        before, self._part, self._now_ms = self._recorded, part, max(now_ms, self._now_ms)
        orders = self._orders
        received_ms = part.received_ms if part else 0
        self._alarms.order(orders.alarms if orders else (), received_ms, self._now_ms)
        if before and orders and orders.load is None:
            self._said_ms = None  # the record had it and has ended it
        self._require()

    def take(self, reading: Reading) -> None:
        """Take in the basin's next reading."""
        self._now_ms = max(reading.ms, self._now_ms)
        self._require()
        self._number += 1
        ended = self._meter.feed(self._number, reading)
        if reading.why is Why.LID:
            self._moved_ms = reading.ms
        if reading.lid is Lid.OPEN:
            if self._closed_ms is not None:
                self._opened(reading.ms, reading.ms - self._closed_ms, ended)
            self._closed_ms = None
        elif self._closed_ms is None:
            self._closed_ms, self._closure_judge = reading.ms, self._judge
        if reading.why is Why.BUTTON:
            self._pressed(reading.ms)
        self._watch(reading)

    def look(self, now_ms: int, *, collector_silent: bool) -> None:
        """Time has passed, and the collector has been silent for long or has not."""
        self._now_ms = now_ms = max(now_ms, self._now_ms)
        self._require()
        firm = self._firm
        if firm:
            self._alarms.set(OPENED_EARLY, now_ms, there=False)
            self._early_ms = None
            if self._adding_open:
                self._adding_ms, self._adding_open = None, False
        elif self._early_ms is not None and now_ms - self._early_ms >= BACK_ON_MS:
            self._said_ms = self._early_ms = None
        if self._adding_ms is not None and not self._adding_open and now_ms - self._adding_ms >= ADDING_MS:
            self._adding_ms = None
        if self._asked_ms is not None and (firm or now_ms - self._asked_ms >= ASKING_MS):
            self._alarms.set("unassigned-opening", now_ms, there=False)
            self._asked_ms = None
        problem = self._orders.fill_problem if self._orders else ""
        self._alarms.set("bad-fill", now_ms, there=bool(problem) and self._loaded)
        self._alarms.set("no-collector", now_ms, there=collector_silent)

    def shown(self) -> Shown:
        """What the light shows now."""
        standing = self._standing()
        alarm = next((one.priority for one in standing if one.lit), None)
        progress, sign = self._meter.progress(), self._sign()
        if sign is Sign.SOAKING and progress and progress.contact_ms:
            return Shown(sign, progress.run_ms * TENTHS // progress.contact_ms, alarm)
        return Shown(sign, alarm=alarm)

    def sounding(self) -> list[Sounding]:
        """The alarms that ask for the buzzer now."""
        return sounding(self._standing())

    def side(self) -> BasinSide:
        """What is said of all this on the wire."""
        standing = self._standing()
        first = standing[0] if standing else None
        return BasinSide(
            self.name,
            load=self._loaded,
            said_ms=self._said_ms,
            adding=self._adding_ms is not None,
            shows=self.shown().in_words(),
            alarm=first.code if first else "",
            since_ms=max(0, first.since_ms) if first else None,
            seen_ms=first.seen_ms if first else None,
            moved_ms=self._moved_ms,
        )

    def _standing(self) -> list[Standing]:
        return self._alarms.standing(self._now_ms, lid_closed=self._firm)

    def _require(self) -> None:
        """Judge by what is in force: closures from the next closing on."""
        orders = self._orders
        requirement, terms = (orders.requirement, orders.sensors) if orders else (None, {})
        in_force = (self._judge.requirement, self._judge.terms) if self._judge else (None, {})
        if requirement is None or not terms:
            requirement, terms = None, {}
        if (requirement, terms) == in_force:
            return
        self._judge = Judge(requirement, terms) if requirement else None
        self._meter.require(requirement, terms)
        progress = self._meter.progress()
        if requirement and progress and progress.contact_ms is None:
            # The first orders come while a lid is on that closed before: judged from now on, which proves less.
            self._meter, self._number, self._closure_judge = Meter(requirement, terms), 0, self._judge

    def _opened(self, ms: int, closed_ms: int, ended: Closure | None) -> None:
        """The lid was opened after it had been closed for so long."""
        soaked, said_adding = self._loaded, self._adding_ms is not None
        for code, delay in self._delays.items():
            delay.reset()
            self._alarms.set(code, ms, there=False)
        if closed_ms < FIRM_MS:
            return
        recorded = self._recorded
        self._adding_open = said_adding
        if (ended is not None and ended.verdict is Verdict.MET) or not soaked:
            self._said_ms = self._adding_ms = None
            self._adding_open, self._left = False, recorded or self._left
            if not soaked and not recorded and closed_ms > UNASSIGNED_MS:
                self._asked_ms = ms
                self._alarms.set("unassigned-opening", ms, there=True)
        elif not said_adding and not (recorded and recorded.adding) and self._closure_judge:
            self._alarms.set(OPENED_EARLY, ms, there=True)
            self._early_ms = ms

    def _pressed(self, ms: int) -> None:
        same = self._pressed_ms is not None and ms - self._pressed_ms < SAME_PRESS_MS
        self._pressed_ms = ms
        if self._alarms.press(ms, lid_closed=self._firm) or same:
            return
        if self._closed_ms is None:
            if not self._adding_open:
                self._said_ms = ms if self._said_ms is None else None
        elif not self._loaded:
            self._said_ms = ms
        elif not self._met:
            self._adding_ms = ms

    def _watch(self, reading: Reading) -> None:
        """Temperatures of a soak: what makes it fail while somebody can still act."""
        judge = self._closure_judge
        if reading.lid is Lid.OPEN or judge is None or not self._loaded or self._met:
            for code, delay in self._delays.items():
                delay.reset()
                self._alarms.set(code, reading.ms, there=False)
            return
        judged = judge.of(reading.mc)
        wrong = _wrong(judge, judged)
        for code, delay in self._delays.items():
            unknown = judged is None and code != "sensor-fault"
            self._alarms.set(code, reading.ms, there=delay.see(reading.ms, None if unknown else code == wrong))

    def _sign(self) -> Sign:
        recorded = self._recorded
        if self._closed_ms is None:
            if self._loaded:
                return Sign.LOADED if self._judge else Sign.UNPROVEN
        elif self._loaded:
            if self._closure_judge is None:
                return Sign.UNPROVEN
            adding = self._adding_ms is not None or (recorded is not None and recorded.adding)
            return Sign.MET if self._met else Sign.ADDING if adding else Sign.SOAKING
        elif recorded:  # every device in it has met, says the record
            return Sign.MET
        return Sign.IDLE if self._judge else Sign.NO_ORDERS


def _wrong(judge: Judge, judged: Judged | None) -> str:
    """Which condition a reading shows, if any; the same words as the findings."""
    if judged is None:
        return "sensor-fault"
    if judged.lowest_mc < judge.requirement.min_mc:
        return "below-minimum"
    if judged.above:
        return "above-maximum"
    return "guard-band" if judged.margin_mc < 0 else ""
