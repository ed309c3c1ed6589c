"""The invented clinic of the demonstration, and the settings of all its parts. No place, person or device here is real.

What the labels of the invented products ask for follows published generic chemistries: CDC/HICPAC Guideline for
Disinfection and Sterilization in Healthcare Facilities (2008), Table 4, and for the warm one the review by Rutala and
Weber, Infect Dis Clin North Am 30(3) (2016), Table 1. Glutaraldehyde at 35 °C for 5 minutes, which that table prints
too, is a claim for automated reprocessors and stands in no basin.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import msgspec

from firmware.simulator.basin import Bath, Shape
from firmware.simulator.live import Scene
from firmware.simulator.scenario import PlayedBasin
from firmware.simulator.script import DAY_MS, Habits
from soak.quantity import duration_ms, utc_text
from soak.requirement import MAX_GAP_MS

SITE = "Quillmere Clinics"

_BREATH_MS = 500


class ClinicBasin(msgspec.Struct, frozen=True):
    """One basin of the clinic.

    Attributes:
        node: The node beside it.
        name: Its name there.
        label: As people call it.
        place: Where it stands.
        sensors: Ids, the low one first, each with its own error and what its check found, in millidegrees.
        min_temp_c: What its label asks for.
        contact: The contact time on its label.
        max_temp_c: The maximum on its label, if one is printed.
        loads_a_day: How busy it is.
        load_mc: Coolest and warmest ordinary load.
        cold_load_mc: A cold one.
        solution_mc: Temperature to begin with.
        shape: How it takes up and gives off heat.
        scene: What it shows first.
    """

    node: str
    name: str
    label: str
    place: str
    sensors: dict[str, tuple[int, int]]
    min_temp_c: str
    contact: str
    scene: Scene
    max_temp_c: str | None = None
    loads_a_day: int = 7
    load_mc: tuple[int, int] = (20_500, 22_500)
    cold_load_mc: int = 14_500
    solution_mc: int = 22_000
    shape: Shape = Shape()

    def played(self) -> PlayedBasin:
        """As the simulator plays it."""
        habits = Habits(duration_ms(self.contact), self.loads_a_day, self.load_mc, self.cold_load_mc, len(self.sensors))
        offsets = tuple(error for error, _ in self.sensors.values())
        return PlayedBasin(
            self.name,
            self.label,
            habits,
            self.shape,
            solution_mc=self.solution_mc,
            offsets_mc=offsets,
            scene=self.scene,
        )


_WARM = Shape(cooling_s=5_000, mixing_s=90, load_share=0.2, bench_mc=700, bath=Bath(26_800, heating_mc_s=12.0))

CLINIC = (
    ClinicBasin(  # ortho-phthalaldehyde 0.55 %
        "scope-room",
        "b1",
        "Scopes 1",
        "Harbour Lane, scope room",
        {"28-0000072c1a5f": (-90, 100)},
        "20",
        "12m",
        Scene.MET,
        loads_a_day=9,
    ),
    ClinicBasin(  # hydrogen peroxide 7.5 %
        "scope-room",
        "b2",
        "Scopes 2, large",
        "Harbour Lane, scope room",
        {"28-0000072c2b60": (60, 0), "28-0000072c2b91": (-40, 0)},
        "20",
        "30m",
        Scene.UNPLUGGED,
        loads_a_day=6,
        shape=Shape(cooling_s=12_000, mixing_s=600),
    ),
    ClinicBasin(  # ortho-phthalaldehyde 0.55 %
        "ultrasound",
        "b1",
        "Transducers",
        "Harbour Lane, ultrasound room",
        {"28-0000061f30d2": (40, 0)},
        "20",
        "12m",
        Scene.OPENED_EARLY,
        loads_a_day=10,
    ),
    ClinicBasin(  # glutaraldehyde 1.12 % with phenol/phenate 1.93 %
        "ultrasound",
        "b2",
        "Transducers, warm bath",
        "Harbour Lane, ultrasound room",
        {"28-0000061f4477": (-50, 50)},
        "25",
        "20m",
        Scene.SOAKING,
        loads_a_day=10,
        load_mc=(21_000, 24_000),
        cold_load_mc=10_000,
        solution_mc=26_800,
        shape=_WARM,
    ),
    ClinicBasin(  # hydrogen peroxide 7.35 % with peracetic acid 0.23 %
        "treatment",
        "b1",
        "Laryngoscope blades",
        "Mill Street, treatment room",
        {"28-000005e2c013": (0, 0)},
        "20",
        "15m",
        Scene.COLD_CUT,
        loads_a_day=8,
    ),
)
"""Three nodes, five basins, two places."""

CHECKED_U_C = "0.25"
"""U of a sensor that was checked, where the check gave a correction: invented, but of the size that the checks of
`staff_checks` come to."""


def node_names() -> list[str]:
    """The clinic's nodes."""
    return list(dict.fromkeys(basin.node for basin in CLINIC))


