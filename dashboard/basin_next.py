"""What to do next at a basin: one sentence, what solves what blocks, and what else makes sense now. Pure."""

from __future__ import annotations

from urllib.parse import urlencode

import msgspec

from collector.record.block import Block
from dashboard.basin_facts import BasinFacts
from dashboard.look import BasinSeen
from dashboard.readiness_view import IN_USE
from dashboard.say import Kind
from dashboard.texts import N_, _
from dashboard.when import SiteTime
from soak.reading import Lid

NOT_KNOWN = (Kind.UNHEARD, Kind.SILENT, Kind.BEHIND)
_UNDER_WAY = (Kind.SOAKING, Kind.OUT, Kind.NO_TEMPERATURE)
_BLOCKED = {
    "node-heard": N_("not heard"),
    "fill-in-basin": N_("no fill in it"),
    "fill-in-date": N_("fill out of date"),
    "fill-failed": N_("MEC test failed"),
    "single-use": N_("fill used up"),
    "profile-manual": N_("solution not for soaking by hand"),
    "profile-confirmed": N_("solution profile not confirmed"),
    "mec-tested": N_("MEC test due"),
    "sensor-alive": N_("a sensor gives no temperature"),
    "sensor-check": N_("sensor check due"),
    "temperature": N_("too cold"),
    "temperature-maximum": N_("too warm"),
    "thermometer": N_("independent thermometer to be read"),
    "lid-moved": N_("lid switch not seen to move today"),
}
"""Each rule of readiness in a few words, for the sentence that is read at arm's length."""


class Action(msgspec.Struct, frozen=True):
    """A button: its words and where it leads; `opens`: a timer on the page, "mec" or "rinse", that it shows first."""

    words: str
    address: str
    opens: str = ""


class Next(msgspec.Struct, frozen=True):
    """What to do next.

    Attributes:
        sentence: The largest thing on the page, but for a countdown.
        detail: Why, or how.
        running: The sentence is the live stream's own and changes with each of its messages.
        first: The next step; it stands alone under the sentence.
        others: What else makes sense now.
        besides: What else stands against a load.
    """

    sentence: str
    detail: str
    running: bool
    first: Action | None
    others: tuple[Action, ...]
    besides: tuple[str, ...] = ()


def form(deed: str, **said: str) -> str:
    """The address of a deed's form with what is known filled in."""
    known = {name: text for name, text in said.items() if text}
    return f"/do/{deed}?{urlencode(known)}" if known else f"/do/{deed}"


def check_form(**said: str) -> str:
    """The address of the guided check of a sensor."""
    return f"/sensors/check?{urlencode({name: text for name, text in said.items() if text})}"


def next_step(basin: BasinSeen, facts: BasinFacts, when: SiteTime) -> Next:
    """Find it; what blocks comes before what is nice to know."""
    key, kind = f"{basin.seen.basin.node}/{basin.seen.basin.name}", basin.said.kind
    known = _At(basin, facts, key, when)
    if kind in NOT_KNOWN:
        return known.said(None, _site(), *known.rinse_if_any(), *known.note())
    if kind is Kind.NO_REQUIREMENT:
        return known.said(None, _site(), *known.note())
    if kind in _UNDER_WAY:
        return known.under_way()
    if facts.load is not None:
        return known.with_load(facts.load.id)
    if kind in (Kind.MET, Kind.REPROCESS):
        return known.just_ended(kind)
    return known.idle()


def _site() -> Action:
    return Action(_("Site health"), "/site")


