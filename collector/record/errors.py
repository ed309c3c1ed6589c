"""What a deed can be answered with instead of being done."""

from __future__ import annotations

from collector.errors import CollectorError


class RefusedError(CollectorError):
    """A deed breaks a rule; nothing was recorded.

    Args:
        rule: The rule's name, e.g. "fill-in-date".
        text: What happened, with the figures, and what it means here.
        next_step: What to do now.
    """

    exit_code = 5

    def __init__(self, rule: str, text: str, next_step: str) -> None:
        super().__init__(f"{text} {next_step}")
        self.rule, self.text, self.next_step = rule, text, next_step


class UnknownThingError(RefusedError):
    """It names something that nobody has recorded."""

    def __init__(self, kind: str, thing_id: str, next_step: str | None = None) -> None:
        super().__init__(
            f"unknown-{kind}",
            f"There is no {kind.replace('-', ' ')} {thing_id[:80]!r}.",
            next_step or f"Scan or type it again; if it is new, record the {kind.replace('-', ' ')} first.",
        )
