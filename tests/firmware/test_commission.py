"""`soakledger commission` from the bus to the broker, with a person at the terminal who does as asked, or does not."""

from __future__ import annotations

import fcntl
import io
import os
import pty
import re
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from commission_kit import (
    HAND,
    ROOM,
    SECOND,
    A,
    Answer,
    B,
    C,
    Person,
    clock,
    contact,
    folder,
    one_after_the_other,
    settings_text,
    warms,
    willing,
)
from gpiozero import Device
from gpiozero.pins.mock import MockFactory
from node_kit import Receiver, Running, Tree, orders_for

from firmware.checkup.running import RunningError, keep_node_away, lock_file
from firmware.commissioned import FILE_NAME, filed
from firmware.commissioning.command import commission
from firmware.commissioning.console import GoneError, Terminal
from firmware.commissioning.guide import replace_settings
from firmware.errors import SettingsError
from firmware.settings import load
from soak import wire
from soak.wire import Commissioned

pytestmark = pytest.mark.usefixtures("pins")


@pytest.fixture
def bus(tmp_path: Path) -> Tree:
    """Sensors A and B, at room temperature."""
    tree = Tree(tmp_path / "w1")
    tree.set(A, ROOM)
    tree.set(B, ROOM)
    return tree


def done(file: Path, person: Person, *, by: str | None = None, write: bool = False) -> Commissioned:
    commission(file, person, clock(), by=by, write=write)
    found = filed(file.parent / "data").commissioned
    assert found is not None
    return found


def marks(found: Commissioned, code: str) -> list[str]:
    return [each.mark for each in found.checks if each.code == code]


def said(found: Commissioned, code: str) -> str:
    return " ".join(each.said for each in found.checks if each.code == code)


def test_everything_as_asked_is_good_and_filed(
    tmp_path: Path, bus: Tree, broker_port: int, receiver: Callable[..., Receiver]
) -> None:
    ear = receiver(broker_port, "room-3", answers_states=True)
    sender = wire.Sender("e1", "r1", "2023-11-14T22:00:00.000Z", "2023-11-14T22:13:20.000Z")
    ear.publish(wire.Topic.ORDERS, orders_for({"b1": [A]}, sender=sender))
    file = folder(tmp_path, settings_text(broker_port))
    person = Person(bus, willing(bus))
    found = done(file, person)
    assert (found.by, found.synced) == ("R. Castell", True)
    good = ["bus", "sensor", "lid", "button", "light", "buzzer", "clock", "disk", "broker", "receipt", "orders"]
    assert {code: marks(found, code) for code in good} == {code: ["good"] for code in good}, person.text
    assert "was warmed by hand and rose by 6.0 °C" in said(found, "sensor")
    assert marks(found, "sensors") == ["note"], "B hangs on the bus for nothing"
    assert found.figures.keys() == {"broker-answer-ms", "collector-answer-ms", "disk-write-ms", "disk-free-mb"}
    assert [state.up for state in ear.states] == [False], "it says what is so: the node is not up"
    assert stat.S_IMODE((tmp_path / "data" / FILE_NAME).stat().st_mode) == 0o600
    assert f"  {A}    21.00 °C   basin b1" in person.said
    assert f"Filed in {tmp_path}/data/{FILE_NAME}, by R. Castell." in person.text
    assert "Start it: sudo systemctl start soakledger-node" in person.text


