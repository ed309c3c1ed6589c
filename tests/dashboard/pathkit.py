"""A small clinic for the standard path: two basins that go on, short soaks, real deeds, people with badges."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pagekit
from doorkit import PEOPLE, PINS, SAM, House
from litestar import Litestar
from pagekit import NEED, NOW_MS, Going, Span, Track, basin_settings, sensor
from recorded import Morning

from collector import credentials
from collector.credentials import Kind
from collector.record.things import Policy
from collector.schema import FILE_NAME, connect
from collector.settings import Settings

CONTACT_MS = 6_000
RINSE_MS = 1_000
STEPS = ("point-of-use clean", "leak test", "clean", "rinse")
DEVICES = ("GS-01", "GS-02", "GS-03")
BLADE = "LB-07"
"""Its maker permits another solution only."""
HELD = "GS-09"
"""In quarantine."""
ONE, TWO = "n1/b1", "n1/b2"
LABEL = {"basin": "SL:basin:{}", "device": "SL:device:{}"}


def basin(key: str) -> str:
    """What its label says."""
    return LABEL["basin"].format(key)


def device(key: str) -> str:
    """What its label says."""
    return LABEL["device"].format(key)


def built(data: Path) -> tuple[dict[str, str], dict[str, Track]]:
    """The clinic at 13:18, both lids open, Basin 1 ready and Basin 2 without a MEC test.

    Returns:
        Everybody's badge, and where each stream has got to.
    """
    settings = Settings(
        pagekit.CLINIC,
        basin=[
            basin_settings(ONE, "Basin 1", [sensor(1)], "scope room", **NEED),
            basin_settings(TWO, "Basin 2", [sensor(2)], "scope room", **NEED),
        ],
    )
    player = pagekit.Player(data, settings)
    for number, key in enumerate((ONE, TWO), 1):
        player.play(key, [Span(600, "open"), Span(20, "closed"), Span(300, "open")], [sensor(number)])
    player.say("n1")
    player.close()
    _recorded(data)
    db = connect(data / FILE_NAME)
    badges = {person: credentials.new_badge(db.conn, person) for person in PEOPLE}
    for person, pin in PINS.items():
        credentials.set_secret(db.conn, person, Kind.PIN, pin)
    db.close()
    return badges, player.tracks


def _recorded(data: Path) -> None:
    morning = Morning(data)
    morning.at_ms = NOW_MS - 280_000
    morning.put(Policy(id="site", time_zone="Europe/Berlin"), *PEOPLE.values())
    strip = {"dip_ms": 1_000, "read_from_ms": 5_000, "read_until_ms": 60_000}
    for profile, name in (("paa", "peracetic acid"), ("other", "another solution")):
        morning.do(
            "draft-profile",
            SAM,
            profile=profile,
            name=name,
            jurisdiction="US",
            manual=True,
            min_mc=20_000,
            contact_ms=CONTACT_MS,
            reuse_days=14,
            opened_days=75,
            mec="0.3 %",
            mec_monitored=True,
            mec_daily_allowed=False,
            strip=strip,
            rinses={"count": 2, "each_ms": RINSE_MS, "water": "sterile"},
            longest_immersion_ms=3_600_000,
            not_printed=["max_mc"],
        )
    morning.do(
        "confirm-profile",
        SAM,
        profile="paa",
        label_revision="R7",
        lot="LOT-1",
        label_date="2025-10-01",
        picture_sha256="ab" * 32,
    )
    for _ in range(2):
        morning.do("receive-bottle", SAM, lot="LOT-1", expires="2026-09-30", volume_ml=4_000, profile="paa")
    morning.do(
        "receive-strip-bottle",
        profile="paa",
        lot="STRIP-9",
        expires="2026-12-31",
        open_days=90,
        strip=strip,
        controls={"per_control": 3, "dilution": "1:1"},
    )
    morning.do("open-strip-bottle", strip_bottle="S1")
    morning.do("record-controls", strip_bottle="S1", positives_passed=3, negatives_failed=3)
    morning.do("pour-fill", basin=ONE, bottles=[{"bottle": "B1", "volume_ml": 3_000}])
    morning.do("pour-fill", basin=TWO, bottles=[{"bottle": "B2", "volume_ml": 3_000}])
    test = morning.do("begin-mec-test", fill="F1", strip_bottle="S1")
    morning.do("read-mec-test", at_ms=morning.at_ms + 20_000, test=test, result="pass")
    for id_, name, kind, profile, steps in (
        ("gastroscope", "gastroscope", "flexible endoscope", "paa", STEPS),
        ("blade", "laryngoscope blade", "blade", "other", ["clean"]),
    ):
        morning.do(
            "record-device-type",
            SAM,
            id=id_,
            name=name,
            kind=kind,
            profiles=[profile],
            steps=steps,
            dry_ms=0,
            hang_days=7,
        )
    for each in (*DEVICES, HELD):
        morning.do("record-device", SAM, id=each, type="gastroscope", serial=f"{each}-2291")
    morning.do("record-device", SAM, id=BLADE, type="blade", serial="7")
    morning.do("quarantine-device", SAM, device=HELD, reason="Torn sheath.", next_action="Send it for repair.")
    morning.desk.close()


def ready(house: House, key: str) -> None:
    """A MEC test of what is in a basin, passed just before 13:18."""
    morning = Morning(house.data)
    fill = {ONE: "F1", TWO: "F2"}[key]
    test = morning.do("begin-mec-test", at_ms=NOW_MS - 40_000, fill=fill, strip_bottle="S1")
    morning.do("read-mec-test", at_ms=NOW_MS - 20_000, test=test, result="pass")
    morning.desk.close()


class Still:
    """A rehearsal's clock that goes on only when told: a slow machine makes no reading old."""

    speed = 0

    def __init__(self) -> None:
        self.now_ms = NOW_MS

    def utc_ms(self, _real_ms: int) -> int:
        """The time."""
        return self.now_ms


