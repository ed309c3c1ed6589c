"""The clinic of `pagekit` with a morning of deeds, and a load in the basin that soaks."""

from __future__ import annotations

from pathlib import Path

import msgspec
import recorded
from pagekit import NOW_MS

from collector.record import shelf
from collector.record.desk import Desk
from collector.record.things import Fill, Load, Stage, Turn

SOAKING = "n1/b2"
"""Closed for 7 min 24 s of 12 min at 13:18, with load L12 in it."""
MET = "n2/b1"
"""Closed for 13 min, met, with load L13 in it."""
NOT_READY = "n1/b1"
"""Opened early, load L2 taken out; fill F1, whose MEC test is used up."""
IN_MS = NOW_MS - 900_000


def furnish(data: Path) -> None:
    """Put them on record."""
    recorded.record(data)
    with Desk(data, lambda: NOW_MS) as desk:
        fill = shelf.find(desk.connection, Fill, "F1")
    assert fill is not None
    morning = recorded.Morning(data)
    for number, basin, device in (("12", SOAKING, "GS-01"), ("13", MET, "GS-02")):
        turn = Turn(
            id=f"T{number}",
            device=device,
            began_ms=IN_MS,
            stage=Stage.SOAKING,
            load=f"L{number}",
            basin=basin,
            fill=f"F{number}",
            in_ms=NOW_MS - 800_000,
        )
        load = Load(id=f"L{number}", basin=basin, fill=f"F{number}", began_ms=IN_MS, by="tina", turns=(turn.id,))
        morning.put(msgspec.structs.replace(fill, id=f"F{number}", basin=basin), turn, load)
    morning.desk.close()
