"""How the site's parts are, each with a word and what to do: nodes, collector, broker, disk, ledger, alarms, backup.

Pure: what is known is given. A word is never better than what is known: what nobody has looked at is not good.
"""

from __future__ import annotations

import enum
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from collector.alarms.drill import Arrival, arrival
from collector.alarms.due import LEAST_FREE
from collector.clock_watch import OFF_MS
from collector.conditions import Condition
from collector.machine import BackupMade
from collector.read import NodeNow
from collector.record.things import Alarm, Drill
from collector.upkeep import HEARD_MS
from dashboard.collecting import Said
from dashboard.site_upkeep import bytes_words, of_own, wear_text
from dashboard.texts import N_, _, many
from dashboard.when import DAY_MS, SiteTime
from host.doctor import MANY_WAITING
from soak.quantity import in_words, utc_ms

RESTARTS = 3
"""So many starts in a week are more than updates explain (our own choice)."""

DRILL_MS = 2 * DAY_MS

OLD_BACKUP_MS = 2 * DAY_MS


class Word(enum.StrEnum):
    """How something is."""

    GOOD = N_("good")
    LOOK = N_("look at this")
    BROKEN = N_("broken")

    @property
    def rank(self) -> int:
        """0 for the worst."""
        return (Word.BROKEN, Word.LOOK, Word.GOOD).index(self)


class Check(NamedTuple):
    """One part of the site.

    Attributes:
        name: What it is called.
        word: How it is.
        text: What is known, in sentences.
        todo: What to do; empty where nothing is to be done.
    """

    name: str
    word: Word
    text: str
    todo: str = ""


class NodeCheck(NamedTuple):
    """A node with how it is.

    Attributes:
        node: As last heard of.
        word: How it is.
        wrong: What is wrong, and what to do, a sentence each.
        offset_ms: Its wall clock minus the collector's when it last spoke, as far as that can be told.
        restarts: Starts in the last week, but for the very first.
    """

    node: NodeNow
    word: Word
    wrong: Sequence[str]
    offset_ms: int | None
    restarts: int


class Known(NamedTuple):
    """What is known of the site.

    Attributes:
        now_ms: When, milliseconds since 1970.
        said: What the collector says.
        nodes: As last heard of.
        restarts: Starts of each node in the last week, but for its very first.
        database_bytes: Size of the database's files.
        free_bytes: Free on their disk.
        disk_bytes: Size of that disk.
        records: In the ledger.
        software: What wrote its newest record.
        version: Of these pages.
        chain: An alarm says that the ledger does not hold.
        drill: The last drill.
        backup: The last backup on record.
        rehearsal: All of it is played, on one machine.
    """

    now_ms: int
    said: Said
    nodes: Sequence[NodeNow]
    restarts: Mapping[str, int]
    database_bytes: int
    free_bytes: int
    disk_bytes: int
    records: int
    software: str
    version: str
    chain: Alarm | None
    drill: Drill | None
    backup: BackupMade | None = None
    rehearsal: bool = False


class Health(NamedTuple):
    """All of it.

    Attributes:
        word: The worst of all words.
        line: Whether anybody must do something, in one sentence.
        checks: What is looked at, in a fixed order.
        nodes: By name.
    """

    word: Word
    line: str
    checks: Sequence[Check]
    nodes: Sequence[NodeCheck]


def health(known: Known, when: SiteTime) -> Health:
    """Judge what is known."""
    nodes = [_node(known, each) for each in known.nodes]
    checks = [
        _collector(known, when),
        _nodes(nodes),
        _broker(known),
        _certificates(known, when),
        _disk(known),
        _clock(known),
        _ledger(known),
        _alarms(known, when),
        _backup(known, when),
    ]
    word = min((each.word for each in checks), key=lambda each: each.rank)
    wanting = [each.name for each in sorted(checks, key=lambda each: each.word.rank) if each.word is not Word.GOOD]
    if not wanting:
        line = _("Nobody must do anything.")
    else:
        line = many(
            "Somebody must look at one thing: {names}.", "Somebody must look at {n} things: {names}.", len(wanting)
        )
        line = line.format(n=len(wanting), names=", ".join(wanting))
    return Health(word, line, checks, nodes)


