"""What is wrong at present, each thing once: raised, cleared, logged at each change. The words stand in one table."""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterable, Mapping
from typing import NamedTuple

import msgspec

from collector.clock import UtcClock

log = logging.getLogger(__name__)


class Words(NamedTuple):
    """What is said of one kind of condition.

    Attributes:
        happened: What happened; may name {subject} and {detail}.
        means: What it means here.
        todo: What to do next.
        stops_storing: Nothing new reaches the disk while it stands: every page says so.
    """

    happened: str
    means: str
    todo: str
    stops_storing: bool = False


_KEPT = "Nodes keep their readings and send them again: nothing is lost while there is room at the nodes."
_BY_ITSELF = "It carries on by itself."

WORDS: dict[str, Words] = {
    "disk-full": Words("The disk is full ({detail}).", _KEPT, f"Make room on the collector’s disk. {_BY_ITSELF}", True),
    "read-only": Words(
        "The data folder can only be read ({detail}).", _KEPT, f"Check disk and mount options. {_BY_ITSELF}", True
    ),
    "database-locked": Words(
        "Another program holds the database ({detail}).",
        _KEPT,
        f"Wait for a backup to end, or end the program that holds it. {_BY_ITSELF}",
        True,
    ),
    "disk-errors": Words(
        "The disk refuses to work ({detail}).",
        _KEPT,
        f"Check the disk and its cable; have a backup ready. {_BY_ITSELF}",
        True,
    ),
    "cannot-store": Words(
        "The database takes nothing in ({detail}).", _KEPT, f"Look at the collector’s messages. {_BY_ITSELF}", True
    ),
    "database-damaged": Words(
        "The database is damaged ({detail}).",
        _KEPT,
        "The collector stops if this does not pass. Keep the files, check the disk, restore the last backup.",
        True,
    ),
    "database-moved": Words(
        "The database is no longer where it was ({detail}).",
        _KEPT,
        "The collector stops. Put the database back or restore a backup, then start the collector again.",
        True,
    ),
    "intake-stuck": Words(
        "The collector has taken nothing in for {detail}.", _KEPT, "If it stays so, start the collector again.", True
    ),
    "broker-away": Words(
        "The collector does not reach the broker ({detail}).",
        "Nothing comes in; nodes keep their readings.",
        f"Check that the broker runs, and the network between. {_BY_ITSELF}",
    ),
    "overloaded": Words(
        "Messages come faster than they can be taken in ({detail}).",
        "What had no room waits at its node, which sends it again.",
        "If it stays so, look for a node that sends without end.",
    ),
    "second-collector": Words(
        "Another collector works on this broker ({detail}).",
        "Nodes hear two voices. Of the two, the one that started later stops by itself.",
        "End the other one, or give it a broker of its own.",
    ),
    "alarms-stuck": Words(
        "No alarm has been looked for {detail}.",
        "Nobody is alarmed by this collector; nodes still sound their own alarms.",
        "If it stays so, start the collector again and look at its messages.",
    ),
    "backup-failed": Words(
        "The last backup could not be taken ({detail}).",
        "If this disk fails, what was recorded since the last good backup is lost.",
        "Look at the backup’s folder and its free space. It is tried again every quarter of an hour.",
    ),
    "backup-room": Words(
        "There is no room for two more backups ({detail}).",
        "The next ones will fail: no old backup is ever taken away by this program.",
        "Move old backups elsewhere, see `soakledger backup --list`, or name a folder on a larger disk.",
    ),
    "clock-unsynchronised": Words(
        "A clock has not been synchronised for long ({detail}).",
        "Durations and verdicts stay right; times of day on pages and papers may be off.",
        "Check the time server of that machine, and the network to it.",
    ),
    "clock-differs": Words(
        "A clock differs from the collector’s ({detail}).",
        "Durations and verdicts stay right; times of day of its basins do not agree with those of others.",
        "Check the time server of both machines.",
    ),
    "card-wears": Words(
        "A memory card or disk wears out ({detail}).",
        "It is an estimate from what is written to it. When a card fails, its machine stops, and what it alone had is "
        "lost.",
        "Plan a new one that is rated for more; where its maker says another figure, set card_rated_tb.",
    ),
    "card-worn": Words(
        "A memory card or disk is nearly worn out ({detail}).",
        "It is an estimate from what is written to it. When a card fails, its machine stops, and what it alone had is "
        "lost.",
        "Put in a new one that is rated for more; where its maker says another figure, set card_rated_tb.",
    ),
    "certificate-ending": Words(
        "The certificate {subject} ends soon ({detail}).",
        "It should have been renewed by itself months before. Once it ends, nobody who checks it connects any more.",
        "Run `soakledger certificates --renew` on the collector’s machine, and look at why its timer did not: "
        "systemctl status soakledger-certificates. If only the one that the broker shows is named here, run systemctl "
        "restart mosquitto.",
    ),
    "authority-ending": Words(
        "The site’s certificate authority {subject} ends ({detail}).",
        "Until then every node and every browser must be given the one that follows.",
        "Run `soakledger certificates --new-authority`, then enrol every node again.",
    ),
    "certificate-ended": Words(
        "The certificate {subject} has ended ({detail}).",
        "Nobody who checks it connects any more; nodes keep their readings.",
        "Run `soakledger certificates --renew` on the collector’s machine; for an authority `soakledger certificates "
        "--new-authority`, then enrol every node again. If the date is wrong, set the clock.",
    ),
    "certificate-unreadable": Words(
        "The certificate {subject} cannot be looked at ({detail}).",
        "Nobody is warned before it ends.",
        "Run `soakledger broker-setup` again, or correct `certificates` and `ca_file` in the collector’s settings.",
    ),
    "restored-older": Words(
        "The database is older than what was promised to nodes ({detail}).",
        "A backup was restored, or the disk lost what it had confirmed: readings that nodes no longer have are missing "
        "here and will be recorded as lost.",
        "If a newer copy of the database exists, stop the collector and put it in this one’s place.",
    ),
    "node-silent": Words(
        "No reading from node {subject} ({detail}).",
        "Its basins are not watched from here; what it records follows when it is back.",
        "Check its power and its network.",
    ),
    "basin-silent": Words(
        "No reading from basin {subject} ({detail}).",
        "It is not watched from here; its node speaks.",
        "Start its node again; if it stays so, look at the node’s messages.",
    ),
    "outbox-growing": Words(
        "The outbox of node {subject} grows ({detail}).",
        "It sends, but receipts do not reach it, or its readings do not arrive.",
        "Check the broker’s access rules for this node: a missing receipt is their only sign.",
    ),
    "cloned-node": Words(
        "Two machines call themselves node {subject} ({detail}).",
        "Their readings are kept apart, in streams of their own, but which basin is which nobody can tell from here.",
        "Give one of them another name, and start it again.",
    ),
    "contradiction": Words(
        "Node {subject} now says something else about readings that are stored ({detail}).",
        "What was stored first stands; the other is set aside.",
        "Look at the messages that could not be taken in, and at the node’s disk.",
    ),
    "lost": Words(
        "Node {subject} no longer has readings that never came ({detail}).",
        "No closure is proven across the gap.",
        "Look at the node’s messages: its disk was full, its outbox damaged, or its power cut.",
    ),
}
"""Every kind of condition: one edit here mends what is said everywhere."""

