"""The demo's staff: invented people who declare what happens in the basins, as people at tablets would.

`python -m firmware.simulator.staff --folder DIR --address URL --rehearsal TEXT --seed N` runs beside the other parts.
It waits until the past days have come in, declares them day by day, each thing at its own time, and then goes on with
what happens now. At real speed it signs in with badge and PIN for that; in a faster rehearsal, where nobody could type
as fast, it goes on as with the past, some seconds behind.
"""

from __future__ import annotations

import argparse
import logging
import os
import signal
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import msgspec

from firmware.simulator.memory import Memory
from firmware.simulator.staff_days import CORRECTED, CORRECTED_MIN_MC, Day, Seen, day_items, put_aside, review
from firmware.simulator.staff_live import Play
from firmware.simulator.staff_past import (
    end_ms,
    finished,
    memories,
    past_days,
    past_streams,
    special_days,
    start_ms,
    utc_offset_ms,
)
from firmware.simulator.staff_patience import AGAIN_S, Patience
from firmware.simulator.staff_plan import Item, Occasion, Tool, Ward
from firmware.simulator.staff_rounds import Fates
from firmware.simulator.staff_screen import Screen
from firmware.simulator.staff_setup import PEOPLE_DEEDS, set_up
from firmware.simulator.staff_stock import LEAD, PROFILE_OF, STAFF, date_text
from firmware.simulator.staff_talk import AwayError, Tablet, Teller, keep_pictures
from firmware.simulator.staff_watch import Watch
from host.journal import log_to_stderr
from soak.decoding import from_json
from soak.rehearsal import Rehearsal

log = logging.getLogger(__name__)

STATE_FILE = "staff.json"
_BEAT_S = 0.25
_BEHIND_S = 3
_FROM_BEFORE_MS = 45 * 60_000
_LIVE_LATE_MS = 5_000
_SHOWN_WITHIN_MS = 120_000
_KEEP_EVERY_S = 20.0
_JUDGED_AGAIN_S = 300


class Known(msgspec.Struct):
    """What the staff remember from one run to the next.

    Attributes:
        ward: What they know.
        days: How many past days are declared.
        begun: They have entered the clinic into the record.
        rehearsal: The run in which they went over to what happens now.
    """

    ward: Ward
    days: int = 0
    begun: bool = False
    rehearsal: str = ""


