"""The clauses of readiness, each by itself, in the order of their importance."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterator

from collector.fault_words import NOT_READ, fault_words
from collector.record.basins.physical import lid_moved
from collector.record.basins.ready_facts import HEARD_MS, Facts
from collector.record.block import Block
from collector.record.solutions.fills import fill_block, runs_out, spent
from collector.record.solutions.mec import mec_block
from collector.record.things import SensorCheck, Thermometer
from soak.quantity import exact_celsius, in_words, tenths
from soak.requirement import Requirement, SensorTerms, most_mc, needs_mc
from soak.uncertainty import unchecked_u_mc


def heard(known: Facts) -> Iterator[Block]:
    """The node is heard: the newest reading is not older than the silence limit."""
    measured = known.measured
    if measured is None:
        yield Block(
            "node-heard",
            f"No reading has come from {known.name} lately: what happens in it is not known.",
            "Check its node's power and network.",
        )
    elif not measured.dated:
        yield Block(
            "node-heard",
            f"The node of {known.name} does not know the time: how old its newest reading is cannot be told.",
            "See that the node reaches its time server.",
        )
    elif known.heard() is None:
        yield Block(
            "node-heard",
            f"Nothing has been heard from {known.name} for {in_words(known.at_ms - measured.at_ms)}; "
            f"the limit is {in_words(HEARD_MS)}.",
            "Check its node's power and network.",
        )


def filled(known: Facts) -> Iterator[Block]:
    """A fill is in the basin, no MEC test of it failed, it is in date until a soak could end, and not used up."""
    fill = known.fill
    if fill is None:
        yield Block("fill-in-basin", f"No fill is recorded in {known.name}.", "Pour solution into it and record it.")
        return
    refusal = fill_block(known.book, fill, known.at_ms) or (spent(known.book, fill) if known.profile else None)
    if refusal is None and known.profile and known.profile.contact_ms is not None:
        refusal = runs_out(known.book, fill, known.profile.contact_ms)
    if refusal:
        yield Block(refusal.rule, refusal.text, refusal.next_step)


def labelled(known: Facts) -> Iterator[Block]:
    """The profile is confirmed against the label, complete, and its claim holds by hand."""
    fill, profile = known.fill, known.profile
    if fill is None:
        return
    if profile is None:
        yield Block(
            "profile-confirmed",
            f"Fill {fill.id} names a solution profile that nobody has recorded: {fill.profile}.",
            "Record the profile from its label and have it confirmed.",
        )
        return
    if not profile.manual:
        yield Block(
            "profile-manual",
            f"The claim of {profile.name} holds in automated reprocessors only, not for soaking by hand.",
            "Discard the fill and pour a solution whose label has a claim for manual use.",
        )
    if profile.confirmed is None:
        yield Block(
            "profile-confirmed",
            f"Nobody has confirmed the profile of {profile.name} against its label.",
            "Compare it with the label and confirm it.",
        )
    elif profile.min_mc is None or profile.contact_ms is None:
        missing = "minimum temperature" if profile.min_mc is None else "contact time"
        yield Block(
            "profile-confirmed",
            f"The profile of {profile.name} has no {missing}.",
            "Enter it from the label and have it confirmed again.",
        )


def tested(known: Facts) -> Iterator[Block]:
    """The fill is MEC tested under the site's policy."""
    fill, profile = known.fill, known.profile
    if fill is None or profile is None or fill.failed_ms is not None:
        return
    if refusal := mec_block(known.book, fill, profile, known.at_ms):
        yield Block(refusal.rule, refusal.text, refusal.next_step)


def alive(known: Facts) -> Iterator[Block]:
    """Every required sensor gives a temperature."""
    if not known.terms:
        yield Block(
            "sensor-alive",
            f"No sensor of {known.name} has its uncertainty in the collector's settings: nothing can be proven.",
            "Name its sensors in the settings, each with the uncertainty from its check.",
        )
    reading = known.heard()
    for sensor in sorted(known.terms) if reading else ():
        if reading is not None and reading.mc.get(sensor) is None:
            fault = reading.fault.get(sensor)
            why = fault_words(fault.code) if fault else NOT_READ
            wrong, _, todo = why.partition("; ")
            yield Block(
                "sensor-alive",
                f"Sensor {sensor} gives no temperature: {wrong}.",
                f"{todo[:1].upper()}{todo[1:]}."
                if todo
                else "Wait for its first value; if none comes, check its plug.",
            )


def checked(known: Facts) -> Iterator[Block]:
    """Every required sensor's check is in date."""
    for sensor in sorted(known.terms):
        check, days = known.checks.get(sensor), known.book.policy.sensor_check_days
        if check is None:
            if days is not None:
                yield Block(
                    "sensor-check",
                    f"Sensor {sensor} has never been checked; the site checks every {days} days.",
                    "Compare it with a reference thermometer and record the check.",
                )
        elif (due := _due(known, check)) and known.at_ms > known.book.end_of_day_ms(due):
            yield Block(
                "sensor-check",
                f"The check of sensor {sensor} was due on {due}.",
                "Compare it with a reference thermometer and record the check.",
            )


