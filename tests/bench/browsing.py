"""A real Chromium for the benches: what it measures of a page itself, and when a lid has moved in its DOM."""

from __future__ import annotations

import json
import statistics
import time
from typing import Any, NamedTuple

from playwright.sync_api import Browser, Page

_WIDTH, _HEIGHT = 1920, 1080
_SETTLED_MS = 700
_TRIES = 15

_OBSERVE_PAINTS = """() => {
  window.paints = [];
  new PerformanceObserver((list) => {
    for (const each of list.getEntries()) window.paints.push([each.startTime, each.element?.outerHTML || ""]);
  }).observe({type: "largest-contentful-paint", buffered: true});
}"""
_PAINTED = """() => ({
  largest: window.paints.length ? window.paints.at(-1)[0] : null,
  what: window.paints.length ? window.paints.at(-1)[1].slice(0, 60) : "",
  loaded: performance.getEntriesByType("navigation")[0].loadEventEnd,
  parts: [...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")]
    .map((each) => [each.name, each.transferSize, each.encodedBodySize, each.decodedBodySize]),
})"""

# How a lane shows its lid: by an attribute where there is one, else by its words without their figures.
_OBSERVE_LIDS = """() => {
  window.moves = [];
  const sign = (lane) => {
    const lid = lane.matches("[data-lid]") ? lane : lane.querySelector("[data-lid]");
    return lid ? lid.dataset.lid : lane.textContent.replace(/[\\d:.,]+/g, "").replace(/\\s+/g, " ").slice(0, 200);
  };
  const lanes = new Map();
  for (const each of document.querySelectorAll("[data-key]")) lanes.set(each, sign(each));
  new MutationObserver((records) => {
    const touched = new Set(records.map((each) => {
      const node = each.target.nodeType === 1 ? each.target : each.target.parentElement;
      return node && node.closest("[data-key]");
    }));
    for (const lane of touched) {
      if (!lane) continue;
      const now = sign(lane);
      if (lanes.get(lane) === now) continue;
      lanes.set(lane, now);
      // As soon as it is drawn, which is what somebody sees.
      requestAnimationFrame(() => window.moves.push([performance.now(), lane.dataset.key, now]));
    }
  }).observe(document.body, {subtree: true, childList: true, characterData: true, attributes: true});
  return lanes.size;
}"""


class Painted(NamedTuple):
    """One load of a page, as the browser's own performance API has it.

    Attributes:
        largest_ms: Its largest contentful paint, from the start of the navigation.
        loaded_ms: The end of its load event.
        weight: Bytes that came, with their headers, but for plotly.js.
        body: Bytes of their bodies as they came, compressed where they were.
        plotly: Bytes of plotly.js.
        parts: How many files.
        what: The element that was painted then.
    """

    largest_ms: float
    loaded_ms: float
    weight: int
    body: int
    plotly: int
    parts: int
    what: str


def load_often(browser: Browser, address: str, times: int) -> list[Painted]:
    """Load a page so many times, each with a cache and cookies of its own; the first of all is not counted."""
    return [_load(browser, address) for _ in range(times + 1)][1:]


def _load(browser: Browser, address: str) -> Painted:
    context = browser.new_context(viewport={"width": _WIDTH, "height": _HEIGHT})
    page = context.new_page()
    page.add_init_script(f"({_OBSERVE_PAINTS})()")
    page.goto(address, wait_until="load")
    page.wait_for_timeout(_SETTLED_MS)
    found: dict[str, Any] = page.evaluate(_PAINTED)
    context.close()
    if found["largest"] is None:
        raise SystemExit(f"Chromium told of no largest contentful paint of {address}.")
    own = [part for part in found["parts"] if "plotly" not in part[0] and not part[0].endswith("/live")]
    return Painted(
        largest_ms=found["largest"],
        loaded_ms=found["loaded"],
        weight=sum(part[1] for part in own),
        body=sum(part[2] for part in own),
        plotly=sum(part[2] for part in found["parts"] if "plotly" in part[0]),
        parts=len(own),
        what=found["what"],
    )


class Seen(NamedTuple):
    """A lane has shown its lid otherwise: when, on `time.perf_counter`, which basin, and how it shows it now."""

    at_s: float
    key: str
    shown: str


class OpenPage:
    """The page of today in a browser, whose lanes are watched.

    Args:
        browser: Which.
        address: Of the page.
    """

    def __init__(self, browser: Browser, address: str) -> None:
        self._context = browser.new_context(viewport={"width": _WIDTH, "height": _HEIGHT})
        self.page = self._context.new_page()
        self.page.goto(address)
        self.page.wait_for_selector('#link[data-state="live"]')
        self.lanes: int = self.page.evaluate(_OBSERVE_LIDS)
        self._offset_s = _offset_s(self.page)

    def seen(self) -> list[Seen]:
        """What has been seen since the beginning."""
        moves: list[tuple[float, str, str]] = json.loads(self.page.evaluate("JSON.stringify(window.moves)"))
        return [Seen(at_ms / 1_000 + self._offset_s, key, shown) for at_ms, key, shown in moves]

    def close(self) -> None:
        """Close it."""
        self._context.close()


def _offset_s(page: Page) -> float:
    """What `time.perf_counter` is ahead of the page's own clock; both are uninterrupted. From the quickest answers."""
    found = []
    for _ in range(_TRIES):
        before_s = time.perf_counter()
        page_s = page.evaluate("performance.now()") / 1_000
        after_s = time.perf_counter()
        found.append((after_s - before_s, (before_s + after_s) / 2 - page_s))
    return statistics.median(offset_s for _, offset_s in sorted(found)[:3])
