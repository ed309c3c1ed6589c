"""The doctor's page."""

from __future__ import annotations

import pytest

from host.doctor import Found, Mark, exit_code, page

CLOCK = Found("clock", Mark.GOOD, "synchronised.")
DISK = Found("disk", Mark.WRONG, "full: readings are lost.", "Make room.")
BROKER = Found("broker", Mark.UNKNOWN, "not tried: no settings.")


def test_what_is_wrong_stands_first_with_what_to_do() -> None:
    assert page("Node n1", [CLOCK, BROKER, DISK]) == (
        "Node n1\n\n"
        "WRONG     disk: full: readings are lost.\n"
        "          -> Make room.\n"
        "NOT SEEN  broker: not tried: no settings.\n"
        "GOOD      clock: synchronised.\n\n"
        "3 looked at: 1 wrong, 1 not seen."
    )


@pytest.mark.parametrize(("found", "code"), [([CLOCK], 0), ([CLOCK, BROKER], 2), ([CLOCK, BROKER, DISK], 1), ([], 0)])
def test_programs_learn_it_from_the_exit_status(found: list[Found], code: int) -> None:
    assert exit_code(found) == code
