"""What is asked of systemd, by answers as `systemctl` of systemd 252 gives them; no test starts a real unit."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from install.hands import Hands
from install.services import Systemd
from install.steps import Run

UNIT = "soakledger-node.service"


class Answers(Hands):
    """systemctl says how a unit is: each state once, the last for ever."""

    def __init__(self, *states: str, restarts: Iterator[int] | None = None) -> None:
        super().__init__(accounts=False)
        self._states, self._restarts = list(states), restarts

    def run(self, step: Run, *_arguments: object, **_named: object) -> str:
        if "show" in step.argv:
            return f"NRestarts={next(self._restarts) if self._restarts else 0}\n"
        if "is-enabled" in step.argv:
            return "disabled\n" if "other" in step.argv[-1] else "enabled\n"
        assert step.argv[1] == "is-active"
        return f"{self._states.pop(0) if len(self._states) > 1 else self._states[0]}\n"


@pytest.mark.parametrize(
    ("state", "runs", "up"),
    [
        ("active", True, True),
        ("activating", True, False),  # also between two attempts: SubState=auto-restart
        ("failed", False, False),
        ("inactive", False, False),
    ],
)
def test_a_unit_that_is_tried_again_and_again_is_not_up(state: str, runs: bool, up: bool) -> None:
    services = Systemd(Answers(state))
    assert (services.running([UNIT]), services.up([UNIT])) == ((UNIT,) * runs, (UNIT,) * up)


def test_what_starts_at_boot_is_asked_of_systemctl() -> None:
    services = Systemd(Answers("active"))
    assert (services.at_boot(UNIT), services.at_boot("other.service")) == (True, False)


def test_what_stays_up_has_no_trouble_and_is_watched_for_long_enough() -> None:
    slept: list[float] = []
    assert Systemd(Answers("active"), sleep=slept.append).trouble([UNIT]) == ""
    assert sum(slept) >= 15


def test_what_falls_or_was_started_anew_has_not_stayed_up() -> None:
    fallen = Systemd(Answers("active", "active", "failed"), sleep=lambda _s: None).trouble([UNIT])
    assert fallen == f"{UNIT} did not stay up (it is failed). `journalctl -u {UNIT}` says why."
    anew = Answers("active", restarts=iter([0, 0, 1]))
    assert Systemd(anew, sleep=lambda _s: None).trouble([UNIT]).startswith(f"{UNIT} did not stay up")
