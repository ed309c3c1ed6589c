"""So many random kills in a bad climate, then everything drains and is checked."""

from __future__ import annotations

import contextlib
import json
import time
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

from collector.clock import wall_clock
from collector.schema import FILE_NAME
from soak.closure import Verdict
from tests.chaos.alarms import Alarms
from tests.chaos.checks import Ledger, Outcome, check_ledger
from tests.chaos.observer import Observer
from tests.chaos.processes import Part
from tests.chaos.rig import BEAT_S, Rig, RigError
from tests.chaos.staff import Staff
from tests.chaos.truth import tell
from tests.chaos.weather import Climate, Kind

DARK_S = (0.0, 1.5)
"""How long a killed part stays dead."""

_ASK_EVERY_S = 2.0
_ACT_EVERY_S = 3.0  # at each basin
_ALARMS_S = 60.0
_PATIENCE_S = 10.0


class Plan(NamedTuple):
    """What was asked for.

    Attributes:
        kills: How many.
        seed: Decides who is killed when, the weather and what happens in the basins.
        basins: How many.
        nodes: How many.
        seconds: Over how many seconds the kills are spread.
        speed: Of the rehearsal.
        climate: Of the line between nodes and broker.
        drain_s: How long it may take afterwards until everything has drained.
    """

    kills: int
    seed: int
    basins: int
    nodes: int
    seconds: float
    speed: int = 20
    climate: Climate = Climate()
    drain_s: float = 180.0


class Campaign:
    """Plays a plan in a folder.

    Args:
        plan: What was asked for.
        folder: Exists and is empty.
        say: Told how it goes.
    """

    def __init__(self, plan: Plan, folder: Path, say: Callable[[str], None]) -> None:
        self._plan, self._say = plan, say
        self._dice = Random(f"{plan.seed}/kills")
        self.rig = Rig(
            folder,
            plan.seed,
            nodes=plan.nodes,
            basins=plan.basins,
            speed=plan.speed,
            climate=plan.climate,
            broker="bare",
        )
        self._observer = Observer(self.rig.broker_port, self.rig.clinic.data_dir)
        self._pages = Pages(self.rig)
        self._staff = Staff(self.rig.clinic, wall_clock(self.rig.rehearsal), plan.seed)
        self._dark: dict[Part, float] = {}
        self._asked_s = self._acted_s = 0.0

    def run(self) -> list[Outcome]:
        """Play it; every process has ended when this returns, or raises."""
        try:
            self._observer.start()
            self.rig.start()
            self._kill_on()
            return self._checked()
        finally:
            self._staff.close()
            self._observer.close()
            self.rig.close()

    def _kill_on(self) -> None:
        plan, rig = self._plan, self.rig
        began_s = time.monotonic()
        moments_s = sorted(self._dice.uniform(0, plan.seconds) for _ in range(plan.kills))
        for number, moment_s in enumerate(moments_s, 1):
            while time.monotonic() - began_s < moment_s or not self._victims():
                self._beat()
            victim = self._dice.choices(*zip(*self._victims().items(), strict=True))[0]  # type: ignore[misc]
            if number == plan.kills // 2 + 1:
                rig.change_broker("kept")
                self._say("from its next start on the broker keeps a store on disk, with the queue that is recommended")
            rig.kill(victim)
            self._dark[victim] = time.monotonic() + self._dice.uniform(*DARK_S)
            if number % 25 == 0 or number == plan.kills:
                self._say(f"{number} of {plan.kills} kills after {time.monotonic() - began_s:.0f} s")
        while self._dark or time.monotonic() - began_s < plan.seconds:
            self._beat()

    def _victims(self) -> dict[Part, float]:
        """Who lives, and how often it is chosen."""
        rig = self.rig
        weights = {rig.broker: 2.0, rig.collector: 3.0, rig.dashboard: 1.0}
        weights |= {node: 4.0 / len(rig.nodes) for node in rig.nodes}
        return {part: weight for part, weight in weights.items() if part.running}

    def _beat(self) -> None:
        now_s = time.monotonic()
        for part in [part for part, until_s in self._dark.items() if until_s <= now_s]:
            del self._dark[part]
            part.start()
        self.rig.look_after()
        if now_s - self._asked_s >= _ASK_EVERY_S and self.rig.dashboard.running:
            self._asked_s = now_s
            self._pages.ask()
        if now_s - self._acted_s >= _ACT_EVERY_S / self._plan.basins:
            self._acted_s = now_s
            self._staff.act()
        time.sleep(BEAT_S)

    def _checked(self) -> list[Outcome]:
        rig, plan = self.rig, self._plan
        self._say("calm; waiting until everything has drained")
        outcomes = [self._killed()]
        try:
            truth = rig.drain(plan.drain_s)
            stalled: list[str] = []
        except RigError as error:
            truth = tell(rig.clinic, rig.on_disk)
            stalled = [str(error), *rig.still_to_come(truth)]
        outcomes.append(Outcome("everything drains", stalled, f"{truth.kept()} readings"))
        file = rig.clinic.data_dir / FILE_NAME
        with contextlib.suppress(RigError):  # what is missing then is told by the check
            rig.wait("every alarm is raised", lambda: not Alarms(file).missing(), _ALARMS_S)
        unseen = [f"{spot.node}/{spot.basin} took no readings" for spot in rig.clinic.spots if not truth.of(spot)]
        outcomes.append(Outcome("every basin was watched", unseen, f"{len(rig.clinic.spots)} basins"))
        with contextlib.suppress(RigError):  # then the pages say that it does not answer
            rig.wait_for_dashboard()
        shown = self._pages.shows_the_ledger()
        bad_ends = rig.stop()
        self._observer.close()
        outcomes += [
            Outcome("no part ended but by a kill, and all end when asked to", rig.ended + bad_ends),
            Outcome("receipts never ahead of the disk", self._observer.problems, f"{self._observer.receipts} receipts"),
            Outcome("the dashboard never failed", self._pages.problems, f"{self._pages.answers} answers"),
            Outcome("the dashboard shows the ledger", shown),
        ]
        return outcomes + check_ledger(rig.clinic, truth)

    def _killed(self) -> Outcome:
        """The plan was carried out."""
        rig, happened = self.rig, self.rig.proxy.happened
        kills = sum(part.kills for part in rig.parts)
        nodes = sum(node.kills for node in rig.nodes)
        told = (
            f"{kills} kills: nodes {nodes}, broker {rig.broker.kills}, collector {rig.collector.kills}, "
            f"dashboard {rig.dashboard.kills}; line "
            + ", ".join(f"{kind.value} {happened[kind]}" for kind in Kind if kind is not Kind.PLAIN)
        )
        problems = [] if kills == self._plan.kills else [f"{kills} kills of {self._plan.kills}"]
        return Outcome("every kill was made, and every part started again", problems, told)


