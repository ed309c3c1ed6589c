"""Runs a command that ends when whoever started it does: `python -m firmware.simulator.tethered PARENT COMMAND …`.

So that a demonstration that is killed leaves nothing running behind it. The tether survives exec; it is Linux's own
(prctl(2), PR_SET_PDEATHSIG), and elsewhere the command runs without it.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys

_PR_SET_PDEATHSIG = 1  # linux/prctl.h


def main(parent: int, command: list[str]) -> None:
    """Tie this process to its parent and become `command`."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)
        if os.getppid() != parent:  # it ended before the knot was tied
            sys.exit(1)
    os.execvp(command[0], command)  # noqa: S606 - a command of our own


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2:])
