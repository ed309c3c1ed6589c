"""What a person is told at the end: what is so, and the next step."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

from install.places import STARTED, Part, started_of
from install.plan import EXAMPLE_LINE


class Outcome(NamedTuple):
    """How it ended.

    Attributes:
        ready: Parts whose settings are the site's own.
        waiting: Parts whose settings are still the example, with their file.
        started: Their units were started and stayed up.
        can_start: systemd runs this machine.
        joined: The node has its login at the broker.
        names: Names under which the pages are reached.
        unknown_names: Those of them that the pages' own settings do not list.
        first_start: There were no data before, so nobody can have been let in.
        examples: New examples that were put beside settings, because they say something that the earlier ones did not.
    """

    ready: tuple[Part, ...]
    waiting: Mapping[Part, str]
    started: bool
    can_start: bool
    joined: bool
    names: tuple[str, ...]
    unknown_names: tuple[str, ...] = ()
    first_start: bool = False
    examples: tuple[str, ...] = ()


def next_steps(outcome: Outcome) -> Iterator[str]:
    """One line or two for each thing."""
    if Part.NODE in (*outcome.ready, *outcome.waiting) and not outcome.joined:
        yield (
            "Next: this node has no login at the broker. On the collector: sudo soakledger enrol NAME. Carry the file "
            "here, then: sudo ./run install node --enrolment FILE"
        )
    for part, file in outcome.waiting.items():
        yield (
            f'Next: edit {file} and delete its line that begins with "{EXAMPLE_LINE}". Then run again: sudo ./run '
            f"install {part}. Until then {STARTED[part][0]} is not started."
        )
    units = started_of(outcome.ready)
    if outcome.started:
        yield f"Running, and started at every boot: {', '.join(units)}. `soakledger doctor` says how they are."
    elif units and outcome.can_start:
        yield f"Not started, as you asked: sudo systemctl restart {' '.join(units)}"
    elif units:
        yield f"systemd does not run here, so nothing was started. At the next boot with it: {', '.join(units)}."
    if outcome.started and Part.COLLECTOR in outcome.ready:
        yield f"Pages: https://{outcome.names[0]}:8443/"
        if outcome.first_start:
            yield (
                "Next: the first administrator: sudo -u soakledger soakledger people --data "
                "/var/lib/soakledger/collector first ID --name NAME"
            )
    if outcome.examples:
        yield (
            f"This version's examples say something new, and lie beside your settings: {', '.join(outcome.examples)}. "
            "Compare, take over what you want, delete them."
        )
    if outcome.unknown_names:
        yield (
            f"Browsers may not come as {', '.join(outcome.unknown_names)} yet: add to names in "
            "/etc/soakledger/dashboard.toml, then: sudo systemctl restart soakledger-dashboard"
        )