def test_a_collector_that_does_not_answer_is_wrong(
    tmp_path: Path, bus: Tree, broker_port: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("firmware.checkup.broker.ANSWER_S", 0.3)
    skipping: dict[str, Answer] = {"Your name": "Somebody", "[": "s"}
    found = done(folder(tmp_path, settings_text(broker_port, node="commission-2")), Person(bus, skipping))
    assert marks(found, "broker") == ["good"]
    assert marks(found, "receipt") == ["wrong"]
    assert marks(found, "orders") == ["not seen"]
    assert "collector-answer-ms" not in found.figures


def test_every_step_can_be_skipped_and_is_then_never_good(tmp_path: Path, bus: Tree) -> None:
    skipping: dict[str, Answer] = {"Your name": "Somebody", "[": "s"}
    file = folder(tmp_path, settings_text(1))
    found = done(file, Person(bus, skipping))
    for code in ("sensor", "lid", "button", "light", "buzzer"):
        assert marks(found, code) == ["skipped"], code
    assert said(found, "lid") == "not tried."


def test_another_sensor_than_the_settings_say_is_wrong(tmp_path: Path, bus: Tree) -> None:
    person = Person(bus, willing(bus) | {"Hold it, then": warms(bus, B)})
    found = done(folder(tmp_path, settings_text(1)), person)
    assert marks(found, "sensor") == ["wrong"]
    assert f"{B} was warmed" in said(found, "sensor")
    assert f"the settings have {A} in basin b1." in said(found, "sensor")
    assert load(tmp_path / "node.toml").basins[0].sensors == (A,)


def test_two_warmed_together_are_asked_for_again(tmp_path: Path, bus: Tree) -> None:
    def both() -> str:
        bus.set(A, HAND)
        bus.set(B, HAND)
        return ""

    def one() -> str:
        bus.set(A, HAND + 4 * 16)
        bus.set(B, ROOM)
        return ""

    person = Person(bus, willing(bus) | {"Hold it, then": one_after_the_other(both, one), "try again": ""})
    found = done(folder(tmp_path, settings_text(1)), person)
    assert f"{A} and {B} rose together: hold one alone, and let the other cool." in person.said
    assert marks(found, "sensor") == ["good"]


def test_a_swap_of_two_basins_is_written_down_and_nothing_else_changes(tmp_path: Path, bus: Tree) -> None:
    text = settings_text(1, more=SECOND)
    file = folder(tmp_path, text)
    file.chmod(0o640)
    held = one_after_the_other(warms(bus, B), warms(bus, A, cools=B))
    person = Person(bus, willing(bus) | {"Hold it, then": held, "of basin b2, then": "s"})
    found = done(file, person, write=True)
    assert marks(found, "sensor") == ["good", "good"], person.text
    assert marks(found, "settings") == ["good"]
    assert file.read_text() == text.replace(A, "x").replace(B, A).replace("x", B)
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    assert sorted(each.name for each in tmp_path.iterdir()) == ["data", "node.toml", "w1"], "no draft stays"


def test_what_cannot_be_written_is_given_to_be_pasted(tmp_path: Path, bus: Tree) -> None:
    text = settings_text(1).replace(f'["{A}"]', f'[\n  "{A}",\n]')
    file = folder(tmp_path, text)
    person = Person(bus, willing(bus) | {"Hold it, then": warms(bus, B)})
    found = done(file, person, write=True)
    assert marks(found, "settings") == ["wrong"]
    assert f'  in the [[basin]] named b1:   sensors = ["{B}"]' in person.said
    assert file.read_text() == text


def test_settings_that_the_node_would_refuse_are_never_put_in_place(tmp_path: Path) -> None:
    text = settings_text(1, more=SECOND)
    file = folder(tmp_path, text)
    with pytest.raises(SettingsError, match="given twice"):
        replace_settings(file, text.replace(B, A))
    assert file.read_text() == text
    assert sorted(each.name for each in tmp_path.iterdir()) == ["data", "node.toml"]


def test_one_sensor_cannot_be_in_two_basins(tmp_path: Path, bus: Tree) -> None:
    holds = iter([HAND, HAND + 5 * 16])

    def hold() -> str:
        bus.set(A, next(holds))
        return ""

    person = Person(bus, willing(bus) | {"Hold it, then": hold, "try again": "n", "lid of basin b2": "s"})
    found = done(folder(tmp_path, settings_text(1, more=SECOND)), person)
    assert marks(found, "sensor") == ["good", "wrong"]
    assert f"{A} was warmed before, for basin b1: it cannot be both." in person.said


@pytest.mark.parametrize(
    ("moves", "mark", "words"),
    [
        ((False, True, False), "good", "open, closed and open again"),
        ((True, False, True), "wrong", "inverted"),
        ((False, False, False), "wrong", "open for ever"),
        ((True, True, True), "wrong", "closed for ever"),
    ],
)
def test_the_lid_switch_as_it_is_wired(
    tmp_path: Path, bus: Tree, moves: tuple[bool, bool, bool], mark: str, words: str
) -> None:
    def then_enter(closed: bool) -> Callable[[], str]:
        def move() -> str:
            contact(17, closed=closed)()
            return ""

        return move

    first, second, third = map(then_enter, moves)
    answers = {"Open the lid of basin b1": first, "put the lid on": second, "open it again": third}
    found = done(folder(tmp_path, settings_text(1)), Person(bus, willing(bus) | {"Hold it, then": "s"} | answers))
    assert marks(found, "lid") == [mark]
    assert words in said(found, "lid")


def test_what_was_not_seen_or_heard_is_wrong(tmp_path: Path, bus: Tree, pins: MockFactory) -> None:
    lit: list[tuple[float, ...]] = []

    def look() -> str:
        lit.append(tuple(pins.pin(number).state for number in (5, 6, 13)))
        return "n" if len(lit) == 2 else "y"

    person = Person(bus, willing(bus) | {"Hold it, then": "s", "show ": look, "hear the buzzer": "n"})
    found = done(folder(tmp_path, settings_text(1)), person)
    assert lit == [(1, 0, 0), (0, 1, 0), (0, 0, 1)]
    assert (marks(found, "light"), said(found, "light")) == (["wrong"], "its light was not seen green.")
    assert marks(found, "buzzer") == ["wrong"]
    assert [each.state for each in pins.pin(18).states].count(True) == 3


def test_enter_alone_is_no_answer_to_what_somebody_should_have_seen(tmp_path: Path, bus: Tree) -> None:
    answers = iter(["", "maybe", "y", "y", "y"])
    person = Person(bus, willing(bus) | {"Hold it, then": "s", "show ": lambda: next(answers)})
    found = done(folder(tmp_path, settings_text(1)), person)
    assert person.said.count("Please type y, n or s, and press Enter.") == 2
    assert marks(found, "light") == ["good"]


def test_an_empty_bus_says_which_line_goes_where_and_the_rest_goes_on(tmp_path: Path) -> None:
    tree = Tree(tmp_path / "w1")
    found = done(folder(tmp_path, settings_text(1)), Person(tree, willing(tree)))
    assert marks(found, "bus") == ["wrong"]
    assert marks(found, "sensor") == ["not seen"]
    assert marks(found, "lid") == ["good"]
    assert marks(found, "broker") == ["wrong"]


def test_a_sensor_that_answers_nothing_is_named(tmp_path: Path, bus: Tree) -> None:
    bus.set(B, "")
    person = Person(bus, willing(bus))
    found = done(folder(tmp_path, settings_text(1)), person)
    assert (marks(found, "answer"), said(found, "answer")) == (["wrong"], f"{B}: it does not answer.")


def test_pins_that_cannot_be_used_are_told_and_the_rest_goes_on(
    tmp_path: Path, bus: Tree, monkeypatch: pytest.MonkeyPatch
) -> None:
    def busy(_number: int) -> None:
        raise RuntimeError("GPIO busy")

    monkeypatch.setattr(Device.pin_factory, "pin", busy)
    found = done(folder(tmp_path, settings_text(1)), Person(bus, willing(bus)))
    assert marks(found, "pins") == ["wrong"]
    assert marks(found, "lid") == ["not seen"]
    assert marks(found, "disk") == ["good"]


def test_a_running_node_is_not_disturbed(
    tmp_path: Path, bus: Tree, broker_port: int, wait_until: Callable[..., None]
) -> None:
    file = folder(tmp_path, settings_text(broker_port, node="commission-1"))
    running = Running(load(file), clock())
    try:
        wait_until(lambda: lock_file(tmp_path / "data").exists())
        with pytest.raises(RunningError, match="sudo systemctl stop soakledger-node"):
            commission(file, Person(bus), clock(), by="x", write=False)
    finally:
        running.stop()
    assert running.failure is None
    assert filed(tmp_path / "data").commissioned is None


def test_no_node_starts_meanwhile(tmp_path: Path) -> None:
    lock = lock_file(tmp_path)
    lock.touch()
    with keep_node_away(tmp_path), lock.open() as other, pytest.raises(BlockingIOError):
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
    with lock.open() as other:
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)


