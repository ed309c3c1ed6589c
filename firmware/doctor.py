"""The node's part of `soakledger doctor`: what is wrong with this node, and what to do. One that runs is not disturbed.

While the node runs it holds pins and sensors; then what is known of them is what it says of itself (`firmware.said`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from firmware.checkup.broker import reach_broker, try_broker
from firmware.checkup.broker_found import judge_broker
from firmware.checkup.bus import judge_bus, judge_names, look_at_bus, this_overlay_advice
from firmware.checkup.computer import judge_disk, look_at_disk
from firmware.checkup.running import judge_service, look_at_service, runs
from firmware.checkup.waiting import judge_waiting, look_at_outbox
from firmware.clock import Clock, SystemClock
from firmware.commissioned import filed
from firmware.errors import SettingsError
from firmware.fault_advice import fault_advice
from firmware.kept_orders import KeptOrders
from firmware.orders import OrdersInHand
from firmware.said import RUN, STALE_MS, Said, heard
from firmware.sensors import read_once
from firmware.settings import Settings, load
from host.clock import judge_clock
from host.disk import judge_wear, present
from host.doctor import AS_ADMINISTRATOR, MANY_WAITING, Found, Mark
from soak.quantity import in_words
from soak.reading import Fault
from soak.wire import Commissioned

LID_STILL_MS = 24 * 3_600_000
"""A lid that has not moved for a day is told: a shorted switch reads closed for ever. Our own choice."""

SILENT_MS = 5 * 60_000
"""The collector answers what comes within seconds; so long without a word is more than a restart. Our own choice."""

COMMISSION = "sudo soakledger commission"


def look(settings: Path, data: Path, run: Path = RUN) -> list[Found]:
    """Look at everything of the node.

    Args:
        settings: Its settings file.
        data: Its data folder, where the settings do not say.
        run: Where a running node says how it is.
    """
    try:
        read = load(settings)
    except SettingsError as error:
        if isinstance(error.__cause__, PermissionError):
            return [Found("settings", Mark.UNKNOWN, str(error), AS_ADMINISTRATOR)]
        return [Found("settings", Mark.WRONG, str(error), f"Then run `soakledger node --check --settings {settings}`.")]
    folder = Path(read.data_dir) if Path(read.data_dir).is_dir() else data
    return list(_look(settings, read, folder, run))


def _look(file: Path, settings: Settings, data: Path, run: Path) -> Iterator[Found]:
    clock = SystemClock()
    basins = ", ".join(basin.name for basin in settings.basins)
    yield Found("settings", Mark.GOOD, f"{file} is in order: node {settings.node}, basins {basins}.")
    running = runs(data)
    said = heard(run) if running else None
    if said and (said.boot != clock.boot_id or clock.boot_ms() - said.ms > STALE_MS):
        said = None
    yield judge_service(look_at_service(), running)
    yield from _bus(settings)
    if running is None:
        untold = "not asked: whether the node runs cannot be seen, and one that runs must not be disturbed."
        yield Found("sensors, lids, outbox", Mark.UNKNOWN, untold, AS_ADMINISTRATOR)
    else:
        yield from _running(settings, said) if running else _standing(settings, data, clock)
    if said:
        yield from _itself(said)
    yield judge_disk(look_at_disk(data, write=False))
    yield judge_wear("card", present(data, settings.card_rated_tb))
    yield judge_clock(synced=clock.synced())
    # With the node's login only while it does not run: a second connection would end its own.
    alone = running is False
    tried = try_broker(settings.node, settings.broker, "doctor") if alone else reach_broker(settings.broker)
    yield from judge_broker(settings.broker, tried, clock.utc_ms())
    yield _orders(settings, data, clock, said)
    yield _commissioned(data)


def _bus(settings: Settings) -> Iterator[Found]:
    bus = look_at_bus(Path(settings.w1_devices))
    yield judge_bus(bus, this_overlay_advice(settings.w1_pin))
    yield from judge_names(settings.basins, bus.sensors)


def _standing(settings: Settings, data: Path, clock: Clock) -> Iterator[Found]:
    """The node does not run: its sensors can be asked, and its outbox looked at."""
    for basin in settings.basins:
        for sensor in basin.sensors:
            yield judge_sensor(sensor, basin.name, read_once(sensor, Path(settings.w1_devices)))
        todo = f"Its switch can be watched with `{COMMISSION}`, or here once the node runs."
        yield Found(f"lid of basin {basin.name}", Mark.UNKNOWN, "nobody reads its switch: the node does not run.", todo)
    yield judge_waiting(look_at_outbox(data, clock))


def _running(settings: Settings, said: Said | None) -> Iterator[Found]:
    """The node runs: what it says of sensors, lids and outbox."""
    if said is None:
        todo = "It says so only as a service; look at the page of the site's health instead."
        yield Found("sensors, lids, outbox", Mark.UNKNOWN, "the node runs and says nothing of itself here.", todo)
        return
    seen = {each.sensor: each for each in said.state.sensors}
    sides = {side.basin: side.moved_ms for side in said.state.basins}
    for basin in settings.basins:
        for sensor in basin.sensors:
            if sensor in seen:
                fault = seen[sensor].fault
                yield judge_sensor(sensor, basin.name, Fault(fault) if fault else None)
            else:
                todo = "The settings changed since it started: `sudo systemctl restart soakledger-node`."
                yield Found(f"sensor {sensor} of basin {basin.name}", Mark.WRONG, "the node does not read it.", todo)
        yield judge_lid(basin.name, said.lids.get(basin.name), sides.get(basin.name), said.ms)
    count = said.state.outbox
    todo = (
        ""
        if count <= MANY_WAITING
        else "They follow by themselves while broker and collector are reached: look at these."
    )
    yield Found("outbox", Mark.NOTE if todo else Mark.GOOD, f"{count} readings wait for the collector.", todo)


def judge_sensor(sensor: str, basin: str, result: int | Fault | None) -> Found:
    """One sensor: its temperature, its fault, or None where it is only known that it answers."""
    what = f"sensor {sensor} of basin {basin}"
    if isinstance(result, Fault):
        said, todo = fault_advice(result)
        return Found(what, Mark.WRONG, f"{said}: soaks of this basin cannot be proven meanwhile.", todo)
    return Found(what, Mark.GOOD, "it answers." if result is None else f"it answers: {result / 1000:.2f} °C.")


def judge_lid(basin: str, closed: bool | None, moved_ms: int | None, now_ms: int) -> Found:
    """One lid, as the running node sees it: its level, and when it last moved."""
    what = f"lid of basin {basin}"
    if closed is None:
        return Found(what, Mark.UNKNOWN, "the node has not said how it stands.", "Look again in a minute.")
    level = "closed" if closed else "open"
    todo = "If people moved it since, its switch or cable is at fault (a short reads closed for ever): try it out."
    if moved_ms is None:
        said = f"{level}; not seen to move since the node started, {in_words(now_ms // 1000 * 1000)} after power-up."
        return Found(what, Mark.NOTE, said, todo)
    still_ms = max(0, now_ms - moved_ms)
    said = f"{level}; last moved {in_words(still_ms // 1000 * 1000)} ago."
    return Found(what, Mark.NOTE, said, todo) if still_ms > LID_STILL_MS else Found(what, Mark.GOOD, said)


def _itself(said: Said) -> Iterator[Found]:
    """What the node says is wrong."""
    for trouble in said.state.troubles:
        yield Found("node", Mark.WRONG, f"it says: {trouble}.", "See `journalctl -u soakledger-node -n 100`.")
    if said.state.dropped:
        todo = "Look at its disk; what is missing is on record as lost."
        yield Found("node", Mark.WRONG, f"it gave up {said.state.dropped} readings for lack of room.", todo)
    if not said.connected:
        todo = "It tries again by itself; see what is said of the broker here, and `journalctl -u soakledger-node`."
        yield Found("uplink", Mark.WRONG, "the node is not connected to the broker: readings wait here.", todo)
    elif said.silent_ms > SILENT_MS:
        silent = f"connected, but the collector has said nothing for {in_words(said.silent_ms // 1000 * 1000)}."
        yield Found("uplink", Mark.WRONG, silent, "Look whether the collector runs: `soakledger doctor` there.")
    else:
        yield Found("uplink", Mark.GOOD, "connected, and the collector answers.")


def _orders(settings: Settings, data: Path, clock: Clock, said: Said | None) -> Found:
    """How old the orders are that the node goes by; they are kept on its disk."""
    kept = KeptOrders(data, settings.node, {basin.name: frozenset(basin.sensors) for basin in settings.basins}, clock)
    hand = kept.load()
    silent = f" The collector has said nothing for {in_words(said.silent_ms // 1000 * 1000)}." if said else ""
    if hand is None and kept.trouble:
        return Found("orders", Mark.UNKNOWN, f"{kept.trouble}.", f"{AS_ADMINISTRATOR} The node goes on without them.")
    return judge_orders([basin.name for basin in settings.basins], hand, clock.boot_ms(), silent)


def judge_orders(basins: Sequence[str], hand: OrdersInHand | None, now_ms: int, silent: str = "") -> Found:
    """What the node has in hand to judge its basins by, of which age."""
    parts = hand.basins if hand else {}
    without = [name for name in basins if name not in parts or not parts[name].holds(now_ms)]
    if without:
        names = f"basin{'s' if len(without) > 1 else ''} {', '.join(without)}"
        said = f"none that hold for {names}: lights there cannot say when a soak is met.{silent}"
        todo = "They come by themselves once node and collector run and the collector knows what is required there."
        return Found("orders", Mark.NOTE, said, todo)
    age_ms = max(now_ms - parts[name].received_ms for name in basins)
    return Found(
        "orders", Mark.GOOD, f"at hand for every basin, {in_words(max(0, age_ms) // 1000 * 1000)} old.{silent}"
    )


def _commissioned(data: Path) -> Found:
    found = filed(data)
    if found.closed:
        return Found("commissioning", Mark.UNKNOWN, "its file is closed to this user.", AS_ADMINISTRATOR)
    if found.trouble:
        return Found("commissioning", Mark.WRONG, f"{found.trouble}.", f"Run `{COMMISSION}`.")
    if found.commissioned is None:
        todo = f"When no device is in a basin, run `{COMMISSION}`: it tries out every part."
        return Found("commissioning", Mark.NOTE, "this node was never commissioned.", todo)
    return judge_commissioned(found.commissioned)


def judge_commissioned(done: Commissioned) -> Found:
    """What was filed, and what of it was not good."""
    open_ = [f"{each.code}{f' of {each.basin}' if each.basin else ''} {each.mark}" for each in done.checks
             if each.mark not in (Mark.GOOD, Mark.NOTE)]  # fmt: skip
    said = f"commissioned on {done.at[:10]} by {done.by}, {len(done.checks)} checks"
    if open_:
        return Found("commissioning", Mark.NOTE, f"{said}; open: {', '.join(open_)}.", f"Run `{COMMISSION}` again.")
    return Found("commissioning", Mark.GOOD, f"{said}, all good.")
