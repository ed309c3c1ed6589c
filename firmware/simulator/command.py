"""`soakledger rehearse`: a node with simulated basins behind the real firmware."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click

from firmware.errors import FirmwareError
from firmware.settings import load
from firmware.simulator.memory import MEMORY_FILE
from firmware.simulator.rehearsed import Rehearsed
from firmware.simulator.scenario import ScenarioError, load_scenario
from host.journal import log_to_stderr
from soak.rehearsal import Rehearsal

_WRONG_SCENARIO = 3


def _simulated_hardware() -> None:
    """Before anything imports the hardware libraries: mock pins, and no kernel module."""
    os.environ["GPIOZERO_PIN_FACTORY"] = "mock"
    os.environ["GPIOZERO_MOCK_PIN_CLASS"] = "mockpwmpin"
    os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"


@contextmanager
def _plain_errors() -> Iterator[None]:
    """One clear line instead of a traceback for what people can mend."""
    try:
        yield
    except FirmwareError as error:
        click.echo(f"soakledger rehearse: {error}", err=True)
        raise SystemExit(error.exit_code) from None
    except ScenarioError as error:
        click.echo(f"soakledger rehearse: {error}", err=True)
        raise SystemExit(_WRONG_SCENARIO) from None


def _rehearsal(_context: click.Context, _option: click.Parameter, text: str) -> Rehearsal:
    try:
        return Rehearsal.parsed(text)
    except ValueError as error:
        raise click.BadParameter(str(error)) from None


@click.command(short_help="A node with simulated basins behind the real firmware.")
@click.option(
    "--settings", "settings_file", required=True, type=click.Path(path_type=Path), help="The node's settings."
)
@click.option("--scenario", "scenario_file", required=True, type=click.Path(path_type=Path), help="What is behind it.")
@click.option("--rehearsal", required=True, callback=_rehearsal, help="The shared clock, as origin:utc:speed.")
@click.option("--history", "history_days", default=0, type=click.IntRange(0, 400), help="Past days a first run sends.")
@click.option("--seed", default=1, show_default=True, help="The same seed gives the same days.")
@click.option(
    "--boots-state",
    "memory_file",
    type=click.Path(path_type=Path),
    help="Where it remembers from one boot to the next.  [default: rehearsal.json in the node's data folder]",
)
def command(
    *,
    settings_file: Path,
    scenario_file: Path,
    rehearsal: Rehearsal,
    history_days: int,
    seed: int,
    memory_file: Path | None,
) -> None:
    """Run a node whose basins, sensors, lids and mishaps are simulated; its firmware is the real one.

    For demonstration, training and tests. What happens is told on standard output. A power cut in the scenario kills
    this process; started again, it goes on as the next boot.
    """
    log_to_stderr()
    _simulated_hardware()
    with _plain_errors():
        settings, scenario = load(settings_file), load_scenario(scenario_file)
        data_dir = Path(settings.data_dir)
        data_dir.mkdir(parents=True, exist_ok=True)
        Rehearsed(
            settings,
            scenario,
            rehearsal,
            seed=seed,
            history_days=history_days,
            memory_file=memory_file or data_dir / MEMORY_FILE,
        ).run()
