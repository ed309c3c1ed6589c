"""Parts list, README and commissioning sheet say the same as the pin table and the worked-out values."""

from __future__ import annotations

import csv
import re
from collections import Counter
from pathlib import Path

import pytest

from firmware import pins
from firmware.pins import Part
from hardware import __main__ as files
from hardware import parts

HERE = Path(files.__file__).parent
README = (HERE / "README.md").read_text("utf-8")
PROSE = " ".join(README.split())
SHEET = (HERE / "commissioning.md").read_text("utf-8")
CERTAINTIES = {"published", "common practice", "derived", "from memory"}


def rows(name: str) -> list[dict[str, str]]:
    with (HERE / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, strict=True))


BOM = {row["part"]: row for row in rows("bom.csv")}
COLUMNS = ("per_basin", "per_node", "eight_basins")


def wanted(basins: int) -> Counter[str]:
    """How many of the parts on pins the usual assignment takes, counted from the pin table."""
    uses = Counter(use.part for use in pins.usual(basins).uses())
    contacts, lights = uses[Part.LID] + uses[Part.BUTTON], uses[Part.RED]
    return Counter(
        {
            "reed switch": uses[Part.LID],
            "magnet": uses[Part.LID],
            "button": uses[Part.BUTTON],
            "light": lights,
            f"series resistor {parts.CONTACT_OHM} Ω": contacts,
            f"series resistor {parts.LIGHT_OHM[Part.RED]} Ω": lights,
            f"series resistor {parts.LIGHT_OHM[Part.GREEN]} Ω": lights * 2,
            f"pull-up resistor {parts.PULL_UP_OHM / 1000:g} kΩ": uses[Part.W1],
            "buzzer": uses[Part.BUZZER],
            "NPN transistor": uses[Part.BUZZER],
            f"base resistor {parts.BASE_OHM // 1000} kΩ": uses[Part.BUZZER],
            f"resistor {parts.BASE_TO_GROUND_OHM // 1000} kΩ": uses[Part.BUZZER],
            "diode": uses[Part.BUZZER],
            "sensor": basins,
        }
    )


def test_every_row_of_the_parts_list_is_whole() -> None:
    assert len(BOM) == len(rows("bom.csv")), "a part stands twice"
    for part, row in BOM.items():
        assert None not in row, f"{part}: a cell too many"
        assert all(int(row[column]) >= 0 for column in COLUMNS), part
        assert int(row["per_basin"]) + int(row["per_node"]) > 0, part
        assert row["why"], part
        assert row["requirement"], part
        assert row["certainty"] in CERTAINTIES, part
        assert row["source"] or row["certainty"] not in ("published", "derived"), f"{part}: from where?"


def test_green_and_blue_have_the_same_resistor_as_the_parts_list_says() -> None:
    assert parts.LIGHT_OHM[Part.GREEN] == parts.LIGHT_OHM[Part.BLUE]


def test_quantities_of_what_hangs_on_pins_are_those_of_the_usual_assignment() -> None:
    one, eight = wanted(1), wanted(8)
    assert set(one) <= set(BOM)
    for part in one:
        row = BOM[part]
        assert int(row["per_basin"]) + int(row["per_node"]) == one[part], part
        assert int(row["eight_basins"]) == eight[part], part


def test_every_other_quantity_for_eight_basins_adds_up() -> None:
    for part, row in BOM.items():
        if part not in wanted(8):
            assert int(row["eight_basins"]) == 8 * int(row["per_basin"]) + int(row["per_node"]), part


def table(head: str) -> list[list[str]]:
    """The cells of the README's table that has this head."""
    lines = README[README.index(f"| {head} |") :].split("\n\n")[0].splitlines()[2:]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def test_the_readme_lists_the_same_parts() -> None:
    listed = table("part | per basin | per node | eight basins | why")
    assert listed == [
        [part, *("" if row[each] == "0" else row[each] for each in COLUMNS), row["why"]] for part, row in BOM.items()
    ]