HOUR_MS = 3_600_000
FADES_AFTER_MS = {"cloned-node": HOUR_MS, "contradiction": 24 * HOUR_MS, "lost": 24 * HOUR_MS}
"""What happened once stands for so long after it was last noticed. Our own choice: somebody looks once a day."""

LASTING = frozenset({"restored-older"})
"""What a new start of the collector does not mend."""


class Condition(msgspec.Struct, frozen=True):
    """Something that is wrong at present.

    Attributes:
        code: One of `WORDS`; one of a newer version stands for itself.
        subject: Whom it concerns: a node, a basin; empty for the collector itself.
        detail: The figure or the error behind it.
        since_ms: Since when, milliseconds since 1970.
    """

    code: str
    subject: str
    detail: str
    since_ms: int

    @property
    def words(self) -> Words:
        """What is said of it."""
        found = WORDS.get(self.code, Words(f"{self.code} {{subject}} ({{detail}}).", "", ""))
        return found._replace(happened=found.happened.format(subject=self.subject, detail=self.detail))

    @property
    def text(self) -> str:
        """What happened, what it means here, what to do next."""
        return " ".join(filter(None, self.words[:3]))


class Conditions:
    """What is wrong at present; any thread may raise, clear and look.

    Args:
        clock: Gives the time since when.
        lasting: What an earlier start left standing.
    """

    def __init__(self, clock: UtcClock, lasting: Iterable[Condition] = ()) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._standing = {(each.code, each.subject): each for each in lasting}
        self._noticed_ms: dict[tuple[str, str], int] = {}

    def set(self, code: str, subject: str = "", detail: str = "") -> None:
        """It is so; said once, however often this is called while it stands."""
        with self._lock:
            known = self._standing.get((code, subject))
            new = Condition(code, subject, detail, known.since_ms if known else self._clock())
            self._standing[code, subject] = new
            if code in FADES_AFTER_MS:
                self._noticed_ms[code, subject] = self._clock()
        if known is None:
            log.warning("raised %s: %s", code, new.text)

    def clear(self, *codes: str, subject: str = "") -> None:
        """It is no longer so."""
        for code in codes:
            with self._lock:
                known = self._standing.pop((code, subject), None)
            if known is not None:
                log.warning("cleared %s%s", code, f" {subject}" if subject else "")

    def set_all(self, code: str, details: Mapping[str, str]) -> None:
        """It is so of these subjects, and of no other."""
        with self._lock:
            over = [subject for known, subject in self._standing if known == code and subject not in details]
        for subject in over:
            self.clear(code, subject=subject)
        for subject, detail in details.items():
            self.set(code, subject, detail)

    def fade(self) -> None:
        """Clear what happened once, and long enough ago."""
        now_ms = self._clock()
        over = [key for key, noticed_ms in self._noticed_ms.items() if now_ms - noticed_ms > FADES_AFTER_MS[key[0]]]
        for code, subject in over:
            del self._noticed_ms[code, subject]
            self.clear(code, subject=subject)

    def standing(self) -> list[Condition]:
        """All of it, what stops storing first, then the oldest first."""
        with self._lock:
            standing = list(self._standing.values())
        return sorted(standing, key=lambda each: (not each.words.stops_storing, each.since_ms, each.code, each.subject))


STOPPING = tuple(code for code, words in WORDS.items() if words.stops_storing and code != "intake-stuck")
"""Cleared together as soon as something has been stored."""
