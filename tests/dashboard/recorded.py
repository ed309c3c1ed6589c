"""A morning of deeds over the clinic of `pagekit`: real deeds at a real desk, each at its own moment."""

from __future__ import annotations

from pathlib import Path

import msgspec
from doorkit import PEOPLE, SAM, TINA, TOM
from pagekit import NOW_MS

from collector.ledger import Ledger
from collector.record import shelf
from collector.record.all import DEEDS
from collector.record.desk import Desk
from collector.record.things import Policy, Thing

BEGAN_MS = NOW_MS - 3_400_000
"""12:21, with the lid of n1/b1 open."""
CLOSED_MS, OPENED_MS = NOW_MS - 2_231_000, NOW_MS - 1_391_000
"""The soak of n1/b1 that met, to the second."""
EARLY_CLOSED_MS, EARLY_OPENED_MS = NOW_MS - 791_000, NOW_MS - 240_000
"""The one after it, opened early."""
STEPS = ("point-of-use clean", "leak test", "clean", "rinse")
MINUTE_MS = 60_000


class Morning:
    """A desk whose clock goes on only when told."""

    def __init__(self, data: Path) -> None:
        self.at_ms = BEGAN_MS
        self.desk = Desk(data, lambda: self.at_ms)

    def put(self, *things: Thing) -> None:
        """Record things as they are, past their rules."""
        with self.desk.transaction():
            for thing in things:
                changes = {thing.KIND: {thing.id: msgspec.to_builtins(thing)}}
                body = {"changes": changes, "about": f"{thing.KIND}/{thing.id}"}
                record = Ledger(self.desk.connection, lambda: self.at_ms).append("given-by-a-test", body, who="kit")
                shelf.write(self.desk.connection, record.number, changes)

    def do(self, kind: str, who: str = TINA, /, *, at_ms: int | None = None, **said: object) -> str:
        """Do a deed, five seconds after the one before unless told when; the thing's id."""
        self.at_ms = self.at_ms + 5_000 if at_ms is None else at_ms
        return self.desk.do(msgspec.convert(said, DEEDS[kind]), who, second_factor=True).id


def record(data: Path) -> None:
    """One solution in one basin, three devices, a met soak released, one opened early, one used without release."""
    morning = Morning(data)
    morning.put(Policy(id="site", time_zone="Europe/Berlin"), *PEOPLE.values())
    _solution(morning)
    _devices(morning)
    _met(morning)
    _early(morning)
    morning.do("hand-over", note="Basin 1 reads warm since noon; the new bottle is in the left cupboard.")
    morning.do("sign-review", SAM, day="2026-03-01")
    morning.desk.close()


def _solution(morning: Morning) -> None:
    morning.do(
        "draft-profile",
        SAM,
        profile="typed",
        name="peracetic acid",
        jurisdiction="US",
        manual=True,
        min_mc=20_000,
        contact_ms=12 * MINUTE_MS,
        reuse_days=14,
        opened_days=75,
        mec="0.3 %",
        mec_monitored=True,
        mec_daily_allowed=False,
        strip={"dip_ms": 1_000, "read_from_ms": 5_000, "read_until_ms": 60_000},
        rinses={"count": 3, "each_ms": MINUTE_MS},
        longest_immersion_ms=60 * MINUTE_MS,
        not_printed=["max_mc"],
    )
    morning.do(
        "confirm-profile",
        SAM,
        profile="typed",
        label_revision="R7",
        lot="LOT-1",
        label_date="2025-10-01",
        picture_sha256="ab" * 32,
    )
    for lot, expires in (("LOT-1", "2026-09-30"), ("LOT-2", "2026-04-30")):
        morning.do("receive-bottle", SAM, lot=lot, expires=expires, volume_ml=4_000, profile="typed")
    morning.do(
        "receive-strip-bottle",
        profile="typed",
        lot="STRIP-9",
        expires="2026-12-31",
        open_days=90,
        strip={"dip_ms": 1_000, "read_from_ms": 5_000, "read_until_ms": 60_000},
        controls={"per_control": 3, "dilution": "1:1"},
    )
    morning.do("open-strip-bottle", strip_bottle="S1")
    morning.do("record-controls", strip_bottle="S1", positives_passed=3, negatives_failed=3)
    morning.do("pour-fill", basin="n1/b1", bottles=[{"bottle": "B1", "volume_ml": 3_000}])
    _test(morning)


def _test(morning: Morning) -> None:
    test = morning.do("begin-mec-test", fill="F1", strip_bottle="S1")
    morning.do("read-mec-test", TINA, at_ms=morning.at_ms + 20_000, test=test, result="pass")


def _devices(morning: Morning) -> None:
    morning.do(
        "record-device-type",
        SAM,
        id="gastroscope",
        name="gastroscope",
        kind="flexible endoscope",
        profiles=["typed"],
        steps=STEPS,
        dry_ms=MINUTE_MS,
        hang_days=7,
    )
    for device in ("GS-01", "GS-02", "GS-03"):
        morning.do("record-device", SAM, id=device, type="gastroscope", serial=f"{device}-2291")


def _round(morning: Morning, device: str, came_from: str) -> None:
    morning.do("begin-turn", device=device, came_from=came_from)
    morning.do("attest-steps", device=device, steps=STEPS)


def _met(morning: Morning) -> None:
    _round(morning, "GS-01", "E-4417")
    _round(morning, "GS-02", "E-4418")
    morning.do("start-load", TOM, at_ms=CLOSED_MS - 20_000, basin="n1/b1", devices=["GS-01", "GS-02"])
    morning.do("take-out", TOM, at_ms=OPENED_MS + 10_000, basin="n1/b1")
    for _ in range(3):
        morning.do("begin-rinse", TOM, device="GS-01", fresh_water=True)
        morning.do("end-rinse", TOM, at_ms=morning.at_ms + 65_000, device="GS-01")
    morning.do("attest-dried", TOM, at_ms=morning.at_ms + 70_000, device="GS-01")
    morning.do("release", SAM, devices=["GS-01"])
    morning.do("store-device", TOM, device="GS-01", cabinet="cabinet 2")
    morning.do("record-use", TOM, device="GS-02", encounter="E-4431")


def _early(morning: Morning) -> None:
    _round(morning, "GS-03", "E-4420")
    morning.do(
        "start-load",
        SAM,
        at_ms=EARLY_CLOSED_MS - 20_000,
        basin="n1/b1",
        devices=["GS-03"],
        override=True,
        reason="No strips at hand; the next patient waits.",
    )
    morning.do("take-out", TOM, at_ms=EARLY_OPENED_MS + 5_000, basin="n1/b1")
