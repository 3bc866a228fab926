"""The cab page in a real browser, beside a real daemon: what is promised to the person who glances at it."""

from __future__ import annotations

import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass

import pytest
from browser import Browser, PagesProcess, served, wall_ns
from cab_stand import CabStand
from harness import wait_for

pytestmark = pytest.mark.in_time

#: Promised: neither a dead daemon nor a dead server looks alive for longer, s.
DEAD_WITHIN_S = 2.0
_LOOK = "document.getElementById('say').dataset.look"
_QUALITIES = "return [...document.querySelectorAll('.value .%s')].map((e) => e.innerText.toLowerCase())"
_TEXTS = "[...document.querySelectorAll('.value .text')].map((e) => e.textContent)"
#: Writes down, by the page's own clock, what the sentence says and when.
_WATCH = """
window.seen = [];
const say = document.getElementById('say');
const note = () => window.seen.push([performance.timeOrigin + performance.now(), say.dataset.look,
  document.getElementById('do').textContent, document.querySelector('.value .text').textContent]);
new MutationObserver(note).observe(say, {attributes: true, subtree: true, childList: true, characterData: true});
note();
"""


@dataclass
class Cab:
    stand: CabStand
    pages: PagesProcess
    browser: Browser

    def look(self, wanted: str) -> None:
        self.browser.until(f"the look '{wanted}'", f"{_LOOK} === '{wanted}'")

    def since_s(self, look: str, at_s: float) -> float:
        """How long after this monotonic time the page first had this look; waits for it."""
        self.look(look)
        at_ms = (at_s * 1e9 + wall_ns()) / 1e6
        seen = self.browser.execute_script("return window.seen")
        return float(next(ms for ms, was, *_ in seen if was == look and ms > at_ms) - at_ms) / 1000

    def watch(self) -> None:
        self.browser.execute_script(_WATCH)

    def texts(self) -> list[str]:
        return list(self.browser.execute_script(f"return {_TEXTS}"))


@pytest.fixture(scope="module")
def cab(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cab]:
    """One daemon, one server and one browser for all that look at them."""
    stand = CabStand(tmp_path_factory.mktemp("cab"))
    with ExitStack() as stack:
        stack.callback(stand.close)
        stand.start()
        pages = stack.enter_context(served(stand.config))
        browser = Browser()
        stack.callback(browser.quit)
        browser.get(f"{pages.url}/cab")
        made = Cab(stand, pages, browser)
        made.look("calm")
        yield made


@pytest.fixture(autouse=True)
def calm(cab: Cab) -> Iterator[None]:
    """Every test begins with a calm page, and leaves no complaint in the browser."""
    cab.stand.says(50.0)
    cab.look("calm")
    cab.watch()
    yield
    assert cab.browser.complaints() == []
    assert cab.browser.hosts() <= {cab.pages.url.removeprefix("http://")}


def test_it_shows_the_owners_values_with_band_and_quality_and_what_is_watched(cab: Cab) -> None:
    cab.browser.until("the pressure", f"{_TEXTS}[0] === '50'")
    assert cab.texts() == ["50", "0.93", "14.1", "on"]
    heads = cab.browser.execute_script("return [...document.querySelectorAll('.value h2')].map((e) => e.innerText)")
    assert heads == ["pressure kPa", "lambda", "supply V", "engine running"]
    told = cab.browser.execute_script(
        "return [...document.querySelectorAll('.value .quality')].map((e) => e.innerText)"
    )
    assert all("good" in words for words in told)
    # accuracy is a limit of a rectangle: a / sqrt(3) of it is the standard uncertainty (JCGM 100:2008, 4.3.7).
    assert "± 1.2" in told[0]
    assert "± 0.012" in told[1]
    lines = cab.browser.execute_script("return document.getElementById('lines').innerText")
    assert "Not watched for lean under boost" in lines
    # At arm's length, 0.6 m, 22 minutes of arc (ISO 15008, the acceptable height of characters) are 3.8 mm: 15 CSS px.
    size = cab.browser.execute_script("return parseFloat(getComputedStyle(document.querySelector('.text')).fontSize)")
    assert size > 4 * 15


def test_day_and_night_narrow_and_wide_have_nothing_that_bars_anybody(cab: Cab) -> None:
    for width in (400, 1280):
        cab.browser.resize(width, 800)
        for words in ("Light: night", "Light: day", "Light: auto"):
            cab.browser.execute_script("document.getElementById('light').click()")
            assert cab.browser.text("#light") == words
            assert cab.browser.grave_faults() == []
        scrolled = "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert cab.browser.execute_script(scrolled) == 0


def test_an_alert_is_on_the_page_with_its_action_and_acknowledge_silences_the_cab(cab: Cab) -> None:
    began_ns = cab.stand.says(150.0)
    heard_ns = cab.stand.heard_ns(began_ns)
    late_s = cab.since_s("warning", began_ns / 1e9) - (heard_ns - began_ns) / 1e9
    print(f"on the page {1000 * late_s:.0f} ms after the buzzer")
    assert cab.browser.text("#do") == "Lift off gently"
    assert cab.browser.text("#what") == "Pressure too high."
    assert "pressure 150" in cab.browser.text("#figures")
    assert cab.browser.text("#announce") == "warning. Lift off gently. Pressure too high."
    assert cab.browser.grave_faults() == []
    cab.browser.find_element("id", "take").click()
    cab.look("calm")
    wait_for("the answer", lambda: cab.browser.text("#took") == "Acknowledged. What stands still stands.")
    assert "Pressure too high (warning, acknowledged)." in cab.browser.text("#also")
    wait_for("silence in the cab", cab.stand.is_silent)
    (taken,) = cab.stand.events("acknowledge")
    assert (taken["what"], taken["alerts"]) == ("page", ["too_high"])


