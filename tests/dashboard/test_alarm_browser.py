"""Alarms in Chromium: the strip, the title, what is said aloud, the sound (a real AudioContext, its pulses counted)."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import alarmkit
import pagekit
import pytest
from doorkit import TINA, House
from pagekit import NOW_MS
from playwright.sync_api import Browser, Page, expect
from test_browser import (
    SMALL_TARGETS,
    SMALL_TEXTS,
    SMALLEST_TARGET_PX,
    SMALLEST_TEXT_PX,
    WAIT_MS,
    browser,
    contrast,
    looked_at,
)

from collector.record.things import Alarm, Seen
from tests import chromium

pytestmark = pytest.mark.browser
__all__ = ["browser"]
PAGES = {
    "alarms": "/alarms",
    "alarm": "/alarms/W2",
    "load": "/alarms/load",
    "over": "/alarms/W8",
    "form": "/do/see-alarm",
}
GLOVES_PX = 72
MOST_FIRST_PX = 120
MOST_STRIP_PX = {390: 300, 1280: 170}
SPEED = 10
COUNT_PULSES = """() => {
  window.pulses = 0;
  const make = AudioContext.prototype.createOscillator;
  AudioContext.prototype.createOscillator = function () { window.pulses += 1; return make.call(this); };
}"""
COUNT_SAID = """() => {
  window.said = [];
  for (const id of ["say-high", "say-medium"]) {
    const place = document.getElementById(id);
    new MutationObserver(() => window.said.push(place.textContent)).observe(place, {childList: true, subtree: true});
  }
}"""
COUNT_STATES = """() => {
  window.states = 0;
  document.addEventListener("soakledger-state", () => { window.states += 1; });
}"""
NOT_ALLOWED = "AudioContext was not allowed to start"


@contextmanager
def looking(browser: Browser, house: House, address: str, but: str = NOT_ALLOWED) -> Iterator[tuple[Page, str]]:
    """A live page of a house that has no alarm yet, with its pulses counted."""
    with pagekit.serving(house.data, house.played) as server, looked_at(browser, 1280, but=but) as page:
        page.add_init_script(f"({COUNT_PULSES})()")
        page.goto(server + address)
        page.evaluate(COUNT_SAID)
        page.evaluate(COUNT_STATES)
        some_states_later(page, 1)
        yield page, server


def becomes(page: Page, what: str, value: int) -> None:
    """Wait for it; the page's own policy forbids playwright to do so by itself."""
    for _ in range(WAIT_MS // 20):
        if page.evaluate(f"{what}{value}"):
            return
        page.wait_for_timeout(20)
    pytest.fail(f"{what}{value} did not come true within {WAIT_MS} ms")


def pulses(page: Page, count: int) -> None:
    """So many pulses have been made since the page began, and no more."""
    becomes(page, "window.pulses >= ", count)
    assert page.evaluate("window.pulses") == count


def some_states_later(page: Page, count: int = 3) -> None:
    """So many states have reached the page since."""
    becomes(page, "window.states >= ", page.evaluate("window.states") + count)


@pytest.fixture
def house(house: House, monkeypatch: pytest.MonkeyPatch) -> House:
    """The one of `conftest`, whose pages hear of a new state ten times a second."""
    monkeypatch.setattr("dashboard.live.LOOK_EVERY_S", 0.02)
    monkeypatch.setattr("dashboard.live.LOOK_ANYWAY_S", 0.02)
    house.played = pagekit.rehearsal(speed=SPEED)
    return house


@pytest.fixture
def engine(house: House) -> Iterator[alarmkit.Engine]:
    made = alarmkit.Engine(house.data)
    yield made
    made.desk.close()


def raised(engine: alarmkit.Engine, number: int = 1, code: str = "opened-early", ago_ms: int = 0) -> Alarm:
    return engine.raised(number, code, ago_ms, "It happened.")


def sound_on(page: Page) -> None:
    page.click("#sound")
    expect(page.locator("#sound")).to_have_text("Sound is on: press to turn it off")


@pytest.mark.parametrize("address", ["/closures", "/about"])
def test_a_new_alarm_reaches_every_page_and_is_said_once(
    browser: Browser, house: House, engine: alarmkit.Engine, address: str
) -> None:
    """Also where no basins are shown: title, strip, live regions; states that follow say nothing again."""
    with looking(browser, house, address) as (page, _):
        plain = page.title()
        expect(page.locator("#alarm-summary")).to_have_text("No alarm stands")
        expect(page.locator("#say-high")).to_have_attribute("aria-live", "assertive")
        expect(page.locator("#say-medium")).to_have_attribute("aria-live", "polite")
        high = raised(engine)
        expect(page.locator("#say-high")).to_contain_text("High alarm: lid opened early, n1/b1. Close the lid now")
        raised(engine, 2, "sensor-fault")
        raised(engine, 3, "soak-waits")  # low: counted, not said
        expect(page.locator("#say-medium")).to_contain_text("Medium alarm: no temperature, n1/b1.")
        expect(page.locator("#alarm-summary")).to_have_text("1 high, 1 medium, 1 low alarms stand")
        assert page.title() == f"[1 high, 1 medium] {plain}"
        assert page.locator("#alarm-lines [data-priority]").count() == 2
        some_states_later(page)
        assert len(page.evaluate("window.said")) == 2
        cold = engine.raised(4, "below-minimum", 0, "Cold.")
        expect(page.locator("#say-medium")).to_contain_text("too cold")
        engine.later(cold, 0, priority="high", risen_ms=NOW_MS)  # what rises is said again, as what it now is
        expect(page.locator("#say-high")).to_contain_text("High alarm: solution too cold, n1/b1.")
        engine.later(high, 0, seen=Seen(TINA, NOW_MS), ended_ms=NOW_MS)
        expect(page.locator("#alarm-lines [data-priority]")).to_have_count(2)
        some_states_later(page)
        assert len(page.evaluate("window.said")) == 4
        page.reload()
        page.evaluate(COUNT_SAID)
        page.evaluate(COUNT_STATES)
        some_states_later(page)
        assert page.evaluate("window.said") == []  # going from page to page repeats nothing


def test_no_sound_before_somebody_allows_it(browser: Browser, house: House, engine: alarmkit.Engine) -> None:
    """Browsers hold a page silent until it is touched: it says so, and sounds as soon as it may."""
    with looking(browser, house, "/closures") as (page, _):
        expect(page.locator("#sound")).to_have_text("Sound is off: press to turn it on")
        raised(engine)
        expect(page.locator("#alarm-lines [data-priority]")).to_have_count(1)
        some_states_later(page)
        assert page.evaluate("window.pulses") == 0
        sound_on(page)
        pulses(page, 10)  # high: ten pulses in a burst
        assert page.evaluate("document.getElementById('alarms').dataset.sounding") == "high"
        page.click("#sound")
        expect(page.locator("#sound")).to_have_text("Sound is off: press to turn it on")
        assert page.evaluate("document.getElementById('alarms').dataset.sounding") is None


def test_the_most_urgent_sounds_until_it_is_seen_or_silenced(
    browser: Browser, house: House, engine: alarmkit.Engine
) -> None:
    """Low one pulse, once; medium three; high ten; silenced: nothing, until the silence is over."""
    section = "#alarms"
    with looking(browser, house, "/about") as (page, _):
        sound_on(page)
        raised(engine, 1, "soak-waits")
        pulses(page, 1)
        some_states_later(page)
        assert page.evaluate("window.pulses") == 1
        medium = raised(engine, 2, "sensor-fault")
        pulses(page, 4)
        high = raised(engine, 3)
        pulses(page, 14)
        high = engine.later(high, 0, seen=Seen(TINA, NOW_MS))
        expect(page.locator(section)).to_have_attribute("data-sounding", "medium")
        pulses(page, 17)
        expect(page.locator("#alarm-lines [data-priority]").first).to_have_attribute("data-calm", "")
        medium = engine.later(medium, 0, silenced_until_ms=house.played.utc_ms(_boottime_ms()) + 2_500 * SPEED)
        expect(page.locator(section)).not_to_have_attribute("data-sounding", "medium")
        expect(page.locator("#alarm-lines [data-priority]").nth(1)).to_contain_text("sound silenced until 13:")
        pulses(page, 20)  # it sounds again by itself
        engine.later(medium, 0, seen=Seen(TINA, NOW_MS))
        expect(page.locator(section)).not_to_have_attribute("data-sounding", "medium")
        some_states_later(page)
        assert page.evaluate("window.pulses") == 20


def _boottime_ms() -> int:
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000


def test_the_tablet_remembers_that_sound_is_wanted(browser: Browser, house: House, engine: alarmkit.Engine) -> None:
    """On the next page it is on as soon as the browser lets it: at the latest when somebody touches the page."""
    with looking(browser, house, "/about") as (page, server):
        sound_on(page)
        page.goto(f"{server}/closures")
        page.click("h1")
        expect(page.locator("#sound")).to_have_text("Sound is on: press to turn it off")
        raised(engine)
        pulses(page, 10)


def test_without_a_live_connection_nothing_sounds_and_the_page_says_so(
    browser: Browser, house: House, engine: alarmkit.Engine
) -> None:
    with looked_at(browser, 390, but="net::ERR_") as page:
        with pagekit.serving(house.data, house.played) as server:
            page.goto(f"{server}/about")
            sound_on(page)
            raised(engine)
            expect(page.locator("#alarms")).to_have_attribute("data-sounding", "high")
        expect(page.locator("#not-live")).to_contain_text("Alarms neither show nor sound here", timeout=WAIT_MS)
        expect(page.locator("#alarms")).not_to_have_attribute("data-sounding", "high")
        expect(page).to_have_title("[alarms not live] About – Soakledger")


def test_of_hidden_pages_the_last_with_its_sound_on_goes_on_sounding(
    browser: Browser, house: House, engine: alarmkit.Engine
) -> None:
    """One stream for all that are hidden: a browser opens six to a server. When its page goes, another takes over."""
    hide = """(hidden) => {
      Object.defineProperty(document, 'hidden', {value: hidden, configurable: true});
      document.dispatchEvent(new Event('visibilitychange'));
    }"""
    with looking(browser, house, "/about") as (one, server):
        sound_on(one)
        other = one.context.new_page()
        other.goto(f"{server}/closures")
        other.click("h1")
        expect(other.locator("#sound")).to_have_text("Sound is on: press to turn it off")
        one.evaluate(hide, True)
        expect(one).to_have_title("About – Soakledger")
        raised(engine)
        expect(one.locator("#alarms")).to_have_attribute("data-sounding", "high")
        other.evaluate(hide, True)
        expect(one).to_have_title("[alarms not live] About – Soakledger")
        expect(one.locator("#alarms")).not_to_have_attribute("data-sounding", "high")
        expect(other.locator("#alarms")).to_have_attribute("data-sounding", "high")
        other.goto("about:blank")
        expect(one.locator("#alarms")).to_have_attribute("data-sounding", "high")
        one.click("#sound")
        one.evaluate(hide, True)
        expect(one).to_have_title("[alarms not live] About – Soakledger")


@pytest.fixture
def alarmed(clinic: tuple[Path, dict[str, pagekit.Track]], tmp_path: Path) -> House:
    """The clinic with alarms in every state."""
    return alarmkit.furnish(pagekit.copied(clinic[0], tmp_path / "alarmed"))


def test_the_list_follows_but_never_takes_away_what_somebody_types(browser: Browser, alarmed: House) -> None:
    with pagekit.serving(alarmed.data, alarmed.played) as server, looked_at(browser, 1280) as page:
        page.add_init_script("window.brought = document.cookie")
        page.request.post(f"{server}/api/sign-in", data={"badge": alarmed.badges[TINA]})
        page.goto(f"{server}/alarms")
        assert page.evaluate("window.brought") == ""
        page.fill("#done-W1", "Lid closed")
        page.request.post(f"{server}/api/deeds/see-alarm", data={"alarm": "W3"})
        expect(page.locator("#alarms-changed")).to_be_visible()
        assert page.input_value("#done-W1") == "Lid closed"
        page.click("#W1 button.primary")
        page.wait_for_selector("text=Recorded as number")
        page.goto(f"{server}/alarms")
        expect(page.locator("#W4")).to_contain_text("by nobody yet")
        page.request.post(f"{server}/api/deeds/see-alarm", data={"alarm": "W4"})
        expect(page.locator("#W4")).to_contain_text("by Tina Test")
        brought = page.evaluate("window.brought")
        assert brought == "soakledger-by-itself=1", "nobody did that: it keeps no session awake"


@pytest.mark.parametrize(("width", "scheme"), [(390, "dark"), (1280, "light")])
def test_the_pages_fit(browser: Browser, alarmed: House, width: int, scheme: str) -> None:
    """Nothing to scroll sideways, nothing too small; what gloves press is 72 px high; each colour stands out."""
    with pagekit.serving(alarmed.data, alarmed.played) as server, looked_at(browser, width, scheme) as page:
        page.request.post(f"{server}/api/sign-in", data={"badge": alarmed.badges[TINA]})
        for name, address in PAGES.items():
            page.goto(server + address)
            page.wait_for_selector("#alarm-summary:has-text('2 high')")
            chromium.picture(page, f"alarm-{name}-{width}-{scheme}")
            assert page.evaluate("document.documentElement.scrollWidth") <= width, name
            assert page.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX) == [], name
            assert page.evaluate(SMALL_TEXTS, SMALLEST_TEXT_PX) == [], name
        page.goto(f"{server}/closures")
        page.wait_for_selector("#alarm-summary:has-text('2 high')")
        first, whole = page.evaluate(
            "['#alarm-lines li', '#alarms'].map((each) => document.querySelector(each).getBoundingClientRect().height)"
        )
        assert first <= MOST_FIRST_PX
        assert whole <= MOST_STRIP_PX[width]
        expect(page.locator("#alarm-lines .others")).to_contain_text("and 3 more:")
        page.goto(f"{server}/alarms")
        heights = page.evaluate("[...document.querySelectorAll('.answers button')].map((each) => each.offsetHeight)")
        assert len(heights) == 9
        assert min(heights) >= GLOVES_PX
        names = ["paper", "card", "ink", "alarm-high", "alarm-medium", "alarm-low", "alarm-ink"]
        style = (
            "(names) => names.map((each) => getComputedStyle(document.documentElement).getPropertyValue('--' + each))"
        )
        colours = dict(zip(names, (each.strip() for each in page.evaluate(style, names)), strict=True))
        assert contrast(colours["alarm-high"], colours["paper"]) >= 3
        for word in ("alarm-medium", "alarm-low"):  # their pattern of ink tells them apart on any ground
            assert contrast(colours[word], colours["alarm-ink"]) >= 3


