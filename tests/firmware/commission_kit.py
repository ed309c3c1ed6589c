"""Somebody at the terminal who does as asked: warms sensors, moves lids, presses buttons, answers questions."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from gpiozero import Device
from node_kit import SpeedyClock, Tree

A, B, C = "28-00000000000a", "28-00000000000b", "28-00000000000c"
BOOT = "9f6c2d1e-4b3a-4c5d-8e7f-0a1b2c3d4e5f"
ROOM, HAND = 21 * 16, 27 * 16
"""Sixteenths of a degree."""


def clock(speed: int = 10) -> SpeedyClock:
    return SpeedyClock(BOOT, speed)


def settings_text(port: int, *, node: str = "room-3", first: str = A, more: str = "", login: str = "") -> str:
    return f"""\
node = "{node}"  # the first floor
data_dir = "data"
w1_devices = "w1"
buzzer_pin = 18
[broker]
host = "127.0.0.1"
port = {port}
{login}
[[basin]]
name = "b1"
sensors = ["{first}"]   # the blue cable
lid_pin = 17
button_pin = 27
light = {{ red = 5, green = 6, blue = 13 }}
{more}"""


SECOND = f"""
[[basin]]
name = "b2"
lid_pin = 22
sensors = ["{B}"]
"""


Answer = str | Callable[[], str | None]


class Person:
    """A `Console` with a person behind it.

    Args:
        tree: The 1-Wire tree whose sensors they warm.
        answers: By a part of what is said, what they answer to it; the first that fits. A callable does something and
            gives the answer. What fits nothing is answered with Enter.
    """

    def __init__(self, tree: Tree, answers: dict[str, Answer] | None = None) -> None:
        self.said: list[str] = []
        self.shown: list[str] = []
        self._tree, self._answers = tree, answers or {}
        self._asked = ""

    def say(self, text: str) -> None:
        self.said.append(text)
        self._asked = text

    def show(self, text: str) -> None:
        self.shown.append(text)

    def ask(self, question: str) -> str:
        self.said.append(question)
        assert self.said.count(question) < 6, f"asked again and again: {self.text[-800:]}"
        return self._answer(question) or ""

    def typed(self, within_s: float) -> str | None:
        time.sleep(min(within_s, 0.002))
        asked, self._asked = self._asked, ""
        return self._answer(asked) if asked else None

    def _answer(self, question: str) -> str | None:
        for part, answer in self._answers.items():
            if part in question:
                return answer() if callable(answer) else answer
        return None

    @property
    def text(self) -> str:
        return "\n".join(self.said)


def contact(number: int, *, closed: bool) -> Callable[[], None]:
    """Move a switch; nothing is typed."""

    def move() -> None:
        one = Device.pin_factory.pin(number)
        if closed:
            one.drive_low()
        else:
            one.drive_high()

    return move


def warms(tree: Tree, sensor: str, *, cools: str = "") -> Callable[[], str]:
    """Take a sensor into the hand, then press Enter."""

    def hold() -> str:
        if cools:
            tree.set(cools, ROOM)
        tree.set(sensor, HAND)
        return ""

    return hold


def willing(tree: Tree) -> dict[str, Answer]:
    """Everything as asked, at basin b1 of a node that is wired as its settings say."""
    return {
        "Hold it, then": warms(tree, A),
        "Open the lid of basin b1": contact_then(17, closed=False),
        "put the lid on": contact(17, closed=True),
        "open it again": contact(17, closed=False),
        "Press the button": contact(27, closed=True),
        "let go": contact(27, closed=False),
        "show ": "y",
        "hear the buzzer": "y",
        "Your name": "R. Castell",
    }


def one_after_the_other(*acts: Callable[[], str]) -> Callable[[], str]:
    """Another one each time."""
    left = iter(acts)

    def act() -> str:
        return next(left)()

    return act


def contact_then(number: int, *, closed: bool) -> Callable[[], str]:
    move = contact(number, closed=closed)

    def done() -> str:
        move()
        return ""

    return done


def folder(path: Path, text: str) -> Path:
    """A settings file with its data folder beside it."""
    file = path / "node.toml"
    file.write_text(text)
    (path / "data").mkdir(exist_ok=True)
    return file
