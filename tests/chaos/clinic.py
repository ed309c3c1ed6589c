"""An invented clinic of so many nodes and basins: what is written into its settings files."""

from __future__ import annotations

import os
from pathlib import Path
from typing import NamedTuple

import msgspec

from collector.settings import Settings
from collector.settings import load as load_collector
from firmware.simulator.basin import Room
from firmware.simulator.broker import LOOPBACK
from firmware.simulator.clinic import max_gap_ms
from firmware.simulator.scenario import PlayedBasin, Scenario
from firmware.simulator.script import DAY_MS, Habits
from soak.quantity import utc_text
from soak.rehearsal import Rehearsal
from tests.chaos.program import CONTACT_MS

COLD_EVERY = 5
"""Every fifth basin stands in a cold room with a cold solution: nothing in it is ever met."""

_MOST_PINS = 20


class Spot(NamedTuple):
    """One basin.

    Attributes:
        node: Its node.
        basin: Its name there.
        sensor: Its one sensor.
        cold: Nothing in it can be met.
    """

    node: str
    basin: str
    sensor: str
    cold: bool


class Clinic:
    """The clinic in a folder.

    Args:
        folder: Exists and is empty.
        nodes: How many.
        basins: How many in all, spread over the nodes.
        rehearsal: The clock that all parts share.
    """

    def __init__(self, folder: Path, nodes: int, basins: int, rehearsal: Rehearsal) -> None:
        self.folder, self.rehearsal = folder, rehearsal
        self.data_dir = folder / "collector"
        self.nodes = [f"n{number}" for number in range(1, nodes + 1)]
        self.spots = [
            Spot(self.nodes[index % nodes], f"b{index // nodes + 1}", f"28-{index + 1:012x}", _cold(index))
            for index in range(basins)
        ]

    def node_dir(self, node: str) -> Path:
        """A node's data folder."""
        return self.folder / node

    def taps(self, node: str) -> Path:
        """Where a node writes down what it did."""
        return self.folder / "taps" / node

    @property
    def silence(self) -> Path:
        """When this file is there, the nodes take no more readings."""
        return self.folder / "silence"

    def settings(self) -> Settings:
        """The collector's settings."""
        return load_collector(self.folder / "collector.toml")

    def write(self, broker_port: int, proxy_port: int) -> None:
        """Write the settings of collector and nodes: these reach the broker through the proxy."""
        gap_ms = max_gap_ms(self.rehearsal.speed)
        since = utc_text(self.rehearsal.utc_origin_ms - DAY_MS)
        lines = ['site = "Clinic at the Weir"', "[broker]", f'host = "{LOOPBACK}"', f"port = {broker_port}"]
        for spot in self.spots:
            lines += [
                "[[basin]]",
                f'node = "{spot.node}"',
                f'name = "{spot.basin}"',
                f'label = "Basin {spot.node} {spot.basin}"',
                f'sensors = {{ "{spot.sensor}" = {{ u_c = "0.5" }} }}',
                f'requirement = {{ min_temp_c = "20", contact = "{CONTACT_MS // 1000}s", '
                f'max_gap = "{gap_ms // 1000}s", since = {since} }}',
            ]
        (self.folder / "collector.toml").write_text("\n".join(lines) + "\n")
        for node in self.nodes:
            self._write_node(node, proxy_port, gap_ms)

    def _write_node(self, node: str, proxy_port: int, gap_ms: int) -> None:
        here = self.node_dir(node)
        here.mkdir()
        self.taps(node).mkdir(parents=True)
        lines = [
            f'node = "{node}"',
            f'data_dir = "{here}"',
            f'w1_devices = "{here / "1-wire" / "bus" / "w1" / "devices"}"',
            "[broker]",
            f'host = "{LOOPBACK}"',
            f"port = {proxy_port}",
        ]
        spots = [spot for spot in self.spots if spot.node == node]
        for index, spot in enumerate(spots):
            lines += [
                "[[basin]]",
                f'name = "{spot.basin}"',
                f'sensors = ["{spot.sensor}"]',
                f"lid_pin = {5 + index % _MOST_PINS}",
                f"max_gap_ms = {gap_ms}",
            ]
        (here / "node.toml").write_text("\n".join(lines) + "\n")
        scenario = Scenario(tuple(_played(spot) for spot in spots))
        (here / "scenario.json").write_bytes(msgspec.json.encode(scenario))


def _cold(index: int) -> bool:
    return index % COLD_EVERY == COLD_EVERY - 1


def _played(spot: Spot) -> PlayedBasin:
    solution_mc, room_mc = (16_000, 16_000) if spot.cold else (23_500, 24_000)
    room = Room(day_mc=room_mc, night_mc=room_mc, cold_night_mc=room_mc)
    loads_mc = (15_000, 17_000) if spot.cold else (22_500, 24_500)
    return PlayedBasin(spot.basin, spot.basin, Habits(CONTACT_MS, load_mc=loads_mc), room=room, solution_mc=solution_mc)


def mosquitto_configuration(folder: Path, port: int, *, kept: bool) -> str:
    """Of a Mosquitto on loopback.

    Args:
        folder: For its store.
        port: Where it listens.
        kept: With a store on disk and the queue that is recommended; else without a store and with the queue of at
            most 1,000 messages for a client that Mosquitto has unless told otherwise.
    """
    lines = [f"listener {port} {LOOPBACK}", "allow_anonymous true", "set_tcp_nodelay true", "log_dest stderr"]
    if kept:
        lines += ["persistence true", f"persistence_location {folder}/", "max_queued_messages 1000000"]
        lines += ["autosave_on_changes true", "autosave_interval 100"]
    else:
        lines.append("persistence false")
    if os.geteuid() == 0:
        lines.append("user root")  # else it changes to a user who cannot write to this folder
    return "\n".join(lines) + "\n"