def test_where_there_are_no_settings_they_are_begun(tmp_path: Path, bus: Tree, monkeypatch: pytest.MonkeyPatch) -> None:
    bus.set(C, ROOM)
    monkeypatch.setattr("firmware.commissioning.command.W1_DEVICES", str(bus.folder))
    monkeypatch.setattr("firmware.settings.W1_DEVICES", str(bus.folder))
    monkeypatch.setattr("firmware.commissioning.command.DATA_DIR", str(tmp_path / "data"))
    first = {"Name of this node": iter(["Room 3", "collector", "room-3"]), "address of the broker": iter(["127.0.0.1"])}
    answers = {part: (lambda it=it: next(it)) for part, it in first.items()}
    person = Person(bus, {**answers, "Your name": "Somebody", "[": "s"})
    file = tmp_path / "new" / "node.toml"
    commission(file, person, clock(), by=None, write=False)
    made = load(file)
    assert (made.node, [basin.name for basin in made.basins]) == ("room-3", ["b1", "b2", "b3"])
    assert filed(tmp_path / "data").commissioned is not None
    assert stat.S_IMODE(file.stat().st_mode) == 0o640


def test_without_settings_and_without_a_bus_it_says_what_is_missing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("firmware.commissioning.command.W1_DEVICES", str(tmp_path / "none"))
    with pytest.raises(SettingsError, match=r"dtoverlay=w1-gpio,gpiopin=4.*config\.txt"):
        commission(tmp_path / "node.toml", Person(Tree(tmp_path / "w1")), clock(), by="x", write=False)
    assert not (tmp_path / "node.toml").exists()


