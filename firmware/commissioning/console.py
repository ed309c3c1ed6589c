"""The person at the terminal, as commissioning sees them: told something, asked something, given time to do something.

Lines fit into 80 columns, and every answer is Enter or one letter: a terminal that somebody uses with one glove off.
"""

from __future__ import annotations

import os
import select
import sys
import textwrap
from typing import IO, Protocol

from firmware.errors import FirmwareError

WIDTH = 78


class GoneError(FirmwareError):
    """Nobody answers any more: the terminal was closed."""

    exit_code = 8

    def __init__(self) -> None:
        super().__init__(
            "Nobody answers: the terminal was closed. Nothing was filed; run `soakledger commission` again."
        )


class Console(Protocol):
    """What commissioning needs of the terminal."""

    def say(self, text: str) -> None:
        """Tell something."""

    def ask(self, question: str) -> str:
        """Ask something and wait for the answer: a line, without what surrounds it.

        Raises:
            GoneError: Nobody answers any more.
        """

    def typed(self, within_s: float) -> str | None:
        """A line that is typed within so many seconds; None if none is.

        Raises:
            GoneError: Nobody answers any more.
        """

    def show(self, text: str) -> None:
        """Show how it goes, in the place of what was shown last; an empty text ends that."""


class Terminal:
    """The real one.

    Args:
        out: Where it is written.
        descriptor: Where lines come from.
    """

    def __init__(self, out: IO[str] | None = None, descriptor: int = 0) -> None:
        self._out, self._in = out or sys.stdout, descriptor
        self._unread = b""
        self._shown = False

    def say(self, text: str) -> None:
        for paragraph in text.split("\n"):
            indent = " " * (len(paragraph) - len(paragraph.lstrip()))
            lines = textwrap.wrap(paragraph, WIDTH, subsequent_indent=indent, break_on_hyphens=False) or [""]
            self._write("\n".join(lines) + "\n")

    def ask(self, question: str) -> str:
        lines = textwrap.wrap(question, WIDTH - 8, break_on_hyphens=False)
        self._write("\n".join(lines) + " ")
        while (line := self.typed(3_600.0)) is None:
            pass
        return line

    def typed(self, within_s: float) -> str | None:
        if b"\n" not in self._unread:
            ready, _, _ = select.select([self._in], [], [], within_s)
            if not ready:
                return None
            try:
                read = os.read(self._in, 4_096)
            except OSError:  # of a terminal that was closed Linux says EIO, not that it ends
                raise GoneError from None
            if not read:
                raise GoneError
            self._unread += read
        line, found, rest = self._unread.partition(b"\n")
        if not found:
            return None
        self._unread = rest
        return line.decode(errors="replace").strip()

    def show(self, text: str) -> None:
        if not self._out.isatty():
            return
        if text:
            self._write("\r" + text[:WIDTH].ljust(WIDTH))
        elif self._shown:
            self._write("\r" + " " * WIDTH + "\r")
        self._shown = bool(text)

    def _write(self, text: str) -> None:
        try:
            self._out.write(text)
            self._out.flush()
        except OSError:
            raise GoneError from None


def yes(console: Console, question: str) -> bool | None:
    """Ask whether something is so: True, False, None for skipped. Enter alone is no answer: nobody may have looked."""
    while True:
        answer = console.ask(f"{question} [y = yes, n = no, s = skip]").lower()
        if answer in ("y", "yes"):
            return True
        if answer in ("n", "no"):
            return False
        if answer in ("s", "skip"):
            return None
        console.say("Please type y, n or s, and press Enter.")