def test_what_cannot_be_seen_is_as_loud_as_an_alarm_and_shows_no_number(cab: Cab) -> None:
    cab.stand.says(None)
    cab.look("blind")
    assert cab.browser.text("#kind") == "cannot see"
    cab.browser.until("every value to be blank", f"{_TEXTS}.every((text) => text === '––')")
    words = cab.browser.execute_script(
        "return [...document.querySelectorAll('.value .word')].map((e) => e.textContent)"
    )
    assert words == ["stale"] * 4 or set(words) <= {"stale", "absent"}
    size = "return document.getElementById('say').getBoundingClientRect().height"
    assert cab.browser.execute_script(size) > 200
    assert "Cannot see pressure: stale" in cab.browser.text("#lines")
    assert cab.browser.grave_faults() == []


def test_a_daemon_that_hangs_is_shown_in_time_without_a_number_and_one_that_goes_on_too(cab: Cab) -> None:
    at_s = cab.stand.signal(signal.SIGSTOP)
    try:
        after_s = cab.since_s("dead", at_s)
        assert cab.browser.text("#do") == "THE MONITOR DOES NOT ANSWER"
        assert cab.texts() == ["––"] * 4
        assert cab.browser.grave_faults() == []
        # There is nothing to be acknowledged, and nobody who would.
        assert not cab.browser.find_element("id", "take").is_enabled()
    finally:
        cab.stand.signal(signal.SIGCONT)
    assert after_s < DEAD_WITHIN_S
    cab.look("calm")


def test_a_daemon_that_is_killed_is_shown_in_time_and_its_successor_too(cab: Cab) -> None:
    after_s = cab.since_s("dead", cab.stand.kill())
    assert cab.browser.text("#do") == "THE MONITOR HAS STOPPED"
    assert cab.texts() == ["––"] * 4
    assert after_s < DEAD_WITHIN_S
    cab.stand.start()
    cab.look("calm")
    cab.browser.until("a value", f"{_TEXTS}[0] === '50'")


def test_a_server_that_hangs_is_shown_in_time_and_is_not_taken_for_the_daemon(cab: Cab) -> None:
    at_s = time.monotonic()
    cab.pages.process.send_signal(signal.SIGSTOP)
    try:
        after_s = cab.since_s("dead", at_s)
        assert cab.browser.text("#do") == "This page has lost its server"
        assert "the monitor may still watch" in cab.browser.text("#what")
        assert cab.texts() == ["––"] * 4
    finally:
        cab.pages.process.send_signal(signal.SIGCONT)
    assert after_s < DEAD_WITHIN_S
    cab.look("calm")


def test_a_page_whose_script_has_stopped_goes_dark_by_its_styles(cab: Cab) -> None:
    # The script's own clock is taken away, so that only the styles are left to tell.
    name = "Page.addScriptToEvaluateOnNewDocument"
    script = cab.browser.execute_cdp_cmd(name, {"source": "window.setInterval = () => 0;"})
    opacity = "return getComputedStyle(document.getElementById('values')).opacity"
    try:
        cab.browser.refresh()
        cab.look("calm")
        assert cab.browser.execute_script(opacity) == "1"
        cab.pages.process.send_signal(signal.SIGSTOP)
        wait_for("the values to go dark", lambda: cab.browser.execute_script(opacity) == "0", 10.0)
        assert cab.texts()[0] == "50"
        assert cab.browser.text(".under") == "Not live"
        # Whichever of the two it was: each ends in the dark.
        ends = (
            "const v = document.getElementById('values'); v.className = `values ${arguments[0]}`;"
            "v.getAnimations()[0].finish(); return getComputedStyle(v).opacity"
        )
        assert [cab.browser.execute_script(ends, name) for name in ("lit-a", "lit-b")] == ["0", "0"]
    finally:
        cab.pages.process.send_signal(signal.SIGCONT)
        cab.browser.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", script)
        cab.browser.refresh()


def test_a_page_that_slept_shows_nothing_of_before_when_it_wakes(cab: Cab) -> None:
    cab.browser.execute_cdp_cmd("Page.setWebLifecycleState", {"state": "frozen"})
    cab.pages.process.send_signal(signal.SIGSTOP)
    try:
        cab.browser.execute_cdp_cmd("Page.setWebLifecycleState", {"state": "active"})
        at_s = time.monotonic()
        cab.look("dead")
        assert cab.texts() == ["––"] * 4
        # At once, and not when the page's own patience is over.
        assert time.monotonic() - at_s < 1.4
    finally:
        cab.pages.process.send_signal(signal.SIGCONT)
    cab.look("calm")


def test_a_state_that_was_long_under_way_is_not_taken_for_one_of_now(cab: Cab) -> None:
    script = """
    const done = arguments[0];
    import('/static/fresh.js').then(({Freshness}) => {
      const fresh = new Freshness(), told = [];
      // The server's clock, and the page's when it came: 5 ms under way, then 200, 3000, and 20 again.
      for (const [server, here] of [[1000, 6], [2000, 1200], [3000, 5000], [6000, 5020]])
        told.push(fresh.isFresh(server, here));
      // For four hours a little slower than the other clock, 100 ppm: never late by that.
      told[4] = true;
      for (let s = 0; s < 4 * 3600; s += 1) told[4] &&= fresh.isFresh(7000 + s * 1000, 6020 + s * 1000.1);
      done(told);
    });"""
    assert cab.browser.execute_async_script(script) == [True, True, False, True, True]
