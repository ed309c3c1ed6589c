"""`soakledger doctor`: in one page what is wrong with this machine's parts, and what to do."""

from __future__ import annotations

import importlib
import json
import logging
import sys
from collections.abc import Callable
from pathlib import Path

import click

from host.doctor import AS_ADMINISTRATOR, Found, Mark, exit_code, page

PARTS = {
    "node": ("node.toml", "firmware.doctor"),
    "collector": ("collector.toml", "collector.doctor"),
}
"""Each part: its settings file, and the module whose `look(settings, data)` says how it is."""

EXAMPLE_LINE = "# EXAMPLE:"
"""Begins a line of settings that nobody has made theirs; the installer, which imports nothing, knows it by itself."""

_EPILOG = "Exit status: 0 nothing is wrong, 1 something is wrong, 2 something could not be looked at."


@click.command(epilog=_EPILOG)
@click.option(
    "--etc",
    type=click.Path(file_okay=False, path_type=Path, readable=False),
    default=Path("/etc/soakledger"),
    show_default=True,
    help="Folder of the settings files.",
)
@click.option(
    "--var",
    type=click.Path(file_okay=False, path_type=Path, readable=False),
    default=Path("/var/lib/soakledger"),
    show_default=True,
    help="Folder with each part's data folder.",
)
@click.option("--json", "as_json", is_flag=True, help="For programs: a list of what was looked at.")
def command(etc: Path, var: Path, as_json: bool) -> None:
    """Say in one page what is wrong with the node or collector on this machine, and what to do.

    It only looks, and disturbs nothing that runs. As an administrator (sudo) it sees more.
    """
    logging.getLogger().addHandler(logging.NullHandler())  # what the parts log stands on the page already
    found = looked(etc, var)
    if as_json:
        click.echo(json.dumps([each._asdict() for each in found], ensure_ascii=False, indent=1))
    else:
        click.echo(page("What soakledger doctor found on this machine", found))
    sys.exit(exit_code(found))


def looked(etc: Path, var: Path) -> list[Found]:
    """What each part that has a settings file finds; no part can keep another from being looked at."""
    found: list[Found] = []
    for part, (file_name, module) in PARTS.items():
        settings = etc / file_name
        try:
            settings.stat()
        except FileNotFoundError:
            continue
        except OSError as error:
            said = f"it cannot be looked for: {error.strerror}."
            found.append(Found(str(settings), Mark.UNKNOWN, said, AS_ADMINISTRATOR))
            continue
        found += _part(part, module, settings, var / part)
    found = list(dict.fromkeys(found))  # a node and a collector on one machine have one clock
    if not found:
        names = " or ".join(name for name, _ in PARTS.values())
        said = f"there is no {names} in {etc}: nothing is installed here, or its settings lie elsewhere."
        found.append(Found("settings", Mark.UNKNOWN, said, "Name their folder with --etc."))
    return found


def _part(part: str, module: str, settings: Path, data: Path) -> list[Found]:
    try:
        look: Callable[[Path, Path], list[Found]] = importlib.import_module(module).look
    except ImportError as error:
        said = f"its part of this program cannot be loaded ({error})."
        return [Found(part, Mark.UNKNOWN, said, f"Install it: `sudo ./run install {part}`.")]
    try:
        return [*_unmade(part, settings), *look(settings, data)]
    except Exception as error:  # the doctor's own mistake must not hide what the other parts find
        said = f"looking at it failed ({type(error).__name__}: {error})."
        return [Found(part, Mark.UNKNOWN, said, "Report this with the text of this page.")]


def _unmade(part: str, settings: Path) -> list[Found]:
    """Whether nobody has made these settings theirs; that they cannot be read is told by the part itself."""
    try:
        lines = settings.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return []
    if not any(line.startswith(EXAMPLE_LINE) for line in lines):
        return []
    said = f"{settings} is still the example: its basins and sensors are invented, and nothing is started by it."
    todo = f'Make it yours, delete its line that begins with "{EXAMPLE_LINE}", then run `sudo ./run install {part}`.'
    return [Found(f"{part}'s settings", Mark.WRONG, said, todo)]