def max_gap_ms(speed: int) -> int:
    """Longest pause that still counts as watched: the usual one, or in a fast rehearsal half a second of real time.

    There, five seconds pass while a busy machine takes a breath, and every soak would be unproven for that.
    """
    return max(MAX_GAP_MS, speed * _BREATH_MS)


def write_settings(
    folder: Path,
    broker_port: int,
    *,
    first_ms: int,
    speed: int = 1,
    notify: Sequence[Mapping[str, str]] = (),
    drill_at: str | None = None,
) -> None:
    """Write the settings of collector and nodes, and the scenarios, into `folder`.

    Args:
        folder: The demonstration's data folder.
        broker_port: Where the broker listens on loopback.
        first_ms: Earliest reading that may come, milliseconds since 1970: the requirements hold from the day before.
        speed: The rehearsal's.
        notify: Who is told of alarms, as the collector's settings have it.
        drill_at: When each day's test of their routes begins, local time.
    """
    told: dict[str, Any] = {"drill_at": drill_at} if drill_at and notify else {}
    told["backup"] = {"folder": str(folder / "backups")}
    _write(folder / "collector.toml", {**told, **_collector(broker_port, first_ms, speed), "notify": list(notify)})
    for node in node_names():
        here = folder / node
        here.mkdir(exist_ok=True)
        _write(here / "node.toml", _node(node, here, broker_port, speed))
        played = [msgspec.to_builtins(basin.played()) for basin in CLINIC if basin.node == node]
        _write(here / "scenario.toml", {"basin": played})


def _collector(broker_port: int, first_ms: int, speed: int) -> dict[str, Any]:
    since = utc_text(first_ms - DAY_MS)
    return {
        "site": SITE,
        "broker": {"host": "127.0.0.1", "port": broker_port},
        "basin": [
            {
                "node": basin.node,
                "name": basin.name,
                "label": basin.label,
                "place": basin.place,
                "sensors": {sensor: _terms(found_mc) for sensor, (_, found_mc) in basin.sensors.items()},
                "requirement": {
                    "min_temp_c": basin.min_temp_c,
                    "max_temp_c": basin.max_temp_c,
                    "contact": basin.contact,
                    "max_gap": f"{max_gap_ms(speed) // 1000}s",
                    "since": Moment(since),
                },
            }
            for basin in CLINIC
        ],
    }


def _terms(found_mc: int) -> dict[str, str]:
    return {"correction_c": f"{found_mc / 1000:g}", "u_c": CHECKED_U_C} if found_mc else {"correction_c": "0"}


def _node(node: str, here: Path, broker_port: int, speed: int) -> dict[str, Any]:
    basins = [basin for basin in CLINIC if basin.node == node]
    return {
        "node": node,
        "data_dir": str(here),
        "w1_devices": str(here / "1-wire" / "bus" / "w1" / "devices"),
        "buzzer_pin": 26,
        "broker": {"host": "127.0.0.1", "port": broker_port},
        "basin": [
            {
                "name": basin.name,
                "sensors": list(basin.sensors),
                "lid_pin": 5 + index,
                "button_pin": 12 + index,
                "light": {"red": 16 + 3 * index, "green": 17 + 3 * index, "blue": 18 + 3 * index},
                "max_gap_ms": max_gap_ms(speed),
            }
            for index, basin in enumerate(basins)
        ],
    }


class Moment(str):
    """An RFC 3339 time, which TOML writes without quotes."""

    __slots__ = ()


def _write(path: Path, content: dict[str, Any]) -> None:
    """Write TOML: tables at the top, lists of tables, everything further down inline."""
    plain = {key: each for key, each in content.items() if not isinstance(each, list)}
    lines = [f"{key} = {_toml(each)}" for key, each in plain.items()]
    for key, tables in content.items():
        for table in tables if isinstance(tables, list) else ():
            lines += ["", f"[[{key}]]"]
            lines += [f"{inner} = {_toml(each)}" for inner, each in table.items() if each is not None]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _toml(content: Any) -> str:
    if isinstance(content, Moment):
        return str(content)
    if isinstance(content, dict):
        inside = (f"{json.dumps(key)} = {_toml(each)}" for key, each in content.items() if each is not None)
        return "{ " + ", ".join(inside) + " }"
    if isinstance(content, list | tuple):
        return "[" + ", ".join(map(_toml, content)) + "]"
    return json.dumps(content, ensure_ascii=False)
