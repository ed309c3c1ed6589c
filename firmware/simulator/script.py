"""What people and mishaps do to a basin: one load, and a day of them.

Pure and seeded: the same seed gives the same day, to the millisecond. The rates of mistakes are invented, high enough
that a month shows every kind and low enough that a day looks like one.
"""

from __future__ import annotations

import enum
from functools import lru_cache
from random import Random

import msgspec

_SECOND_MS = 1_000
_MINUTE_MS = 60_000
_HOUR_MS = 60 * _MINUTE_MS
DAY_MS = 24 * _HOUR_MS

OPENS_MS, SHUTS_MS = 7 * _HOUR_MS + 40 * _MINUTE_MS, 17 * _HOUR_MS + 20 * _MINUTE_MS
"""The invented clinic's hours, in local time of day."""

_SUNDAY = 3  # days since 1970-01-01, a Thursday, modulo 7
_COLD_MORNING_RATE = 0.07
_COLD_UNTIL_MS = 210 * _MINUTE_MS  # after opening; a basin lags behind its room
_CHECK_RATE = 0.3  # lid off for a test strip some minutes before a load
_BUTTON_RATE = 0.6
_ADD_RATE = 0.06
_ADD_SHARE = (0.2, 0.4)


class Act(enum.StrEnum):
    """One thing that happens to a basin."""

    OPEN = "open"
    CLOSE = "close"
    LOAD_IN = "load in"
    LOAD_OUT = "load out"
    ADD = "add"  # another device goes in beside the first
    BUTTON = "button"
    TROUBLE = "trouble"
    POWER_CUT = "power cut"


class Trouble(enum.StrEnum):
    """What a 1-Wire sensor does instead of giving a temperature."""

    UNPLUGGED = "unplugged"  # empty reads for some 100 s, then its folder goes
    EMPTY = "empty"  # a failed check sum, as the driver shows it today: an empty file
    BAD_CRC = "bad crc"  # a failed check sum, as the driver is documented: a NO line
    ONE_LINE = "one line"
    ZEROS = "zeros"  # data line shorted to ground
    POWER_ON = "power-on"  # 85 °C: it lost power before the conversion ended
    LOW_POWER = "low power"  # 127.94 °C: too little of it


class Mistake(enum.StrEnum):
    """What goes wrong with a load."""

    OPENED_EARLY = "opened-early"
    COLD_LOAD = "cold-load"
    COLD_MORNING = "cold-morning"
    UNPLUGGED = "unplugged"
    CHECK_SUM = "check-sum"
    POWER_ON = "power-on"
    POWER_CUT = "power-cut"
    DEVICE_ADDED = "device-added"  # no mistake: the lid was opened to add a device, and the time starts again


_RATES = {
    Mistake.OPENED_EARLY: 0.045,
    Mistake.COLD_LOAD: 0.03,
    Mistake.UNPLUGGED: 0.012,
    Mistake.CHECK_SUM: 0.06,
    Mistake.POWER_ON: 0.012,
}


class Step(msgspec.Struct, frozen=True):
    """One act.

    Attributes:
        at_ms: When, on the clock the script was asked for.
        act: What.
        load_mc: Temperature of the load that goes in.
        trouble: What a sensor does.
        sensor: Which of the basin's sensors, counted from 0.
        for_ms: How long a trouble or a power cut lasts.
    """

    at_ms: int
    act: Act
    load_mc: int = 0
    trouble: Trouble | None = None
    sensor: int = 0
    for_ms: int = 0


class Planned(msgspec.Struct, frozen=True):
    """One closure that holds a load, as the script means it.

    Attributes:
        closed_ms: The lid closes.
        opened_ms: It opens.
        mistakes: What goes wrong meanwhile; empty if nothing.
    """

    closed_ms: int
    opened_ms: int
    mistakes: tuple[Mistake, ...] = ()


class Script(msgspec.Struct, frozen=True):
    """Acts in order of time, and the loads they amount to."""

    steps: tuple[Step, ...] = ()
    loads: tuple[Planned, ...] = ()


