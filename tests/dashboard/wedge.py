"""A scanner that types, and a count of everything that a person does at a page besides: for tests and the bench."""

from __future__ import annotations

from typing import NamedTuple

from playwright.sync_api import Error, Page

_COUNT = """(() => {
  const count = (change) => {
    const all = JSON.parse(sessionStorage.getItem('counted') ?? '{"touches":0,"keys":0,"pins":0,"answers":[]}');
    change(all);
    sessionStorage.setItem('counted', JSON.stringify(all));
  };
  let enteredMs = null;
  addEventListener('pointerdown', () => count((all) => all.touches++), true);
  addEventListener('keydown', (event) => {
    count((all) => all.keys++);
    if (event.key === 'Enter') enteredMs = performance.now();
  }, true);
  addEventListener('change', (event) => {
    if (event.target.matches('input[type=password]')) count((all) => all.pins++);
  }, true);
  addEventListener('DOMContentLoaded', () => {
    const path = document.getElementById('path');
    if (path === null) return;
    new MutationObserver((changes) => {
      if (enteredMs === null || !changes.some((each) => each.target.closest?.('#said, #standing'))) return;
      const tookMs = performance.now() - enteredMs;
      enteredMs = null;
      count((all) => all.answers.push(tookMs));
    }).observe(path, { childList: true, subtree: true });
  });
})()"""
_SERVED = """() => performance.getEntriesByType('resource').filter((each) => each.name.endsWith('/start/scan'))
  .map((each) => each.duration)"""

_READS = """(texts) => texts.some((text) => document.querySelector('#standing h1').textContent.startsWith(text))
  && !document.getElementById('path').matches('[data-sending]')"""


class Counted(NamedTuple):
    """What has been done at a page so far.

    Attributes:
        scans: Labels scanned.
        touches: Touches of the screen, or presses of the mouse.
        keys: Keys pressed besides those of the scanner.
        pins: Times that something was put into a field for a secret.
        answers_ms: From each Enter of the scanner to what the page said to it.
    """

    scans: int
    touches: int
    keys: int
    pins: int
    answers_ms: tuple[float, ...]


class Person:
    """Somebody with a scanner before a page.

    Args:
        page: A page that has not been opened yet.
    """

    def __init__(self, page: Page) -> None:
        self.page = page
        self._scans = self._typed = 0
        page.add_init_script(_COUNT)

    def scan(self, label: str, sentence: str) -> None:
        """Scan a label and wait until the page's largest sentence begins so."""
        self._scans += 1
        self._typed += len(label) + 1
        self.page.keyboard.type(label)
        self.page.keyboard.press("Enter")
        self.reads(sentence)

    def reads(self, *sentences: str) -> None:
        """Wait until the page's largest sentence begins as one of these, and no scan is on its way."""
        try:
            self.page.wait_for_function(_READS, arg=sentences)
        except Error as error:
            raise AssertionError(f"{sentences} was not said: {self.page.inner_text('main')}") from error

    def counted(self) -> Counted:
        """What has been done so far."""
        found = self.page.evaluate("JSON.parse(sessionStorage.getItem('counted'))")
        if found is None:
            return Counted(self._scans, 0, 0, 0, ())
        return Counted(
            self._scans, found["touches"], found["keys"] - self._typed, found["pins"], tuple(found["answers"])
        )

    def served_ms(self) -> list[float]:
        """How long the server took for each scan, redirect and all, as the browser measured it."""
        return [float(each) for each in self.page.evaluate(_SERVED)]