def _collector(known: Known, when: SiteTime) -> Check:
    name, said = _("collector"), known.said
    if said.banner:
        return Check(name, Word.BROKEN, said.banner, _("Do as it says: nothing new is stored until then."))
    times = []
    if said.last_ms is not None:
        times.append(_("Last word {at}.").format(at=when.near(said.last_ms, known.now_ms)))
    if said.stored_ms is not None:
        times.append(_("Last stored {at}.").format(at=when.near(said.stored_ms, known.now_ms)))
    versions = _("Version {version}.").format(version=known.version)
    if known.software and not known.software.endswith(known.version):
        other = _("The newest record was written by {software}: collector and pages are of different versions.")
        return Check(
            name,
            Word.LOOK,
            " ".join([*times, versions, other.format(software=known.software)]),
            _("Install one version on both."),
        )
    if said.conditions or said.left_out:
        n = len(said.conditions) + said.left_out
        text = many("It says that {n} thing is wrong.", "It says that {n} things are wrong.", n).format(n=n)
        return Check(name, Word.LOOK, " ".join([text, *times, versions]), _("Each stands below with what to do."))
    return Check(name, Word.GOOD, " ".join([_("It runs and stores."), *times, versions]))


def _nodes(nodes: Sequence[NodeCheck]) -> Check:
    name = _("nodes")
    if not nodes:
        text = _("No node has spoken yet.")
        return Check(name, Word.LOOK, text, _("Start one with its broker’s address in its settings."))
    word = min((each.word for each in nodes), key=lambda each: each.rank)
    well = sum(each.word is Word.GOOD for each in nodes)
    text = _("{well} of {all} are up, heard and in time.").format(well=well, all=len(nodes))
    return Check(name, word, text, "" if word is Word.GOOD else _("Look at the table of nodes below."))