class Habits(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How a basin is used.

    Attributes:
        contact_ms: What its label asks for.
        loads_a_day: About how many loads between opening and shutting.
        load_mc: Coolest and warmest ordinary load.
        cold_load_mc: A load straight from cold rinse water.
        sensors: How many sensors it has.
    """

    contact_ms: int
    loads_a_day: int = 7
    load_mc: tuple[int, int] = (20_500, 22_500)
    cold_load_mc: int = 14_500
    sensors: int = 1


class Course(msgspec.Struct, frozen=True):
    """How one load goes.

    Attributes:
        mistake: What goes wrong.
        after_ms: How long after the closing; None leaves it to the dice.
        closed_ms: How long the lid stays closed; None: for the contact time and a little more.
        beyond_ms: How much more; None leaves it to the dice.
        for_ms: How long a trouble lasts; None leaves it to the dice.
        cold: The load is a cold one, whatever else goes wrong.
    """

    mistake: Mistake | None = None
    after_ms: int | None = None
    closed_ms: int | None = None
    beyond_ms: int | None = None
    for_ms: int | None = None
    cold: bool = False


def load(dice: Random, habits: Habits, open_ms: int, course: Course) -> Script:
    """One load: lid off, load in, lid on, soak, lid off, load out, lid on.

    Args:
        dice: Where chance comes from.
        habits: How this basin is used.
        open_ms: When the lid is lifted to put the load in.
        course: How it goes.
    """
    in_ms = open_ms + dice.randrange(6_000, 20_000)
    close_ms = in_ms + dice.randrange(6_000, 20_000)
    early = course.mistake is Mistake.OPENED_EARLY
    share = dice.uniform(0.45, 0.96)
    beyond_ms = dice.randrange(15_000, 4 * _MINUTE_MS) if course.beyond_ms is None else course.beyond_ms
    closed_ms = course.closed_ms or (int(habits.contact_ms * share) if early else habits.contact_ms + beyond_ms)
    open_again_ms = close_ms + closed_ms
    out_ms = open_again_ms + dice.randrange(5_000, 15_000)
    cold = course.cold or course.mistake is Mistake.COLD_LOAD
    load_mc = habits.cold_load_mc if cold else dice.randrange(*habits.load_mc)
    steps = [
        Step(open_ms, Act.OPEN),
        Step(in_ms, Act.LOAD_IN, load_mc=load_mc),
        Step(close_ms, Act.CLOSE),
        *_mishap(dice, habits, close_ms, closed_ms, course),
        Step(open_again_ms, Act.OPEN),
        Step(out_ms, Act.LOAD_OUT),
        Step(out_ms + dice.randrange(5_000, 20_000), Act.CLOSE),
    ]
    if dice.random() < _BUTTON_RATE:
        steps.insert(2, Step(in_ms + 3_000, Act.BUTTON))
    mistakes = tuple(
        dict.fromkeys(([course.mistake] if course.mistake else []) + ([Mistake.COLD_LOAD] if cold else []))
    )
    return Script(tuple(steps), (Planned(close_ms, open_again_ms, mistakes),))


def _mishap(dice: Random, habits: Habits, close_ms: int, closed_ms: int, course: Course) -> list[Step]:
    """What happens to sensors or power during a soak."""
    after_ms = int(closed_ms * dice.uniform(0.2, 0.75)) if course.after_ms is None else course.after_ms
    at_ms, sensor = close_ms + after_ms, dice.randrange(habits.sensors)
    match course.mistake:
        case Mistake.UNPLUGGED:
            kinds, for_ms = [Trouble.UNPLUGGED], dice.randrange(20 * _SECOND_MS, 10 * _MINUTE_MS)
        case Mistake.CHECK_SUM:
            kinds, for_ms = [Trouble.EMPTY, Trouble.BAD_CRC, Trouble.ONE_LINE], 900 + int(dice.expovariate(1 / 2_000))
        case Mistake.POWER_ON:
            kinds, for_ms = [Trouble.POWER_ON, Trouble.LOW_POWER, Trouble.ZEROS], dice.randrange(2_500, 30_000)
        case Mistake.POWER_CUT:
            return [Step(at_ms, Act.POWER_CUT, for_ms=dice.randrange(20 * _SECOND_MS, 15 * _MINUTE_MS))]
        case _:
            return []
    trouble = dice.choice(kinds)
    return [Step(at_ms, Act.TROUBLE, trouble=trouble, sensor=sensor, for_ms=course.for_ms or for_ms)]


def _with_device_added(dice: Random, habits: Habits, script: Script) -> Script:
    """The same load with another device put in after a while; as it was if anything goes wrong in it."""
    [planned] = script.loads
    if planned.mistakes:
        return script
    at_ms = planned.closed_ms + int(habits.contact_ms * dice.uniform(*_ADD_SHARE))
    add_ms = at_ms + dice.randrange(6_000, 15_000)
    again_ms = add_ms + dice.randrange(8_000, 15_000)
    later_ms = again_ms - planned.closed_ms
    before = [step for step in script.steps if step.at_ms <= planned.closed_ms]
    after = [step for step in script.steps if step.at_ms > planned.closed_ms]
    between = (
        Step(at_ms, Act.OPEN),
        Step(add_ms, Act.ADD, load_mc=dice.randrange(*habits.load_mc)),
        Step(again_ms, Act.CLOSE),
    )
    shifted = (msgspec.structs.replace(step, at_ms=step.at_ms + later_ms) for step in after)
    first = Planned(planned.closed_ms, at_ms, (Mistake.DEVICE_ADDED,))
    return Script((*before, *between, *shifted), (first, Planned(again_ms, planned.opened_ms + later_ms)))


def ordinary_course(dice: Random) -> Course:
    """How an ordinary load goes: mostly well."""
    chance = dice.random()
    for mistake, rate in _RATES.items():
        if chance < rate:
            return Course(mistake)
        chance -= rate
    return Course()


def _joined(scripts: list[Script]) -> Script:
    """Several scripts as one, in order of time."""
    steps = sorted((step for script in scripts for step in script.steps), key=lambda step: step.at_ms)
    return Script(tuple(steps), tuple(load for script in scripts for load in script.loads))


@lru_cache(maxsize=4096)
def cold_morning(seed: int, day: int) -> bool:
    """The night before this day was a cold one.

    Args:
        seed: The clinic's.
        day: Days since 1970-01-01, local.
    """
    return Random(f"{seed}/cold/{day}").random() < _COLD_MORNING_RATE  # noqa: S311 - a play, not a secret


def day_script(habits: Habits, seed: int, basin: str, day: int) -> Script:
    """One day of one basin.

    Args:
        habits: How it is used.
        seed: The clinic's.
        basin: Its node and name: tells the basins of one clinic apart.
        day: Days since 1970-01-01, local; the clinic stays shut on Sundays.

    Returns:
        Acts in milliseconds since local midnight; the lid is on before the first and after the last.
    """
    if day % 7 == _SUNDAY:
        return Script()
    dice = Random(f"{seed}/{basin}/{day}")  # noqa: S311
    count = max(1, habits.loads_a_day + dice.randrange(-2, 3))
    slot_ms = (SHUTS_MS - OPENS_MS) // count
    needed_ms = habits.contact_ms + 7 * _MINUTE_MS  # everything around the soak itself
    cold = cold_morning(seed, day)
    scripts = []
    for index in range(count):
        earliest_ms = OPENS_MS + index * slot_ms + 4 * _MINUTE_MS
        open_ms = earliest_ms + dice.randrange(max(1, slot_ms - needed_ms - 4 * _MINUTE_MS))
        if dice.random() < _CHECK_RATE:
            checked_ms = open_ms - dice.randrange(2 * _MINUTE_MS, 4 * _MINUTE_MS)
            closed_ms = checked_ms + dice.randrange(20_000, 60_000)
            scripts.append(Script((Step(checked_ms, Act.OPEN), Step(closed_ms, Act.CLOSE))))
        done = load(dice, habits, open_ms, ordinary_course(dice))
        if cold and open_ms < OPENS_MS + _COLD_UNTIL_MS:
            planned = done.loads[0]
            marked = msgspec.structs.replace(planned, mistakes=(*planned.mistakes, Mistake.COLD_MORNING))
            done = Script(done.steps, (marked,))
        add_dice = Random(f"{seed}/{basin}/{day}/{index}/add")  # noqa: S311 - of its own: days stay as they were
        if add_dice.random() < _ADD_RATE:
            added = _with_device_added(add_dice, habits, done)
            done = added if added.steps[-1].at_ms < OPENS_MS + (index + 1) * slot_ms else done
        scripts.append(done)
    return _joined(scripts)
