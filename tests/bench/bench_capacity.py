"""How many basins one collector holds, with its broker and its pages on the same machine.

`./run bench capacity [--basins 100 250 …] [--seconds 60]` prints a table, a step a line, until a step does not hold.

A real Mosquitto (plain, without TLS), collector, dashboard and disk; every basin sends a reading a second, a quarter of
them hold a load, lids come up too early at random moments, five pages are open, somebody records something twice a
second. What holds is said by `limits`. The load generator shares the machine: its processor time stands beside, and a
step at which it was late itself says nothing of the collector.
"""

from __future__ import annotations

import argparse
import os
import platform
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from tests.bench import alarm_latency
from tests.bench.measuring import Limit, share_of

MOST_BASINS = 1_000
"""What the collector's settings take (`collector.settings.Settings.basin`)."""

STEPS = (100, 250, 500, 750, MOST_BASINS)
SECONDS = 60
LOADED = 0.25
OPENINGS_A_SECOND = 1.0
SCREENS = 4
"""Open pages besides the one that is timed."""

MOST_RECORD_MS = 1_000
MOST_RECEIPT_MS = 1_000
MOST_BACKLOG_S = 2.0
MOST_MB = 1_000
MOST_LATE_MS = 250
_COLUMNS = (
    ("basins", 8),
    ("collector", 11),
    ("broker", 9),
    ("pages", 9),
    ("of machine", 12),
    ("load", 8),
    ("others", 8),
    ("record", 9),
    ("page", 9),
    ("receipt", 9),
    ("backlog", 9),
    ("memory", 9),
)


class Step(NamedTuple):
    """What one number of basins came to.

    Attributes:
        basins: How many.
        cpu: What collector, broker and dashboard used, in processors.
        load_cpu: What the load generator used, in processors.
        others: What anybody else used, in processors.
        record_ms: From a lid's reading, published, to its alarm's record: 99 of 100.
        page_ms: On to an open page.
        receipt_ms: From publish to receipt: 99 of 100.
        backlog_s: Seconds' worth of readings without a receipt: the most in the second half of the run.
        mb: Memory of the three together.
        late_ms: How late the load itself sent: 99 of 100.
        lids: How many came up too early.
        raised: How many alarms of that are on record.
    """

    basins: int
    cpu: tuple[float, float, float]
    load_cpu: float
    others: float
    record_ms: float
    page_ms: float
    receipt_ms: float
    backlog_s: float
    mb: float
    late_ms: float
    lids: int
    raised: int

    @property
    def share(self) -> float:
        """Of the whole machine's processors."""
        return sum(self.cpu) / (os.cpu_count() or 1)