class Staff:
    """Works until told to stop.

    Args:
        folder: The demonstration's data folder.
        address: Of the pages.
        rehearsal: The shared clock.
        seed: The clinic's.
        stop: Set to end it.
    """

    def __init__(self, folder: Path, address: str, rehearsal: Rehearsal, seed: int, stop: threading.Event) -> None:
        self._folder, self._rehearsal, self._stop, self._seed = folder, rehearsal, stop, seed
        self._patience = Patience(stop)
        self._ask = Tablet(address).ask
        self._screen = Screen(self._ask)
        self._known = self._recall()
        self._teller = Teller(self._ask, self._known.ward, lambda: Tablet(address).ask)
        self._kept_s = 0.0
        self._due: list[Item] = []

    def _recall(self) -> Known:
        try:
            return from_json((self._folder / STATE_FILE).read_bytes(), Known)
        except (OSError, msgspec.DecodeError):
            return Known(Ward(self._seed))

    def _keep(self) -> None:
        handle, draft = tempfile.mkstemp(dir=self._folder, prefix=f".{STATE_FILE}")
        with os.fdopen(handle, "wb") as file:
            file.write(msgspec.json.encode(self._known))
        os.replace(draft, self._folder / STATE_FILE)

    def _now_ms(self) -> int:
        return self._rehearsal.utc_ms(time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000)

    def run(self) -> None:
        """Everything, from the first person to the last load."""
        nodes = self._patience.until(self._nodes)
        if nodes is None or self._patience.until(self._screen.ready) is None:
            return
        again = self._known.rehearsal not in ("", self._rehearsal.text())
        if again:
            self._patience.patiently(self._tidy_up)
            self._let_in()
            self._go_on(nodes, [], self._now_ms(), self._now_ms())
            return
        if not self._known.begun:
            first = set_up(self._known.ward, start_ms(nodes))
            self._patience.patiently(lambda: self._set_up(first))
            self._known.begun = True
            self._keep()
            _say("staff: people, solutions and devices are in the record.")
        left = self._past(nodes) if self._history(nodes) else []
        if not self._stop.is_set():
            self._patience.patiently(self._let_in)
            self._go_on(nodes, left, start_ms(nodes) - _FROM_BEFORE_MS, end_ms(nodes))

    def _set_up(self, items: list[Item]) -> None:
        people = [item for item in items if item.deed in PEOPLE_DEEDS]
        self._teller.play(people)
        keep_pictures(self._ask)
        self._teller.play([item for item in items if item.deed not in PEOPLE_DEEDS])

    def _nodes(self) -> dict[str, Memory] | None:
        found = memories(self._folder)
        if found and all(memory.rehearsal == self._rehearsal.text() for memory in found.values()):
            return found
        return None

    @staticmethod
    def _history(nodes: dict[str, Memory]) -> int:
        return max(memory.history_days for memory in nodes.values())

    def _past(self, nodes: dict[str, Memory]) -> list[Item]:
        """Declare the past days.

        Returns:
            What the last of them leaves for later.
        """
        streams = past_streams(nodes, self._seed)
        self._patience.until(lambda: streams <= finished(self._folder))
        days = past_days(nodes, self._seed)
        special = special_days(days)
        watch = Watch(self._screen, self._teller, self._known.ward, utc_offset_ms(nodes))
        for day in days[self._known.days :]:
            if self._stop.is_set():
                return []
            items = self._patience.patiently(lambda day=day: self._planned(day, special))
            if items is None or day is days[-1]:
                return items or []
            self._patience.patiently(lambda items=items: self._teller.play(items))
            self._after(nodes, day, items)
            self._patience.patiently(lambda day=day: watch.day(day))
            self._known.days += 1
            self._keep()
            if day.number % 5 == 4 or day.number == 0:
                _say(f"declarations of the past days: day {day.number + 1} of {len(days) - 1}")
        return []

    def _planned(self, day: Day, special: Any) -> list[Item]:
        verdicts = self._screen.verdicts(day.midnight_ms, day.until_ms + 3_600_000)
        screen = self._screen
        seen = Seen(
            lambda occasion: bool(verdicts(occasion)),
            screen.look_backs(),
            screen.quarantined(),
            screen.released(),
        )
        return day_items(self._known.ward, day, seen, Fates(), special)

    def _after(self, nodes: dict[str, Memory], day: Day, items: list[Item]) -> None:
        """Wait until soaks were judged again after a correction, then sign the day's review."""
        if any(item.deed == "correct-profile" for item in items):
            basins = [basin for basin, profile in PROFILE_OF.items() if profile == CORRECTED]
            since_ms, until_ms = start_ms(nodes), end_ms(nodes)
            self._patience.until(
                lambda: self._screen.judged_by(basins, since_ms, until_ms, CORRECTED_MIN_MC), _JUDGED_AGAIN_S
            )
        date = date_text(day.local_day * 86_400_000)
        signed = self._patience.patiently(lambda: review(self._known.ward, day, self._screen.open_subjects(date), date))
        self._patience.patiently(lambda: self._teller.play(signed or []))

    def _let_in(self) -> None:
        """Only now: what a visitor declares has today's date, and nothing older could follow it."""
        people = [{"person": each.id, "badge": each.badge, "pin": each.pin} for each in STAFF]
        self._ask("api/rehearsal/people", people)
        lead = next(each for each in STAFF if each.id == LEAD)
        _say(f"Sign in as supervisor {lead.name}: badge {lead.badge}, PIN {lead.pin}. Others: the page People.")

    def _tidy_up(self) -> None:
        """An earlier run ended in the middle of things: what was in the basins is out, what was begun is put aside."""
        ward = self._known.ward
        now_ms = self._now_ms()
        items = [
            Item(at_ms=now_ms, deed="take-out", who=LEAD, fields={"basin": basin}, may=("lid-closed",))
            for basin in self._screen.basins_with_load()
        ]
        for device, tool in ward.devices.items():
            ward.devices[device] = msgspec.structs.replace(tool, free_ms=now_ms)
        why = {"reason": "Its round was interrupted with the rehearsal.", "next_action": "Reprocess it."}
        for device in self._screen.devices_under_way():
            fields = {"device": device} | why
            items.append(Item(at_ms=now_ms, deed="quarantine-device", who=LEAD, fields=fields, may=("quarantined",)))
            lifted = {"device": device, "reason": "Looked at; it begins a new round."}
            items.append(Item(at_ms=now_ms + 1, deed="lift-quarantine", who=LEAD, fields=lifted))
            ward.devices[device] = Tool(free_ms=now_ms, begun=True)
        self._teller.play(items)

    def _go_on(self, nodes: dict[str, Memory], left: list[Item], from_ms: int, alarms_from_ms: int) -> None:
        """Declare what happens now, and see to the alarms that are raised from then on."""
        self._known.rehearsal = self._rehearsal.text()
        play = Play(self._known.ward, nodes, from_ms, left)
        watch = Watch(self._screen, self._teller, self._known.ward, utc_offset_ms(nodes))
        watch.begin(alarms_from_ms)
        speed = self._rehearsal.speed
        behind_ms = 0 if speed == 1 else _BEHIND_S * 1000 * speed
        caught_up = False
        while not self._stop.is_set():
            now_ms = self._now_ms()
            try:
                caught_up = self._step(play, now_ms - behind_ms, caught_up=caught_up)
                for line in watch.now(play, now_ms):
                    _say(line)
            except AwayError as error:
                log.warning("%s; again in %g s", error, AGAIN_S)
                self._stop.wait(AGAIN_S)
            self._stop.wait(_BEAT_S)

    def _step(self, play: Play, until_ms: int, *, caught_up: bool) -> bool:
        """Declare what is due; at real speed, once nothing old is left, by those who sign in for it.

        Raises:
            AwayError: The pages do not answer; what is due stays due, for without it no load would be on record.
        """
        patient = play.next_ms() > until_ms - _SHOWN_WITHIN_MS
        due = self._due
        for item in play.due(until_ms, self._shown, patient=patient):
            due.append(item)  # one by one: the screen may go away between two of them
        some = bool(due)
        live = self._rehearsal.speed == 1 and (caught_up or all(until_ms - item.at_ms < _LIVE_LATE_MS for item in due))
        if live:
            while due:
                self._teller.declare(due[0], _room(due[0]))
                del due[0]
            if some:
                put_aside(self._known.ward, self._screen.quarantined())
        else:
            self._teller.play(due, self._now_ms)
            due.clear()
        if some and time.monotonic() - self._kept_s > _KEEP_EVERY_S:
            self._kept_s = time.monotonic()
            self._keep()
        return live

    def _shown(self, occasion: Occasion) -> bool | None:
        verdicts = self._screen.verdicts(occasion.closed_ms - 60_000, occasion.out_ms + 60_000, occasion.basin)
        return verdicts(occasion)

    def end(self) -> None:
        """Keep what is known, and say how it went."""
        self._keep()
        teller = self._teller
        log.info(
            "recorded=%d refused_as_played=%d unexpected=%d", teller.recorded, teller.refused, len(teller.unexpected)
        )
        if teller.unexpected:
            _say(f"staff: refused though nothing in the play says so: {len(teller.unexpected)}, see its log.")


def _room(item: Item) -> str:
    """Each person has a tablet at hand; who signs in often does so at their own."""
    return item.who


def _say(line: str) -> None:
    """One line to whoever watches; nobody watching is no reason to stop."""
    try:
        sys.stdout.write(f"{line}\n")
        sys.stdout.flush()
    except BrokenPipeError:
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 - for the rest of the process


def main() -> None:
    """Work until SIGTERM or SIGINT."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--address", required=True)
    parser.add_argument("--rehearsal", type=Rehearsal.parsed, required=True)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    log_to_stderr()
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    staff = Staff(asked.folder, asked.address, asked.rehearsal, asked.seed, stop)
    try:
        staff.run()
    finally:
        staff.end()


if __name__ == "__main__":
    main()