class Pages:
    """Asks the dashboard.

    Attributes:
        answers: How often it answered.
        problems: What was wrong with the answers.
    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self.answers = 0
        self.problems: list[str] = []

    def ask(self) -> None:
        """Whatever it shows, and however little there is: an answer is never an error of the server's."""
        for path in ("health", "", "api/basins", "api/closures"):
            try:
                self._get(path)
                self.answers += 1
            except urllib.error.HTTPError as error:
                with error:
                    if error.code != 503:  # it says that there are no data yet
                        self.problems.append(f"/{path} answered {error.code}")
            except OSError:
                return  # it is starting

    def shows_the_ledger(self) -> list[str]:
        """Each page answers 200, and what it shows is what the ledger has."""
        try:
            for path in ("health", "", "closures", "site"):
                self._get(path)
            basins, closures = json.loads(self._get("api/basins")), json.loads(self._get("api/closures"))
        except OSError as error:
            return [f"it does not answer: {error}"]
        ledger = Ledger(self._rig.clinic)
        problems = []
        for basin in basins["basins"]:
            now = ledger.now.get((basin["node"], basin["basin"]))
            shown_ms, stored_ms = basin["heard_at_ms"], now.at_utc_ms if now else None
            if shown_ms is None or shown_ms != stored_ms:
                problems.append(f"{basin['node']}/{basin['basin']}: newest shown {shown_ms}, in the ledger {stored_ms}")
        standing = [closure.verdict for stream in ledger.streams.values() for closure in stream.closures]
        for verdict in (Verdict.MET, Verdict.NOT_MET, Verdict.UNPROVEN):
            shown = closures["by_verdict"].get(verdict.value, 0)
            if shown != standing.count(verdict):
                problems.append(
                    f"it shows {shown} closures as {verdict.value}, the ledger has {standing.count(verdict)}"
                )
        return problems

    def _get(self, path: str) -> Any:
        with urllib.request.urlopen(self._rig.address + path, timeout=_PATIENCE_S) as answer:  # noqa: S310 - our own
            return answer.read()