class PathHouse(House):
    """A house over the clinic; its time and its basins stand still until they are played on."""

    def __init__(self, data: Path, badges: dict[str, str], tracks: dict[str, Track]) -> None:
        super().__init__(data, badges)
        self.tracks = dict(tracks)
        self.still = Still()

    def app(self, **more: Any) -> Litestar:
        """The application; all of them have one clock."""
        return super().app(**{"rehearsal": self.still, **more})

    def on(self, seconds: int, lid: str = "open", key: str = ONE) -> None:
        """Let so many seconds pass in every basin, with the lid of one of them so."""
        self.still.now_ms += 1000 * seconds
        player = pagekit.Player(self.data, now_ms=self.still.now_ms)
        for each, track in self.tracks.items():
            new_lid = lid if each == key else None
            self.tracks[each] = player.carry_on(each, track, lid=new_lid, to_ms=self.still.now_ms)
        player.close()


def copied(from_data: Path, badges: dict[str, str], tracks: dict[str, Track], to: Path) -> PathHouse:
    """The same clinic once more, to be written to."""
    return PathHouse(pagekit.copied(from_data, to), badges, tracks)


@contextmanager
def going(house: PathHouse) -> Iterator[tuple[str, Going]]:
    """A server over the clinic whose basins go on."""
    house.played = pagekit.rehearsal()
    with (
        Going(house.data, house.tracks, house.played) as basins,
        pagekit.serving(house.data, house.played, real_now_ms=lambda: house.now_ms) as address,
    ):
        yield address, basins


def until(what: Callable[[], Any], patience_s: float = 20) -> Any:
    """Ask again and again until the answer is true; time limits of a test's patience, not of the program."""
    deadline = time.monotonic() + patience_s
    while not (answer := what()):
        assert time.monotonic() < deadline, "it did not come about"
        time.sleep(0.05)
    return answer