def test_the_readme_says_what_gives_way() -> None:
    def lights(cell: str) -> list[int]:
        if cell == "each":
            return list(range(1, 5))
        numbers = [int(each) for each in re.findall(r"\d", cell)]
        return list(range(numbers[0], numbers[1] + 1)) if " to " in cell else numbers

    for counts, contacts, light, _ in table("basins | lid and button | light | what gives way"):
        assert contacts == "each"
        found = [int(each) for each in re.findall(r"\d", counts)]
        for basins in range(found[0], found[-1] + 1):
            have = [number for number, each in enumerate(pins.usual(basins).basins, 1) if each.light]
            assert have == [number for number in lights(light) if number <= basins], counts
    said = {
        int(each)
        for row in table("basins | lid and button | light | what gives way")
        for each in re.findall(r"\d", row[0])
    }
    assert {1, 4, 5, 6, 7, 8} == said


def test_the_readme_gives_the_currents_that_follow_from_the_resistors() -> None:
    values = {row[0].split(",")[0]: row[1] for row in table("resistor | gives | rests on")}
    red_ma, green_ma = (parts.output_ua(part) / 1000 for part in (Part.RED, Part.GREEN))
    assert values[f"{parts.LIGHT_OHM[Part.RED]} Ω"].startswith(f"at most {red_ma:.1f} mA")
    assert values[f"{parts.LIGHT_OHM[Part.GREEN]} Ω"].startswith(f"at most {green_ma:.1f} mA each")
    assert values[f"{parts.BASE_OHM // 1000} kΩ"].startswith(f"at most {parts.output_ua(Part.BUZZER) / 1000:.1f} mA")
    assert f"{parts.SUPPLY_MV / parts.PULL_UP_OHM:.1f} mA" in values[f"{parts.PULL_UP_OHM / 1000:g} kΩ"]
    contact = values[f"{parts.CONTACT_OHM} Ω"]
    assert f"at most {parts.closed_contact_mv(2)} mV" in contact
    assert f"{parts.closed_contact_mv(17)} mV elsewhere" in contact
    assert f"up to {parts.LOW_MV} mV" in contact
    total_ma = max(parts.total_ua(pins.usual(basins).uses()) for basins in range(1, 9)) / 1000
    assert f"All pins together give at most {total_ma:.0f} mA" in PROSE
    assert f"{parts.MOST_TOTAL_UA // 1000} mA for all together is common practice" in PROSE


def test_the_readme_tells_every_pin_that_is_special() -> None:
    told: set[int] = set()
    for cell, *_ in table("pin | what is special"):
        numbers = [int(each) for each in re.findall(r"\d+", cell)]
        told |= set(range(numbers[0], numbers[1] + 1)) if " to " in cell else set(numbers)
    assert told == {*pins.NEVER, *pins.PULLED_UP, *pins.CAUTION, pins.W1}


def test_materials_have_their_source_and_their_certainty() -> None:
    materials = rows("materials.csv")
    assert len(materials) > 30
    for row in materials:
        assert row["certainty"] in {"published", "from memory, not verified"}
        assert row["source"], row
        assert row["material"], row
        assert row["verdict"], row


@pytest.mark.parametrize("wetted", ["stainless steel 316L", "PTFE, FEP", "silicone"])
def test_what_the_readme_recommends_is_among_the_materials(wetted: str) -> None:
    verdicts = [row["verdict"] for row in rows("materials.csv") if row["material"] == wetted]
    assert verdicts
    assert all(verdict.startswith("good") for verdict in verdicts)


def test_the_sheet_asks_for_everything_that_is_tried_at_the_first_start() -> None:
    guided = SHEET[SHEET.index("## 2.") : SHEET.index("## 3.")]
    for asked in (
        "bus",
        "warming",
        "lid switch",
        "button",
        "light",
        "buzzer",
        "clock",
        "disk",
        "broker",
        "receipt",
        "filed",
    ):
        assert asked in guided, asked
    for asked in ("mid-depth", "worst cable", "fill level", "not disinfected here", "trained"):
        assert asked in SHEET, asked


def test_what_is_printed_is_the_sheet_and_loads_nothing() -> None:
    printed = (HERE / "commissioning.html").read_text("utf-8")
    assert printed == files.made()["commissioning.html"], "run ./run wiring"
    assert printed.count("<tr>") == len(re.findall(r"^\|", SHEET, re.MULTILINE)) - SHEET.count("| --- |\n")
    assert not re.search(r"src=|href=|url\(|@import", printed)
