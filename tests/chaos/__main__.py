"""`./run chaos`: kills at random, a bad line, and then nothing is lost. The last line: `N passed, N failed`."""

from __future__ import annotations

import argparse
import secrets
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path
from typing import NoReturn

from tests.chaos.campaign import Campaign, Plan
from tests.chaos.checks import Outcome
from tests.chaos.rig import RigError

_SECONDS_A_KILL = 2.2
_BASINS_A_NODE = 4
_ENDS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


def main() -> int:
    """The command; returns its exit status: 1 if a check failed."""
    parser = argparse.ArgumentParser(prog="./run chaos", description=__doc__)
    parser.add_argument("--kills", type=int, default=200, help="how many kill -9 of node, broker, collector, dashboard")
    parser.add_argument("--seed", type=int, help="who is killed when, and the weather; a new one if not given")
    parser.add_argument("--basins", type=int, default=20, help="simulated basins, four to a node (20)")
    parser.add_argument("--minutes", type=float, help="over how many minutes the kills are spread")
    options = parser.parse_args()
    if options.kills < 0 or options.basins < 1:
        parser.error("there must be a basin at least, and no less than 0 kills")
    seed = secrets.randbelow(1_000_000) if options.seed is None else options.seed
    seconds = _SECONDS_A_KILL * options.kills if options.minutes is None else options.minutes * 60
    nodes = -(-options.basins // _BASINS_A_NODE)
    for number in _ENDS:
        signal.signal(number, _interrupt)
    return _play(Plan(options.kills, seed, options.basins, nodes, seconds))


def _interrupt(*_: object) -> NoReturn:
    for number in _ENDS:
        signal.signal(number, signal.SIG_IGN)  # stopping takes some seconds: asking twice must not leave it half done
    raise KeyboardInterrupt


def _play(plan: Plan) -> int:
    folder = Path(tempfile.mkdtemp(prefix="soakledger-chaos-"))
    began_s = time.monotonic()
    print(
        f"seed {plan.seed}: {plan.kills} kills, {plan.nodes} nodes, {plan.basins} basins, {plan.seconds:.0f} s",
        flush=True,
    )
    failed = True
    try:
        outcomes = Campaign(plan, folder, lambda line: print(f"  {line}", flush=True)).run()
        failed = any(outcome.problems for outcome in outcomes)
    except KeyboardInterrupt:
        failed = False
        print("interrupted: everything is stopped", file=sys.stderr)
        return 130
    except RigError as error:
        outcomes = [Outcome("the clinic comes up", [str(error)])]
    finally:
        if failed:
            print(f"everything is kept in {folder}", flush=True)
        else:
            shutil.rmtree(folder, ignore_errors=True)
    for outcome in outcomes:
        print(outcome.line())
    again = f"--kills {plan.kills} --seed {plan.seed} --basins {plan.basins} --minutes {plan.seconds / 60:.2f}"
    print(f"again with: ./run chaos {again}")
    print(f"{time.monotonic() - began_s:.0f} s")
    count = sum(bool(outcome.problems) for outcome in outcomes)
    print(f"{len(outcomes) - count} passed, {count} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
