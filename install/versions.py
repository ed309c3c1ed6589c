"""Makes a version the one that is installed: `current`, the command, units and udev rules, all from its own folder."""

from __future__ import annotations

from collections.abc import Iterator

from install.hands import Hands
from install.places import STARTED, UDEV_RULES, Part, Places, units_of
from install.steps import ROOTS_FILE, File, Gone, Link, Step


def steps(places: Places, name: str, parts: tuple[Part, ...]) -> Iterator[Step]:
    """What must be so when a version is installed; doing it twice changes nothing.

    Args:
        places: Where.
        name: The version; its folder is whole.
        parts: What the machine is for.
    """
    folder = places.version(name) / "install"
    units = units_of(parts)
    for unit in units:
        source = folder / "units" / unit
        if source.is_file():  # an older version may be without
            yield File(places.units / unit, source.read_bytes(), ROOTS_FILE)
    if Part.NODE in parts:
        yield File(places.udev / UDEV_RULES, (folder / "udev" / UDEV_RULES).read_bytes(), ROOTS_FILE)
    yield Link(places.current, f"versions/{name}")
    yield Link(places.command, "../../../opt/soakledger/current/venv/bin/soakledger")
    if places.units.is_dir():
        for path in sorted(places.units.glob("soakledger-*")):
            if path.suffix in (".service", ".timer") and not (
                path.name in units and (folder / "units" / path.name).is_file()
            ):
                yield Gone(path)


def parts_installed(places: Places) -> tuple[Part, ...]:
    """What the machine is for, by its units."""
    return tuple(part for part in Part if (places.units / STARTED[part][0]).is_file())


def put(places: Places, hands: Hands, name: str, parts: tuple[Part, ...]) -> None:
    """Do that.

    Raises:
        OSError: The disk refused.
    """
    hands.do(list(steps(places, name, parts)))
