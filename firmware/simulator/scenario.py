"""What a simulated node has behind its pins and wires: the scenario file of a rehearsal."""

from __future__ import annotations

import tomllib
from pathlib import Path

import msgspec

from firmware.simulator.basin import Room, Shape
from firmware.simulator.live import Scene
from firmware.simulator.script import Habits
from soak.decoding import converted


class ScenarioError(ValueError):
    """The scenario file cannot be used; the text says why and what would be right."""


class PlayedBasin(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One basin as the simulator plays it.

    Attributes:
        name: As in the node's settings.
        title: As people call it: the talk of the rehearsal uses it.
        habits: How it is used.
        shape: How it takes up and gives off heat.
        room: The room it stands in.
        solution_mc: Temperature of the solution to begin with.
        offsets_mc: Each sensor's own error, in the order of the node's settings; the first lies low, the second high.
        scene: What it shows first.
    """

    name: str
    title: str
    habits: Habits
    shape: Shape = Shape()
    room: Room = Room()
    solution_mc: int = 22_000
    offsets_mc: tuple[int, ...] = (0,)
    scene: Scene | None = None


class Scenario(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Everything behind one simulated node."""

    basins: tuple[PlayedBasin, ...] = msgspec.field(name="basin")

    def basin(self, name: str) -> PlayedBasin:
        """The basin of this name.

        Raises:
            ScenarioError: There is none.
        """
        for basin in self.basins:
            if basin.name == name:
                return basin
        known = ", ".join(basin.name for basin in self.basins)
        raise ScenarioError(f"The settings name basin {name!r}; the scenario has {known}. Add it to the scenario.")


def load_scenario(path: Path) -> Scenario:
    """Read a scenario file (TOML).

    Raises:
        ScenarioError: It cannot be read, is no TOML, or says something that means nothing here.
    """
    try:
        return converted(tomllib.loads(path.read_text()), Scenario)
    except OSError as error:
        raise ScenarioError(f"{path}: cannot be read ({error.strerror}).") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, msgspec.ValidationError) as error:
        raise ScenarioError(
            f"{path}: {error}. `soakledger demo` writes scenarios that work: compare with one."
        ) from None