@pytest.mark.parametrize("basin", ["n1/b1", "n1/b2"])
def test_with_alarms_a_basin_shows_its_next_step_without_scrolling(
    browser: Browser, alarmed: House, basin: str
) -> None:
    with pagekit.serving(alarmed.data, alarmed.played) as server, looked_at(browser, 1280) as page:
        page.set_viewport_size({"width": 1280, "height": 800})
        page.goto(f"{server}/basins/{basin}")
        page.wait_for_selector("#alarm-lines .others")
        ends = page.evaluate(
            "[...document.querySelectorAll('.tank, .sentence, .act-first, .clock')].filter((each) => "
            "each.checkVisibility()).map((each) => each.getBoundingClientRect().bottom)"
        )
        assert len(ends) >= 2
        assert max(ends) <= 800


def test_flashing_is_slow_and_stops_with_reduced_motion(browser: Browser, alarmed: House) -> None:
    """High 1.4 to 2.8 Hz, medium 0.4 to 0.8 Hz, at most 3 a second (WCAG 2.2, 2.3.1); not at all where not wanted."""
    durations = """() => [...document.querySelectorAll('#alarm-lines [data-priority]')].map((each) => {
      const edge = getComputedStyle(each, '::before');
      return edge.animationName === 'none' ? 0 : parseFloat(edge.animationDuration);
    })"""
    with pagekit.serving(alarmed.data, alarmed.played) as server, looked_at(browser, 1280) as page:
        page.goto(f"{server}/about")
        page.wait_for_selector("#alarm-lines [data-priority]")
        high, seen, medium = page.evaluate(durations)
        assert 1.4 <= 1 / high <= 2.8
        assert seen == 0
        assert 0.4 <= 1 / medium <= 0.8
        page.emulate_media(reduced_motion="reduce")
        assert page.evaluate(durations) == [0, 0, 0]
