"""One clinic in which every kind of page has something real to show: basins that go on, deeds, alarms, people."""

from __future__ import annotations

import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).parents[1] / "dashboard"))  # the kits of the dashboard's tests stand there

import alarmkit
import pagekit
import recorded
from doorkit import ADA, OLGA, PEOPLE, PINS, SAM, TINA, TOM, Browser, House
from msgspec.structs import replace
from pagekit import NOW_MS

from collector import credentials, status
from collector.credentials import Kind
from collector.record.things import Device, Fill, Load, Person, Poured, Role, Stage, Turn
from collector.schema import FILE_NAME, connect
from host.clock import boot_id, boottime_ms

EVERYBODY = "ada"
"""Who looks at the screens: of every role that records, so that nothing is left out of a page."""
LONG_NAME = "Maximiliane Featherstonehaugh-Wolfeschlegelsteinhausen"
LONG_NOTE = "Rack two, left: " + "the spare transducer is in the drawer under the sink, not in the cabinet. " * 4
UNBROKEN = "E-" + "0123456789" * 5
OWN = status.Own(synced=True, disk=pagekit.DISK, backup_due_ms=NOW_MS + 13 * 3_600_000)
RUNNING_MS, SOAKED_MS, BLIND_MS = NOW_MS - 445_000, NOW_MS - 790_000, NOW_MS - 230_000
"""When the lids of n1/b2, n2/b1 and n2/b2 were closed (see `pagekit.clinic`)."""
_DAY_MS = 24 * 3_600_000

__all__ = [
    "ADA",
    "EVERYBODY",
    "OLGA",
    "PINS",
    "SAM",
    "TINA",
    "TOM",
    "Browser",
    "Furnished",
    "House",
    "furnish",
    "open_",
]


class Furnished(NamedTuple):
    """A clinic that is served.

    Attributes:
        address: Of its server.
        house: Its data and its people.
        basins: Moves its lids.
    """

    address: str
    house: House
    basins: pagekit.Going


def furnish(data: Path) -> tuple[House, dict[str, pagekit.Track]]:
    """Fill a data folder.

    Returns:
        The house, and where each basin's stream has got to.
    """
    player = pagekit.clinic(data)
    player.close()
    recorded.record(data)
    alarmkit.alarmed(data)
    house = House(data, {})
    roles = (Role.TECHNICIAN, Role.SUPERVISOR, Role.ADMINISTRATOR)
    house.put(replace(PEOPLE[ADA], roles=roles), Person(id="max", name=LONG_NAME, roles=(Role.TECHNICIAN,)))
    for number, (basin, in_ms) in enumerate((("n1/b2", RUNNING_MS), ("n2/b1", SOAKED_MS), ("n2/b2", BLIND_MS)), 4):
        _load(house, number, basin, in_ms - 5_000)
    _deeds(data)
    db = connect(data / FILE_NAME)
    house.badges.update({person: credentials.new_badge(db.conn, person) for person in PEOPLE})
    for person, pin in PINS.items():
        credentials.set_secret(db.conn, person, Kind.PIN, pin)
    db.close()
    return house, player.tracks


def _load(house: House, number: int, basin: str, in_ms: int) -> None:
    """A load in a basin, of two devices."""
    fill, load, poured_ms = f"F{number}", f"L{number}", NOW_MS - 2 * _DAY_MS
    poured = (Poured(bottle="B1", lot="LOT-1", volume_ml=3_000, by=TINA, at_ms=poured_ms),)
    life = {"use_by_ms": poured_ms + 14 * _DAY_MS, "use_by_why": "reuse life of 14 days", "tested_after_ms": poured_ms}
    house.put(
        Fill(id=fill, basin=basin, profile="typed", poured=poured, poured_ms=poured_ms, poured_by=TINA, loads=7, **life)
    )
    turns = []
    for place in (1, 2):
        turn, device = f"T{10 * number + place}", f"GS-{10 * number + place}"
        house.put(
            Device(id=device, type="gastroscope", serial=f"{device}-0042", turn=turn),
            Turn(
                id=turn,
                device=device,
                began_ms=in_ms - 600_000,
                came_from=UNBROKEN if place == 2 else f"E-51{number}",
                stage=Stage.SOAKING,
                load=load,
                basin=basin,
                fill=fill,
                in_ms=in_ms,
                in_by=TOM,
            ),
        )
        turns.append(turn)
    house.put(Load(id=load, basin=basin, fill=fill, began_ms=in_ms, by=TOM, turns=tuple(turns)))