def step(basins: int, seconds: int) -> Step:
    """One run."""
    loaded = max(1, round(basins * LOADED))
    found = alarm_latency.measure(basins, loaded, seconds, OPENINGS_A_SECOND, screens=SCREENS)
    spent = found.collector
    collector, broker = spent.cpu_s / spent.seconds, spent.broker_s / spent.seconds
    return Step(
        basins=basins,
        cpu=(collector, broker, found.page_cpu),
        load_cpu=found.load_cpu,
        others=max(0.0, spent.others - found.page_cpu),
        record_ms=_p99_ms([each.recorded_s - each.sent_s for each in found.waits if each.recorded_s is not None]),
        page_ms=_p99_ms([each.shown_s - each.sent_s for each in found.waits if each.shown_s is not None]),
        receipt_ms=_p99_ms(found.receipts_s),
        backlog_s=max(found.backlog[len(found.backlog) // 2 :], default=0) / basins,
        mb=sum(found.mb.values()),
        late_ms=_p99_ms(found.late_s),
        lids=len(found.waits),
        raised=found.raised,
    )


def _p99_ms(waits_s: Sequence[float]) -> float:
    return 1_000 * share_of(sorted(waits_s), 0.99) if waits_s else float("inf")


def limits(one: Step) -> list[Limit]:
    """What is asked of a step."""
    return [
        Limit(f"an alarm on record within {one.record_ms:,.0f} ms", one.record_ms < MOST_RECORD_MS),
        Limit(f"{one.raised} alarms for {one.lids} lids", one.raised == one.lids),
        Limit(f"receipts within {one.receipt_ms:,.0f} ms", one.receipt_ms < MOST_RECEIPT_MS),
        Limit(f"at most {one.backlog_s:.1f} s of readings without a receipt", one.backlog_s < MOST_BACKLOG_S),
        Limit(f"{one.mb:,.0f} MB of memory", one.mb < MOST_MB),
    ]


def measured(one: Step) -> bool:
    """The load was sent in time: otherwise the step says nothing."""
    return one.late_ms < MOST_LATE_MS


def machine() -> str:
    """What it was measured on."""
    names = [
        line.partition(":")[2].strip()
        for line in Path("/proc/cpuinfo").read_text().splitlines()
        if "model name" in line
    ]
    memory_kb = int(Path("/proc/meminfo").read_text().split()[1])
    return (
        f"{os.cpu_count()} processors ({names[0] if names else platform.machine()}), {memory_kb / 1e6:.0f} GB, "
        f"Python {platform.python_version()}"
    )


def head() -> str:
    """The table's first line."""
    return "".join(f"{name:>{width}}" for name, width in _COLUMNS) + "  "


def line(one: Step) -> str:
    """A step's line: processor in per cent of one, the three together in per cent of the machine, times in ms."""
    cells = (
        f"{one.basins:,}",
        *(f"{100 * each:.0f} %" for each in one.cpu),
        f"{100 * one.share:.0f} %",
        f"{100 * one.load_cpu:.0f} %",
        f"{100 * one.others:.0f} %",
        *(f"{each:,.0f}" for each in (one.record_ms, one.page_ms, one.receipt_ms)),
        f"{one.backlog_s:.1f} s",
        f"{one.mb:,.0f} MB",
    )
    text = "".join(f"{cell:>{width}}" for cell, (_, width) in zip(cells, _COLUMNS, strict=True))
    if not measured(one):
        return f"{text}  the load itself was late"
    failed = [limit.text for limit in limits(one) if not limit.holds]
    return f"{text}  " + ("holds" if not failed else "DOES NOT HOLD: " + "; ".join(failed))


def conclusion(steps: Sequence[Step]) -> str:
    """What the table says."""
    good = [each for each in steps if measured(each) and all(limit.holds for limit in limits(each))]
    if not good:
        return "No step held."
    best, last = good[-1], steps[-1]
    text = (
        f"{best.basins:,} basins held, with {100 * (1 - best.share):.0f} % of the machine's processors left to others."
    )
    if last is best and best.basins == MOST_BASINS:
        return f"{text} The collector's settings take no more."
    if last is best:
        return f"{text} No step failed: the limit lies higher."
    if not measured(last):
        return f"{text} At {last.basins:,} the load generator was late itself: the limit lies between or higher."
    return f"{text} {last.basins:,} did not: the limit lies between."


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure, and print; 0 if a step held."""
    parser = argparse.ArgumentParser(prog="./run bench capacity", description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--basins", type=int, nargs="+", default=list(STEPS), help=f"steps [default: {STEPS}]")
    parser.add_argument("--seconds", type=int, default=SECONDS, help=f"how long each is [default: {SECONDS}]")
    chosen = parser.parse_args(arguments)
    if max(chosen.basins) > MOST_BASINS:
        parser.error(f"the collector's settings take {MOST_BASINS:,} basins at the most.")
    print(f"{machine()}; a reading a second from each basin, {chosen.seconds} s a step, {SCREENS + 1} open pages")
    print("Processor in per cent of one; times: 99 of 100, ms from publish\n")
    print(head(), flush=True)
    steps: list[Step] = []
    for basins in chosen.basins:
        steps.append(step(basins, chosen.seconds))
        print(line(steps[-1]), flush=True)
        if not measured(steps[-1]) or not all(limit.holds for limit in limits(steps[-1])):
            break
    print(f"\n{conclusion(steps)}")
    return 0 if measured(steps[0]) and all(limit.holds for limit in limits(steps[0])) else 1


if __name__ == "__main__":
    sys.exit(main())
