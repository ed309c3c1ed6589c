"""What can stop the node, each with a text that says what to do next and an exit status of its own.

FirmwareError
├── SettingsError   3  the settings file cannot be used
├── OutboxError     4  the readings on disk cannot be used
├── BoardError      5  the pins cannot be used
├── LinkError       6  the broker cannot even be tried
├── StuckError      7  a part of this program that matters stands still
└── JoinError       8  an enrolment cannot be taken in (firmware/enrolment.py)
"""

from __future__ import annotations

from pathlib import Path


class FirmwareError(Exception):
    """Something that stops the node.

    Attributes:
        exit_code: The command's exit status.
    """

    exit_code = 1


class SettingsError(FirmwareError, ValueError):
    """The settings file cannot be used.

    Attributes:
        file: The settings file.
        problem: What is wrong in it, and what would be right.
    """

    exit_code = 3

    def __init__(self, file: Path, problem: str) -> None:
        super().__init__(f"{file}: {problem}")
        self.file, self.problem = file, problem


class OutboxError(FirmwareError):
    """The readings on disk cannot be used, or no more can be written.

    Attributes:
        file: The outbox file.
    """

    exit_code = 4

    def __init__(self, file: Path, problem: str) -> None:
        super().__init__(f"{file}: {problem}")
        self.file = file


class BoardError(FirmwareError):
    """The pins cannot be used."""

    exit_code = 5


class LinkError(FirmwareError):
    """The broker cannot even be tried: a file named for it cannot be used. A broker that is away is no error."""

    exit_code = 6


class StuckError(FirmwareError):
    """A part of this program that matters stands still and cannot be set going again from within.

    Attributes:
        part: Which.
    """

    exit_code = 7

    def __init__(self, part: str, ailment: str) -> None:
        super().__init__(
            f"{part} {ailment}. Readings could be missed unseen, so the node ends; systemd starts it again. If this "
            "comes back, restart the machine and look for errors of its card and its bus in `journalctl -k`."
        )
        self.part = part
