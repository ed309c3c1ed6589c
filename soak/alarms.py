"""What can be wrong around a soak, how urgent it is, and what to do: the same table for node, collector and pages.

Which condition has which priority is our own choice: IEC 60601-1-8 grades alarms by urgency and does not say which
conditions need one (its scope as printed by BSI; published). This is no certified medical alarm system.
"""

from __future__ import annotations

import enum
from typing import NamedTuple


class Priority(enum.StrEnum):
    """How urgent an alarm is."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"

    @property
    def rank(self) -> int:
        """0 for the most urgent."""
        return list(Priority).index(self)


class AlarmKind(NamedTuple):
    """One kind of alarm.

    Attributes:
        code: Its name on the wire, in the ledger and in tables.
        priority: How urgent it is when it is raised.
        name: What it is, in a few words.
        todo: What to do next.
        lasting: It stands until somebody has seen it, though its cause is over.
    """

    code: str
    priority: Priority
    name: str
    todo: str
    lasting: bool = False


_HIGH, _MEDIUM, _LOW = Priority
_REPROCESS = "Do not use what was in it. Begin a new round: the contact time starts again from the closing."

KINDS: dict[str, AlarmKind] = {
    kind.code: kind
    for kind in (
        AlarmKind(
            "opened-early", _HIGH, "lid opened early", f"Close the lid now, or press the button. {_REPROCESS}", True
        ),
        AlarmKind(
            "bad-fill",
            _HIGH,
            "load in solution that must not be used",
            "Take the devices out, rinse them, and begin a new round in a fill in date that has passed its MEC test.",
            True,
        ),
        AlarmKind(
            "used-unreleased",
            _HIGH,
            "device used without release",
            "Tell the supervisor at once; keep the device, and follow the look-back that was opened.",
            True,
        ),
        AlarmKind(
            "chain-broken",
            _HIGH,
            "the ledger does not hold",
            "Keep the files as they are, run `soakledger verify`, and call whoever looks after this collector.",
            True,
        ),
        AlarmKind(
            "below-minimum",
            _MEDIUM,
            "solution too cold",
            "Time below the minimum does not count. Warm the solution as its label allows; the time starts again.",
        ),
        AlarmKind(
            "above-maximum",
            _MEDIUM,
            "solution too hot",
            "Time above the maximum does not count. Let it cool as the label allows; the time starts again.",
        ),
        AlarmKind(
            "guard-band",
            _MEDIUM,
            "too near the minimum to be proven",
            "Within the sensor's uncertainty of the limit, so it does not count. Warm the solution a little.",
        ),
        AlarmKind(
            "sensor-fault",
            _MEDIUM,
            "no temperature",
            "Check the sensor's plug and cable. The soak is not proven without it.",
        ),
        AlarmKind(
            "readings-missing",
            _MEDIUM,
            "soak not watched",
            "Check the node's power and network. Time it records meanwhile follows; time it misses is not proven.",
        ),
        AlarmKind(
            "over-immersed",
            _MEDIUM,
            "too long in solution",
            "Take the devices out and rinse them; ask the device maker's instructions whether they may still be used.",
            True,
        ),
        AlarmKind(
            "fill-ends-in-soak",
            _MEDIUM,
            "solution runs out during the soak",
            "The soak cannot end within the fill's use life. Begin again in a fresh fill.",
        ),
        AlarmKind(
            "lid-left-open",
            _MEDIUM,
            "lid left open over solution",
            "Put the lid on: vapour harms eyes and lungs. Check the ventilation.",
        ),
        AlarmKind(
            "soak-waits",
            _LOW,
            "soak met and waiting",
            "Take the devices out with clean gloves, rinse them as the label asks.",
        ),
        AlarmKind(
            "fill-runs-out",
            _LOW,
            "solution runs out before the next working day",
            "Plan a fresh fill; see what is to be ordered under Solutions.",
        ),
        AlarmKind("mec-test-due", _LOW, "MEC test due", "Test the solution with a strip before the next use."),
        AlarmKind("sensor-check-due", _LOW, "sensor check due", "Check the sensor against the reference thermometer."),
        AlarmKind(
            "unassigned-waiting",
            _LOW,
            "closures nobody has assigned",
            "Say of each whether a device was in it; 'not known' is an answer.",
        ),
        AlarmKind(
            "clock-unsynchronised",
            _LOW,
            "clock not synchronised",
            "Durations stay right; dates are uncertain. Check the node's network time.",
        ),
        AlarmKind(
            "outbox-growing",
            _LOW,
            "readings wait at the node",
            "Check the broker's access rules and the network; nothing is lost while the node has room.",
        ),
        AlarmKind(
            "disk-nearly-full",
            _LOW,
            "disk nearly full",
            "Make room on the collector's disk before it refuses readings.",
        ),
        AlarmKind(
            "card-worn",
            _LOW,
            "memory card nearly worn out",
            "Put a new card into the machine named here, one that is rated for more; keep the old one until it runs.",
        ),
        AlarmKind(
            "certificate-ends",
            _LOW,
            "certificate ends",
            "Run `soakledger certificates` on the collector; it says what to do.",
        ),
        AlarmKind(
            "backup-old",
            _LOW,
            "last backup too old",
            "Run `soakledger backup` on the collector; look at its settings for backups and at the disk they go to.",
        ),
        AlarmKind(
            "sensor-out",
            _LOW,
            "sensor out of the solution",
            "Put the sensor back into the solution, and let it settle.",
        ),
        AlarmKind(
            "no-collector", _LOW, "no word from the collector", "The basin is watched here; what it records follows."
        ),
        AlarmKind("unassigned-opening", _LOW, "was a device in it?", "If one was, say so at the screen."),
    )
}
"""Every kind of alarm. The codes that the node raises by itself are among them."""
