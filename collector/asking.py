"""What commands ask people at the terminal for, and how they end."""

from __future__ import annotations

import sys
from typing import NoReturn

import click


def secret_from(what: str, *, twice: bool = False) -> str:
    """A PIN or password: typed unseen at the terminal, or the next line of stdin where there is none.

    Args:
        what: What is asked for.
        twice: Typed a second time at the terminal, so that a slip is noticed.
    """
    if sys.stdin.isatty():
        typed: str = click.prompt(what, hide_input=True, confirmation_prompt=twice, err=True)
        return typed
    return sys.stdin.buffer.readline().decode(errors="replace").rstrip("\r\n")


def fail(name: str, text: str, exit_code: int) -> NoReturn:
    """One line of what is wrong, and out."""
    click.echo(f"soakledger {name}: {text}", err=True)
    sys.exit(exit_code)