def _deeds(data: Path) -> None:
    """What the morning of `recorded` leaves out."""
    morning = recorded.Morning(data)
    just_now = {"at_ms": NOW_MS - 900}
    morning.do("hand-over", **just_now, note=LONG_NOTE)
    morning.do("read-thermometer", **just_now, basin="n1/b2", read_mc=21_400)
    morning.do(
        "record-sensor-check",
        SAM,
        **just_now,
        sensor=pagekit.sensor(2),
        basin="n1/b2",
        reference="reference thermometer 4, certificate C-88",
        reference_mc=21_400,
        indicated_mc=21_300,
        u_mc=200,
    )
    _checked(morning, just_now)
    morning.do(
        "quarantine-device", SAM, **just_now, device="GS-03", next_action="Reprocess.", reason="Its soak was not met."
    )
    soak = f"{pagekit.stream_id('n1', 'b1', 'a')}:5529"
    morning.do("issue-disinfection-record", SAM, **just_now, closure=soak, reason="Asked for by the auditor.")
    morning.do("issue-period-report", SAM, **just_now, first="2026-02-01", last="2026-03-03", reason="Committee.")
    morning.do("begin-mec-test", **just_now, fill="F1", strip_bottle="S1")
    morning.do(
        "draft-profile", SAM, **just_now, profile="drafted", name="glutaraldehyde", jurisdiction="US", manual=True
    )
    morning.desk.close()


def _checked(morning: recorded.Morning, just_now: dict[str, int]) -> None:
    """A reference thermometer, a mapping study, and a guided check that finds a sensor 0.35 °C high."""
    points = [{"at_mc": at, "correction_mc": by, "expanded_mc": 30, "k": "2"} for at, by in ((0, 0), (25_000, 10))]
    certificate = {
        "number": "C-2026-118",
        "laboratory": "Quillmere Metrology (invented)",
        "traceability": "accredited, invented",
        "calibrated_on": "2025-09-01",
        "due": "2026-08-31",
        "points": points,
    }
    known = {"id": "R-4", "name": "Reference 4, No. 118", "step_mc": 10, "drift_mc": 20}
    morning.do("record-reference", SAM, **just_now, **known, certificate=certificate)
    places = [
        {"place": place, "read_mc": mc} for place, mc in (("far end", 21_380), ("top", 21_550), ("middle", 21_480))
    ]
    sensor = {"basin": "n1/b2", "sensor": pagekit.sensor(2)}
    morning.do("record-mapping", SAM, **just_now, **sensor, thermometer="R-4", at_sensor_mc=21_500, places=places)
    ice, working = (
        [{"reference_mc": mc, "indicated_mc": mc + 250 + each} for each in (0, 62, 0)] for mc in (10, 21_400)
    )
    morning.do("check-sensor", SAM, **just_now, **sensor, reference="R-4", ice=ice, working=working, settled=True)


@contextmanager
def well(data: Path) -> Iterator[None]:
    """As far as pages can tell, a collector runs and stores."""
    over = threading.Event()

    def beat() -> None:
        while True:
            now_ms = NOW_MS  # the rehearsal's clock; how old the file is goes by the machine's own
            said = status.Status("e", "r", True, boot_id(), boottime_ms(), now_ms, now_ms, [], 0, own=OWN)
            assert status.write(data, said)
            if over.wait(1):
                return

    beating = threading.Thread(target=beat)
    beating.start()
    try:
        yield
    finally:
        over.set()
        beating.join()


@contextmanager
def open_(data: Path) -> Iterator[Furnished]:
    """A furnished clinic at a server of its own, whose basins go on."""
    house, tracks = furnish(data)
    with (
        well(data),
        pagekit.Going(data, tracks, house.played) as basins,
        pagekit.serving(data, house.played, real_now_ms=lambda: NOW_MS) as address,
    ):
        yield Furnished(address, house, basins)