def _due(known: Facts, check: SensorCheck) -> datetime.date | None:
    if check.due is not None:
        return datetime.date.fromisoformat(check.due)
    days = known.book.policy.sensor_check_days
    return None if days is None else known.book.local_date(check.at_ms) + datetime.timedelta(days=days)


def warm_enough(known: Facts) -> Iterator[Block]:
    """Every sensor shows at least what it must: minimum + U − correction; and no more than it may."""
    requirement, reading = known.requirement, known.heard()
    if requirement is None or reading is None:
        return
    shown = [(mc, terms) for sensor, terms in known.terms.items() if (mc := reading.mc.get(sensor)) is not None]
    cold = [(needs_mc(requirement, terms) - mc, mc, terms) for mc, terms in shown]
    warm = [(mc - most, mc, most) for mc, terms in shown if (most := most_mc(requirement, terms)) is not None]
    short_mc, mc, terms = max(cold, key=_first, default=(0, 0, None))
    if terms is not None and short_mc > 0:
        yield Block("temperature", _cold(requirement, terms, mc), "Warm the solution up, as its label says.")
    over_mc, mc, most = max(warm, key=_first, default=(0, 0, 0))
    if over_mc > 0:
        yield Block(
            "temperature-maximum",
            f"Too warm: shows {tenths(mc, up=True)} °C, may show {tenths(most)} °C at most.",
            "Let the solution cool down.",
        )


def _cold(requirement: Requirement, terms: SensorTerms, mc: int) -> str:
    return f"Too cold: needs {tenths(needs_mc(requirement, terms), up=True)} °C, shows {tenths(mc)} °C."


def _first(figures: tuple[int, object, object]) -> int:
    return figures[0]


def compared(known: Facts) -> Iterator[Block]:
    """Where the site asks for it, an independent thermometer was read in this fill, lately, and is in range."""
    policy, fill = known.book.policy, known.fill
    if not policy.thermometer or fill is None:
        return
    found = known.book.all(
        Thermometer,
        group=known.basin,
        until_ms=known.at_ms + 1,
        since_ms=fill.tested_after_ms,
        newest_first=True,
        limit=1,
    )
    todo = "Read the independent thermometer in the solution and record it."
    if not found:
        yield Block("thermometer", f"No independent thermometer was read in fill {fill.id} yet.", todo)
        return
    last, requirement = found[0], known.requirement
    age_ms = known.at_ms - last.at_ms
    if age_ms > policy.thermometer_valid_ms:
        yield Block(
            "thermometer",
            f"The independent thermometer was read {in_words(age_ms)} ago; it counts for "
            f"{in_words(policy.thermometer_valid_ms)}.",
            todo,
        )
    elif requirement and last.read_mc < requirement.min_mc:
        yield Block(
            "thermometer",
            f"The independent thermometer showed {tenths(last.read_mc)} °C; the minimum is "
            f"{tenths(requirement.min_mc, up=True)} °C.",
            "Warm the solution up and read it again.",
        )
    elif requirement and requirement.max_mc is not None and last.read_mc > requirement.max_mc:
        yield Block(
            "thermometer",
            f"The independent thermometer showed {tenths(last.read_mc, up=True)} °C; the maximum is "
            f"{tenths(requirement.max_mc)} °C.",
            "Let the solution cool down and read it again.",
        )


def moved(known: Facts) -> Iterator[Block]:
    """The lid switch was seen to move today."""
    if known.book.policy.lid_moved_today and not lid_moved(
        known.book, known.basin_id, known.basin, known.day_began_ms()
    ):
        yield Block(
            "lid-moved",
            f"The lid switch of {known.name} has not been seen to move today: it may be stuck.",
            "Lift the lid, put it back, and see that its page follows.",
        )


def free(known: Facts) -> Iterator[Block]:
    """No other load is in it."""
    if (load := known.load) is not None:
        yield Block(
            "basin-free",
            f"Load {load.id} has been in {known.name} since {known.book.near_text(load.began_ms)}.",
            "Add the device to that load, or take its devices out first.",
        )


CLAUSES: tuple[Callable[[Facts], Iterator[Block]], ...] = (
    heard,
    filled,
    labelled,
    tested,
    alive,
    checked,
    warm_enough,
    compared,
    moved,
    free,
)
"""The most important first."""


def remarks(known: Facts) -> Iterator[str]:
    """What blocks nothing and is to be said all the same."""
    for sensor in sorted(known.terms.keys() - known.checks.keys()):
        if known.book.policy.sensor_check_days is None:
            yield f"No check of sensor {sensor} is recorded, and the site has set no interval for checks."
        if known.terms[sensor].u_mc < unchecked_u_mc():
            yield (
                f"The settings give sensor {sensor} a U of {exact_celsius(known.terms[sensor].u_mc)}, less than its "
                f"datasheet supports ({exact_celsius(unchecked_u_mc())}), and no check on record bears it out."
            )
