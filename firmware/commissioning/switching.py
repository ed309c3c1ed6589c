"""What it means how a part answered while a person tried it out: a switch's levels, what was seen and heard. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from host.doctor import Mark


class Judged(NamedTuple):
    """What it means.

    Attributes:
        mark: How it was found.
        said: One sentence.
        todo: What to do next; empty where nothing is.
    """

    mark: Mark
    said: str
    todo: str = ""


def judge_lid(open_first: bool, shut: bool, open_again: bool) -> Judged:
    """Three levels, each True for a closed contact: the lid was said to be open, then shut, then open again."""
    levels = (open_first, shut, open_again)
    if levels == (False, True, False):
        return Judged(Mark.GOOD, "its switch was seen open, closed and open again.")
    if levels == (True, False, True):
        said = "its switch is inverted: closed while the lid is open. An open lid would count as a closed one."
        return Judged(Mark.WRONG, said, "Put in a switch whose contact closes when the magnet comes near.")
    if levels == (True, True, True):
        said = "its switch never moved: it reads closed for ever. A soak would count with the lid open."
        return Judged(Mark.WRONG, said, "Look for a short in its cable, and for a magnet that holds it.")
    if levels == (False, False, False):
        said = "its switch never moved: it reads open for ever. No soak could be proven."
        return Judged(Mark.WRONG, said, "Check its cable, and bring the magnet closer to it when the lid is on.")
    return Judged(Mark.WRONG, "its switch did not follow the lid each time.", "Bring the magnet closer; try again.")


def judge_button(pressed_first: bool, pressed: bool, pressed_after: bool) -> Judged:
    """The three levels, each True for a closed contact: before, while and after it was pressed."""
    levels = (pressed_first, pressed, pressed_after)
    if levels == (False, True, False):
        return Judged(Mark.GOOD, "its button was seen pressed and let go.")
    if levels == (True, False, True):
        said = "its button is inverted: its contact is closed while nobody presses it."
        return Judged(Mark.WRONG, said, "Put in a button whose contact closes when it is pressed.")
    if levels == (True, True, True):
        return Judged(Mark.WRONG, "its button reads pressed for ever.", "Look for a short in its cable.")
    if levels == (False, False, False):
        return Judged(Mark.WRONG, "its button was not seen pressed.", "Check its cable and its pin in the settings.")
    return Judged(Mark.WRONG, "its button did not follow the finger.", "Check its cable; try again.")


def judge_light(missed: Sequence[str]) -> Judged:
    """The light: which of its colours were not seen."""
    if not missed:
        return Judged(Mark.GOOD, "its light was seen red, green and blue.")
    said = f"its light was not seen {' or '.join(missed)}."
    return Judged(Mark.WRONG, said, "Check that light's pins in the settings, its resistors, and which leg is common.")


def judge_buzzer(*, heard: bool) -> Judged:
    """The buzzer."""
    if heard:
        return Judged(Mark.GOOD, "it was heard.")
    todo = "Check its pin in the settings, its transistor, and its supply."
    return Judged(Mark.WRONG, "it was not heard: alarms would be silent here.", todo)