def _node(known: Known, node: NodeNow) -> NodeCheck:
    state, wrong, word = node.state, [], Word.GOOD
    age_ms = known.now_ms - node.heard_ms
    if not node.up:
        wrong.append(_("It is gone: check its power and its network."))
        word = Word.BROKEN
    elif age_ms > HEARD_MS:
        wrong.append(
            _("Nothing heard for {time}: check its power and its network.").format(time=in_words(age_ms // 1000 * 1000))
        )
        word = Word.BROKEN
    offset_ms = None if state.clock is None else utc_ms(state.clock.utc) - node.heard_ms
    if node.up and state.clock is not None and not state.clock.synced:
        wrong.append(_("Its clock is not synchronised: times of day may be off. Check its time server."))
    elif node.up and offset_ms is not None and abs(offset_ms) > OFF_MS:
        wrong.append(_("Its clock differs from the collector’s: check the time server of both."))
    if state.outbox > MANY_WAITING:
        wrong.append(
            _("Readings wait in its outbox: they follow by themselves; if they do not, check broker and network.")
        )
    if state.dropped:
        wrong.append(_("It gave readings up for lack of room: look at its disk. What is missing is on record as lost."))
    if state.refused:
        wrong.append(_("It did not take some messages in: look at its messages."))
    wrong += [_("It says: {trouble}.").format(trouble=trouble) for trouble in state.troubles if node.up]
    restarts = known.restarts.get(node.node, 0)
    if restarts > RESTARTS:
        wrong.append(_("It started often in the last week: check its power supply."))
    wrong += [_condition(each) for each in known.said.conditions if each.subject == node.node]
    return NodeCheck(node, Word.LOOK if wrong and word is Word.GOOD else word, wrong, offset_ms, restarts)


def _condition(condition: Condition) -> str:
    return " ".join(filter(None, (condition.words.happened, condition.words.todo)))


def _broker(known: Known) -> Check:
    name = _("broker")
    away = next((each for each in known.said.conditions if each.code == "broker-away"), None)
    if away:
        return Check(name, Word.BROKEN, away.words.happened, away.words.todo)
    if known.said.banner:
        text = _("Whether it is reached is not known: only the collector can say.")
        return Check(name, Word.LOOK, text, _("Mend the collector first."))
    return Check(name, Word.GOOD, _("The collector reaches it."))


_OF_CERTIFICATES = ("certificate-ended", "certificate-ending", "authority-ending", "certificate-unreadable")


def _certificates(known: Known, when: SiteTime) -> Check:
    name, said = _("certificates"), known.said
    wrong = [each for code in _OF_CERTIFICATES for each in said.conditions if each.code == code]
    if wrong:
        word = Word.BROKEN if wrong[0].code == "certificate-ended" else Word.LOOK
        return Check(name, word, " ".join(each.words.happened for each in wrong), wrong[0].words.todo)
    if said.banner or said.encrypted is None:
        text = _("How long they last is not known: only the collector can say.")
        return Check(name, Word.LOOK, text, _("Mend the collector first."))
    if not said.encrypted and known.rehearsal:
        text = _("None: in this rehearsal nothing is encrypted, for all of it runs on one machine.")
        return Check(name, Word.GOOD, text)
    if not said.encrypted:
        text = _("The collector speaks to the broker without TLS: passwords and readings can be read on the way.")
        return Check(name, Word.LOOK, text, _("Run `soakledger broker-setup` on the collector, and enrol every node."))
    each_one = [
        _("{file} until {day}").format(file=each.name.rpartition("/")[2], day=when.day(each.until_ms))
        for each in said.certificates
    ]
    return Check(name, Word.GOOD, ", ".join(each_one) + "." if each_one else _("They have not been looked at yet."))


def _disk(known: Known) -> Check:
    name = _("disk")
    text = _("The database has {size}. {free} of {all} are free.").format(
        size=bytes_words(known.database_bytes),
        free=bytes_words(known.free_bytes),
        all=bytes_words(known.disk_bytes),
    )
    text = f"{text} {wear_text(known.said.own.disk)}"
    if worn := of_own(known.said.conditions, "card-worn", "card-wears"):
        return Check(name, Word.LOOK, text, worn.words.todo)
    if known.free_bytes < LEAST_FREE * known.disk_bytes:
        return Check(name, Word.LOOK, text, _("Make room on the collector’s disk, or put in a larger one."))
    return Check(name, Word.GOOD, text)


def _clock(known: Known) -> Check:
    name, synced = _("clock"), known.said.own.synced
    if synced is None:
        text = _("Whether the collector’s clock is synchronised is not known: only the collector can say.")
        return Check(name, Word.LOOK, text, _("If it stays so, start the collector again."))
    if not synced:
        text = _(
            "The collector’s clock is not synchronised: times of day may be off. Durations and verdicts stay right."
        )
        return Check(name, Word.LOOK, text, _("Check the collector’s time server, and the network to it."))
    return Check(name, Word.GOOD, _("The collector’s clock is synchronised."))


def _ledger(known: Known) -> Check:
    name = _("ledger")
    count = many("{n} record.", "{n} records.", known.records).format(n=f"{known.records:,}")
    if known.chain is not None:
        todo = _("Keep the files as they are, run soakledger verify, and call whoever looks after this collector.")
        return Check(name, Word.BROKEN, f"{count} {known.chain.text}", todo)
    text = _(
        "The collector checks it once a day, first ten minutes after its start; no check has found a fault that stands."
    )
    hint = _("When the last check was is in the collector’s messages only.")
    if known.said.banner:
        return Check(
            name,
            Word.LOOK,
            f"{count} " + _("It is not checked while the collector does not run."),
            _("Mend the collector first."),
        )
    return Check(name, Word.GOOD, f"{count} {text} {hint}")


def _alarms(known: Known, when: SiteTime) -> Check:
    name, drill = _("alarms"), known.drill
    stuck = next((each for each in known.said.conditions if each.code == "alarms-stuck"), None)
    if stuck:
        return Check(name, Word.BROKEN, f"{stuck.words.happened} {stuck.words.means}", stuck.words.todo)
    if drill is None:
        text = _("No drill has been held: nobody is told of alarms, or the settings name no time for it.")
        return Check(name, Word.LOOK, text, _("Name people and drill_at in the collector’s settings."))
    came = [arrival(drill, person) for person in drill.told]
    text = _("Last drill {at}: {confirmed} of {all} people have said that it reached them.").format(
        at=when.near(drill.began_ms, known.now_ms), confirmed=came.count(Arrival.CONFIRMED), all=len(came)
    )
    if Arrival.FAILED in came:
        todo = _("It reached somebody by no route: mend their routes in the settings.")
        return Check(name, Word.BROKEN, text, todo)
    if known.now_ms - drill.began_ms > DRILL_MS:
        return Check(
            name, Word.LOOK, text, _("No drill was held for more than two days: look at drill_at in the settings.")
        )
    if Arrival.CONFIRMED not in came and came:
        return Check(
            name,
            Word.LOOK,
            text,
            _("Whoever got it says so on the page of alarms: only that shows that the way is whole."),
        )
    return Check(name, Word.GOOD, text)


def _backup(known: Known, when: SiteTime) -> Check:
    name, last = _("backup"), known.backup
    if last is None:
        text = _("No backup is on record.")
        return Check(name, Word.LOOK, text, _("Set [backup] in the collector's settings, or run `soakledger backup`."))
    if failed := of_own(known.said.conditions, "backup-failed", "backup-room"):
        return Check(name, Word.LOOK, f"{failed.words.happened} {failed.words.means}", failed.words.todo)
    at = when.near(last.made_ms, known.now_ms)
    text = _("The last one was taken and verified {at}: {records} records, {size}, in {folder}.").format(
        at=at, records=f"{last.records:,}", size=bytes_words(last.bytes), folder=last.folder
    )
    if (due_ms := known.said.own.backup_due_ms) is not None:
        text = f"{text} " + _("The next one is due {at}.").format(at=when.near(due_ms, known.now_ms))
    if known.now_ms - last.made_ms > OLD_BACKUP_MS:
        return Check(name, Word.LOOK, text, _("It is more than two days old: see whether backups are still taken."))
    return Check(name, Word.GOOD, text)
