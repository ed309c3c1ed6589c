"""The README's pictures, made from the furnished clinic: `./run pictures [FOLDER]`."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests import chromium
from tests.screens import furnished
from tests.screens.catalogue import page_routes
from tests.screens.watching import Watched

FOLDER = Path(__file__).parents[2] / "dashboard" / "pictures"
WIDTH, HEIGHT = 1280, 900
PICTURES = {
    "today": ("/", "/"),
    "basin": ("/basins/{node:str}/{name:str}", "/basins/n1/b2"),
    "trend": ("/basins/{node:str}/{name:str}/trend", "/basins/n1/b1/trend"),
    "soak": ("/closures/{closure_id:str}", "/closures/2"),
    "alarms": ("/alarms", "/alarms"),
    "statistics": ("/statistics", "/statistics"),
}
"""By name: the route, without which there is no picture, and the address."""


def take(folder: Path) -> list[Path]:
    """Take every picture.

    Args:
        folder: Where they go.

    Returns:
        The files.
    """
    furnished.alarmkit.XSS = "again"  # the tests' words that look like a script are for tests alone
    routes, taken = page_routes(), []
    folder.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as name,
        furnished.open_(Path(name) / "data") as clinic,
        chromium.launched() as browser,
    ):
        watched = Watched(browser.new_context(), clinic)
        for picture, (route, address) in PICTURES.items():
            if route in routes:
                file = folder / f"{picture}.png"
                watched.open(address, WIDTH, HEIGHT).screenshot(path=file)
                taken.append(file)
    return taken


if __name__ == "__main__":
    for each in take(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER):
        print(each)
