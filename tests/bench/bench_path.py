"""What the standard path costs people: touches, keys, scans, PINs and seconds, from the badge to the release.

`python -m tests.bench.bench_path [--devices 1 3]` prints a table for a load of so many devices, and which limits hold.

A real server over a real store whose basins go on at real speed; Debian's Chromium; a scanner that types. The page
itself counts every touch, key and secret. Soaks take 6 s here, so that only people's part is measured: seconds on the
path are those before the lid is told to close, and there a person's own pace is missing.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from playwright.sync_api import Browser, Page

sys.path.insert(0, str(Path(__file__).parents[1] / "dashboard"))

import pathkit
from doorkit import PINS, TINA
from pathkit import ONE, PathHouse, basin, device
from wedge import Counted, Person

from tests import chromium
from tests.bench.measuring import Limit, share_of
from tests.bench.measuring_size import print_table

DEVICES = (1, 3)
MOST_ANSWER_MS = 1_000.0
"""Our own choice: whoever waits longer for an answer scans again."""


class Walked(NamedTuple):
    """One load from the badge to the release.

    Attributes:
        devices: How many.
        before: What was done before the lid closed.
        after: What was done from then on.
        path_s: From the first key of the badge to "Close the lid".
        served_ms: The server's time for each scan before the lid closed, redirect and page.
        lid_ms: From the lid that closes to "Keep closed" on the page: the page looks once a second.
    """

    devices: int
    before: Counted
    after: Counted
    path_s: float
    served_ms: list[float]
    lid_ms: float


def walk(chromium: Browser, devices: int) -> Walked:
    """Walk the path once, with a clinic of its own."""
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder) / "data"
        data.mkdir()
        house = PathHouse(data, *pathkit.built(data))
        with pathkit.going(house) as (address, basins):
            page = chromium.new_page(viewport={"width": 1280, "height": 800})
            hands = Person(page)
            page.goto(f"{address}/start")
            began_s = time.perf_counter()
            hands.scan(house.badges[TINA], "Scan a device")
            for each in pathkit.DEVICES[:devices]:
                hands.scan(device(each), "Scan the basin")
            hands.scan(basin(ONE), "Close the lid")
            path_s = time.perf_counter() - began_s
            before, served_ms = hands.counted(), hands.served_ms()
            closed_s = time.perf_counter()
            basins.lids[ONE] = "closed"
            hands.reads("Keep closed. Ready", "Soak met")
            lid_ms = 1_000 * (time.perf_counter() - closed_s)
            hands.reads("Soak met")
            basins.lids[ONE] = "open"
            page.wait_for_selector('.lines:has-text("opened")')
            _release(page, devices)
            whole = hands.counted()
            page.close()
    after = Counted(
        whole.scans - before.scans,
        whole.touches - before.touches,
        whole.keys - before.keys,
        whole.pins - before.pins,
        (),
    )
    return Walked(devices, before, after, path_s, served_ms, lid_ms)


def _release(page: Page, devices: int) -> None:
    """With clean hands: taken out, two rinses, dried, one PIN, one press."""
    page.click('text="Rinse, dry, release"')
    press = page.locator("button.press")
    press.click()
    for _ in range(2):
        press.click()
        page.wait_for_selector('[data-until]:has-text("the time is over")')
        press.click()
    press.click()
    if devices > 1:
        page.click("text=Tick all")
    else:
        page.click(".ticks .tick")
    page.click("#pin")
    page.keyboard.type(PINS[TINA])
    page.click("button.primary")
    page.wait_for_selector('.said:has-text("Released")')


def main(arguments: Sequence[str] | None = None) -> int:
    """Walk it with loads of several sizes; 1 where a limit does not hold."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--devices", type=int, nargs="+", default=DEVICES, choices=range(1, len(pathkit.DEVICES) + 1))
    options = parser.parse_args(arguments)
    with chromium.launched() as browser:
        walked = [walk(browser, each) for each in options.devices]
    waiting = os.getloadavg()[0]
    print(f"The standard path in Chromium; {waiting:.1f} processes ran or waited on {os.cpu_count()} processors")
    print_table(("", *(f"{each.devices} device{'s' if each.devices > 1 else ''}" for each in walked)), _rows(walked))
    print()
    limits = _limits(walked)
    for limit in limits:
        print(limit)
    return 0 if all(limit.holds for limit in limits) else 1


def _rows(walked: Sequence[Walked]) -> list[tuple[str, ...]]:
    def row(title: str, *cells: str) -> tuple[str, ...]:
        return (title, *cells)

    found = []
    for when in ("before", "after"):
        parts: list[Counted] = [getattr(each, when) for each in walked]
        found += [
            row(f"scans {when} the lid closes", *(str(each.scans) for each in parts)),
            row(f"touches {when}", *(str(each.touches) for each in parts)),
            row(f"other keys {when}", *(str(each.keys) for each in parts)),
            row(f"PINs {when}", *(str(each.pins) for each in parts)),
        ]
    return [
        *found,
        row("badge to 'close the lid', s", *(f"{each.path_s:.2f}" for each in walked)),
        row("server, a scan: p50, s", *(f"{share_of(sorted(each.served_ms), 0.5) / 1000:.3f}" for each in walked)),
        row("server, a scan: longest, s", *(f"{max(each.served_ms) / 1000:.3f}" for each in walked)),
        row("Enter to answer on page: longest, s", *(f"{max(each.before.answers_ms) / 1000:.3f}" for each in walked)),
        row("lid to 'keep closed' on page, s", *(f"{each.lid_ms / 1000:.2f}" for each in walked)),
    ]


def _limits(walked: Sequence[Walked]) -> list[Limit]:
    touches = sum(each.before.touches + each.before.keys for each in walked)
    pins, later = sum(each.before.pins for each in walked), max(each.after.pins for each in walked)
    scans = max(each.before.scans - each.devices for each in walked)
    longest_ms = max(max(each.before.answers_ms) for each in walked)
    return [
        Limit(f"touches and keys besides scans before the lid closes: {touches} (none)", touches == 0),
        Limit(f"PINs before the lid closes: {pins} (none)", pins == 0),
        Limit(f"scans besides one for each device: {scans} (badge and basin: 2)", scans == 2),
        Limit(f"PINs for a release of all: {later} (1)", later == 1),
        Limit(
            f"longest answer to a scan: {longest_ms:.0f} ms (less than {MOST_ANSWER_MS:.0f})",
            longest_ms < MOST_ANSWER_MS,
        ),
    ]


if __name__ == "__main__":
    sys.exit(main())