# -------------------------------------------------------------------------------------------------------- the terminal


def test_a_terminal_that_is_closed_is_told_and_nothing_else_fails() -> None:
    """A connection that breaks off, a window that is shut."""
    ours, theirs = os.openpty()
    with os.fdopen(theirs, "w+b", buffering=0) as held:
        terminal = Terminal(io.TextIOWrapper(held, write_through=True), theirs)
        os.close(ours)
        with pytest.raises(GoneError):
            terminal.typed(5)
        with pytest.raises(GoneError):
            terminal.say("Hold it.")


def test_lines_come_as_they_are_typed_and_the_end_is_told() -> None:
    read, write = os.pipe()
    try:
        terminal = Terminal(io.StringIO(), read)
        assert terminal.typed(0) is None
        os.write(write, b"y\nn")
        assert terminal.typed(1) == "y"
        assert terminal.typed(0) is None
        os.write(write, "é\r\n".encode())
        assert terminal.typed(1) == "né"
    finally:
        os.close(write)
    with pytest.raises(GoneError):
        terminal.typed(1)
    os.close(read)


def test_on_a_real_terminal_of_eighty_columns(tmp_path: Path) -> None:
    """The command itself, in a pseudo-terminal, every step skipped."""
    Tree(tmp_path / "w1").set(A, ROOM)
    file = folder(tmp_path, settings_text(1))
    ours, theirs = pty.openpty()
    words = [sys.executable, "-m", "soakledger", "commission", "--settings", str(file), "--by", "R. Castell"]
    with subprocess.Popen(words, stdin=theirs, stdout=theirs, stderr=theirs, close_fds=True) as process:
        os.close(theirs)
        shown, answered = b"", 0
        while True:
            try:
                piece = os.read(ours, 4_096)
            except OSError:  # EIO: it has ended
                break
            shown += piece
            if shown.rstrip().endswith(b"]") and len(shown) > answered:
                os.write(ours, b"s\n")
                answered = len(shown) + 3
        assert process.wait(30) == 1
    os.close(ours)
    text = shown.decode().replace("\r\n", "\n")
    assert "Traceback" not in text
    assert max(len(line) for line in re.split(r"[\r\n]", text)) <= 80
    assert "SKIPPED: not tried." in text
    found = filed(tmp_path / "data").commissioned
    assert found is not None
    assert found.by == "R. Castell"
    assert [each.code for each in found.checks if each.mark == "skipped"] == [
        "sensor",
        "lid",
        "button",
        "light",
        "buzzer",
    ]
