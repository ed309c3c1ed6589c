"""The pin table: the header as others know it, and an assignment that uses nothing twice and nothing that is taken."""

from __future__ import annotations

import pytest
from gpiozero.pins.mock import MockFactory

from firmware import pins
from firmware.settings import Basin, Broker, Light, Settings

PI_4, PI_5 = "c03111", "c04170"
ALL = range(1, pins.MOST_BASINS + 1)


@pytest.mark.parametrize("revision", [PI_4, PI_5])
def test_the_header_is_the_one_that_gpiozero_knows(revision: str) -> None:
    header = MockFactory(revision=revision).board_info.headers["J8"]
    theirs = {"3V3": pins.V3, "5V": pins.V5, "GND": pins.GROUND} | {f"GPIO{bcm}": bcm for bcm in range(28)}
    assert dict(enumerate(pins.HEADER, 1)) == {position: theirs[pin.name] for position, pin in header.pins.items()}
    held_up = {theirs[pin.name] for pin in header.pins.values() if pin.pull == "up"}
    assert held_up == pins.PULLED_UP


@pytest.mark.parametrize("basins", ALL)
def test_the_usual_assignment_uses_no_pin_twice_and_none_that_is_taken(basins: int) -> None:
    uses = list(pins.usual(basins).uses())
    used = [use.bcm for use in uses]
    assert len(set(used)) == len(used)
    assert not set(used) & {*pins.NEVER, 14, 15}
    assert [pins.objection(use, pins.W1) for use in uses] == [""] * len(uses)
    assert all(use.bcm >= 9 for use in uses if use.part is pins.Part.BUZZER), "held high from power-up: it would sound"


@pytest.mark.parametrize(("basins", "lights"), [(1, 1), (2, 2), (3, 3), (4, 4), (5, 4), (6, 3), (7, 2), (8, 2)])
def test_lights_give_way_to_lids_and_buttons_from_the_last_on(basins: int, lights: int) -> None:
    assigned = pins.usual(basins).basins
    assert len(assigned) == basins
    assert [each.light is not None for each in assigned] == [True] * lights + [False] * (basins - lights)


def test_one_more_basin_moves_nothing_that_is_wired_but_takes_lights() -> None:
    for basins in ALL[:-1]:
        for before, after in zip(pins.usual(basins).basins, pins.usual(basins + 1).basins, strict=False):
            assert after in (before, before._replace(light=None))


@pytest.mark.parametrize("basins", [0, 9])
def test_a_node_serves_no_such_number_of_basins(basins: int) -> None:
    with pytest.raises(ValueError, match="One node serves") as caught:
        pins.usual(basins)
    assert str(caught.value) == (f"One node serves 1 to 8 basins, not {basins}. Give the others a node of their own.")


@pytest.mark.parametrize("basins", ALL)
def test_settings_take_the_usual_assignment_and_name_its_uses_alike(basins: int) -> None:
    usual = pins.usual(basins)
    settings = Settings(
        node="n1",
        broker=Broker(host="127.0.0.1"),
        w1_pin=usual.w1,
        buzzer_pin=usual.buzzer,
        basins=tuple(
            Basin(
                name=f"b{number}",
                sensors=(f"28-{number:012x}",),
                lid_pin=each.lid,
                button_pin=each.button,
                light=Light(*each.light) if each.light else None,
            )
            for number, each in enumerate(usual.basins, 1)
        ),
    )
    assert set(settings.uses()) == set(usual.uses())