class _At:
    """One basin while the sentence is sought."""

    def __init__(self, basin: BasinSeen, facts: BasinFacts, key: str, when: SiteTime) -> None:
        self._basin, self._facts, self._key, self._when = basin, facts, key, when
        now = basin.seen.now
        self._closed = now is not None and now.lid is Lid.CLOSED
        self._fill = basin.standing.fill

    def said(self, first: Action | None, *others: Action) -> Next:
        """The live stream's own sentence."""
        said = self._basin.said
        return Next(said.headline, said.detail, True, first, _each_once(first, others))

    def under_way(self) -> Next:
        if self._facts.load is None:
            return self.said(self._name_it(), *self.note())
        return self.said(None, self._announce(), *self.note())

    def with_load(self, load: str) -> Next:
        kind = self._basin.said.kind
        take_out = Action(_("Take out"), form("take-out", basin=self._key))
        add = self._announce() if self._closed else self._add()
        if self._facts.announced and not self._closed:
            detail = _("Opening the lid was announced. The time starts again from zero for all that is not yet met.")
            return Next(_("Put it in, then close the lid"), detail, False, add, (take_out, *self.note()))
        if kind in (Kind.MET, Kind.STANDING) or (self._facts.devices and all(each.met for each in self._facts.devices)):
            return self.said(take_out, self._rinse(), *self.note())
        if kind is Kind.REPROCESS:
            return self.said(take_out, add, *self.note())
        detail = _("Load {load} is in it. The time starts when the lid is on.").format(load=load)
        return Next(_("Close the lid"), detail, False, None, (add, take_out, *self.note()))

    def just_ended(self, kind: Kind) -> Next:
        """Nothing is in it any more, and what came out of it still needs somebody."""
        start = [] if self._blocks() else [self._start()]
        solve = [action] if (block := self._first_block()) and (action := self._solves(block)) else []
        if self._closed:  # met, and nobody has said what is in it
            return self.said(self._name_it(), self._rinse(), *self.note())
        if self._facts.unassigned and self._basin.seen.latest is not None:
            named = Action(_("Say what was in it"), f"/closures/{self._basin.seen.latest.id}")
            rinse = [self._rinse()] if kind is Kind.MET else []
            return self.said(named, *rinse, *start, *solve, *self._test())
        if kind is Kind.MET:
            if not self._facts.rinsing.devices:
                return self.idle()
            return self.said(self._rinse(), *start, *solve, *self._test(), *self.note())
        devices = [each.device for each in self._facts.devices]
        again = form("begin-turn", device=devices[0]) if len(devices) == 1 else "/do/begin-turn"
        return self.said(Action(_("Begin a new round"), again), *solve, *start, *self._test(), *self.note())

    def idle(self) -> Next:
        """Nothing is in it and nothing came out of it just now: is it ready for a load."""
        said, block = self._basin.said, self._first_block()
        standing = f"{said.headline}. {said.detail}" if said.kind is Kind.STANDING else ""
        more = (*self.rinse_if_any(), *self._test(), *self.note())
        if block is None:
            first = self._start()
            return Next(
                _("Ready for a load"),
                standing,
                False,
                first,
                _each_once(first, more),
                self._basin.standing.readiness.remarks,
            )
        solves = self._solves(block)
        sentence = _("Not ready: {why}").format(why=self._short(block))
        others = [f"{each.text} {each.next_step}" for each in self._blocks() if each is not block]
        detail = f"{block.text} {block.next_step} {standing}".strip()
        remarks = self._basin.standing.readiness.remarks
        return Next(sentence, detail, False, solves, _each_once(solves, more), (*others, *remarks))

    def rinse_if_any(self) -> list[Action]:
        return [self._rinse()] if self._facts.rinsing.devices else []

    def note(self) -> list[Action]:
        """A note stands on a round where there is one, else on the latest closure."""
        turns, load = self._facts.devices, self._facts.load or self._facts.last
        if len(turns) == 1:
            return [Action(_("Note"), form("note-turn", turn=turns[0].turn))]
        if load is not None:
            return [Action(_("Note"), f"/loads/{load.id}")]
        key = self._facts.latest_key
        return [Action(_("Note"), form("note-closure", closure=key))] if key else []

    def _blocks(self) -> list[Block]:
        return [each for each in self._basin.standing.readiness.blocks if each.rule != IN_USE]

    def _first_block(self) -> Block | None:
        return next(iter(self._blocks()), None)

    def _short(self, block: Block) -> str:
        if block.rule == "mec-tested" and self._may_be_read():
            return _("the MEC strip waits to be read")
        return _(_BLOCKED.get(block.rule, "")) or block.text

    def _may_be_read(self) -> bool:
        waiting = self._facts.waiting
        return waiting is not None and self._basin.seen.now_ms <= waiting.read_until_ms

    def _solves(self, block: Block) -> Action | None:
        """The form that solves what blocks; None where hands do."""
        fill, profile = (self._fill.id, self._fill.profile) if self._fill else ("", "")
        discard = Action(_("Discard the fill"), form("discard-fill", fill=fill))
        sensor = next((each for each in sorted(self._basin.seen.basin.sensors) if each in block.text), "")
        return {
            "node-heard": _site(),
            "fill-in-basin": Action(_("Pour a fill"), form("pour-fill", basin=self._key)),
            "fill-in-date": discard,
            "fill-failed": discard,
            "single-use": discard,
            "profile-manual": discard,
            "profile-confirmed": Action(_("Confirm the profile"), form("confirm-profile", profile=profile)),
            "mec-tested": self._mec(),
            "sensor-alive": _site(),
            "sensor-check": Action(_("Check the sensor"), check_form(basin=self._key, sensor=sensor)),
            "thermometer": Action(_("Read the thermometer"), form("read-thermometer", basin=self._key)),
        }.get(block.rule)

    def _test(self) -> list[Action]:
        profile = self._basin.standing.profile
        return [self._mec()] if self._fill and profile and profile.mec_monitored else []

    def _mec(self) -> Action:
        waiting, fill = self._facts.waiting, self._fill.id if self._fill else ""
        if waiting is not None and self._may_be_read():
            return Action(_("MEC test"), form("read-mec-test", test=waiting.id), "mec")
        strips = next((each.id for each in self._facts.strips), "")
        return Action(_("MEC test"), form("begin-mec-test", fill=fill, strip_bottle=strips), "mec")

    def _rinse(self) -> Action:
        device = next(iter(self._facts.rinsing.devices), "")
        return Action(_("Rinse"), form("begin-rinse", device=device), "rinse")

    def _start(self) -> Action:
        return Action(_("Start a soak"), f"/start?{urlencode({'basin': self._key})}")

    def _name_it(self) -> Action:
        return Action(_("Say what is in it"), f"/start?{urlencode({'basin': self._key})}")

    def _announce(self) -> Action:
        return Action(_("Add a device"), form("announce-opening", basin=self._key))

    def _add(self) -> Action:
        return Action(_("Add a device"), form("add-device", basin=self._key))


def _each_once(first: Action | None, others: tuple[Action, ...] | list[Action]) -> tuple[Action, ...]:
    return tuple(each for each in dict.fromkeys(others) if first is None or each != first)
