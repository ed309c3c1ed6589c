"""Drawing and firmware cannot disagree: it is drawn from the pin table, and what is committed is what is drawn."""

from __future__ import annotations

import re
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from firmware import pins
from hardware import wiring
from hardware.drawing import SMALL_PT

SVG = "{http://www.w3.org/2000/svg}"
A4_PT = (190 / 25.4 * 72, 277 / 25.4 * 72)  # with 10 mm of margin


@pytest.fixture(scope="module")
def drawn() -> dict[str, str]:
    return wiring.drawings()


def tree(svg: str) -> ET.Element:
    return ET.fromstring(svg)  # noqa: S314 - our own


def texts(svg: str) -> list[str]:
    return ["".join(each.itertext()) for each in tree(svg).iter(f"{SVG}text")]


def rows(svg: str) -> dict[str, str]:
    """What stands at each position of the left side of the circuit: `{"11": "GPIO 17"}`."""
    said = texts(svg)
    return {said[at + 1]: each for at, each in enumerate(said[:-1]) if re.match(r"GPIO|ground|3.3 V|5 V", each)}


def test_what_is_committed_is_what_the_pin_table_gives(drawn: dict[str, str]) -> None:
    folder = Path(wiring.__file__).parent / "drawings"
    committed = {path.name: path.read_text("utf-8") for path in folder.iterdir()}
    assert committed == drawn, "the drawings are not those of firmware/pins.py: run ./run wiring"


def test_every_wire_of_the_circuit_has_its_place_on_the_header(drawn: dict[str, str]) -> None:
    shown = rows(drawn["one-basin.svg"])
    assert {place: what for place, what in shown.items() if what.startswith("GPIO")} == {
        str(pins.POSITION[use.bcm]): f"GPIO {use.bcm}" for use in pins.usual(1).uses()
    }
    supplies = {int(place): what for place, what in shown.items() if not what.startswith("GPIO")}
    assert len(supplies) == 7  # ground of sensor, lid, button, light, buzzer; 3.3 V; 5 V
    assert supplies == {place: pins.HEADER[place - 1] for place in supplies}


@pytest.mark.parametrize("basins", wiring.MAPS)
def test_the_header_shows_every_use_at_its_position(drawn: dict[str, str], basins: int) -> None:
    said = texts(drawn[f"header-{basins}-basins.svg"])
    at = {said[index]: said[index + 1] for index in range(len(said) - 1) if re.fullmatch(r"\d\d?", said[index])}
    assert list(at) == [str(position) for position in range(1, 41)]
    uses = {use.bcm: use for use in pins.usual(basins).uses()}
    for position, what in enumerate(pins.HEADER, 1):
        text = at[str(position)]
        if isinstance(what, str):
            assert text == what
        elif what in uses:
            use = uses[what]
            word = {pins.Part.W1: "1-Wire", pins.Part.BUZZER: "buzzer"}.get(use.part, use.part.name.lower())
            assert text.startswith(use.basin)
            assert word in text
            assert text.endswith(f" · GPIO {what}")
        else:
            assert text in (f"GPIO {what}", f"leave free · GPIO {what}")


def test_another_pin_in_the_table_is_another_drawing(drawn: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    first, *others = pins._FULL
    monkeypatch.setattr(pins, "_FULL", (first._replace(lid=14), *others))
    again = wiring.drawings()
    assert all(again[name] != drawn[name] for name in drawn)
    assert rows(again["one-basin.svg"])["8"] == "GPIO 14"
    assert rows(again["one-basin.svg"]).get("11") is None
    assert "b1 lid · GPIO 14" in texts(again["header-8-basins.svg"])


def test_a_drawing_prints_on_one_sheet_with_letters_that_can_be_read(drawn: dict[str, str]) -> None:
    for name, svg in drawn.items():
        root = tree(svg)
        size_pt = [float(root.get(side, "").removesuffix("pt")) for side in ("width", "height")]
        assert size_pt[0] <= A4_PT[0], name
        assert size_pt[1] <= A4_PT[1], name
        assert min(float(each.get("font-size", "0")) for each in root.iter(f"{SVG}text")) >= SMALL_PT >= 10


def test_a_drawing_is_black_on_white_and_loads_nothing(drawn: dict[str, str]) -> None:
    for svg in drawn.values():
        colours = set(re.findall(r"(?:stroke|fill)[:=]\"?([a-z#0-9]+)", svg))
        assert colours <= {"black", "none", "white"}, colours
        assert "href" not in svg
        assert "background-color:white" in svg
