"""The pages of drives, in a real browser and without: what is listed, shown, written down and taken away."""

from __future__ import annotations

import http.client
import json
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pyarrow.parquet as pq
import pytest
from browser import Browser, PagesProcess, served
from harness import wait_for
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys
from three_hours import FIRST_NS, NAME, NAMES, SPIKE, SPIKE_AT, TICK_NS, three_hours

from cabcanary.store.manifest import read_manifest
from cabcanary_bench.paths import config_folder

pytestmark = pytest.mark.waits

TICKS = 45_000
LENGTH_S = TICKS * TICK_NS / 1e9


def event(at_s: float, what: str, *, active: bool, **more: Any) -> dict[str, Any]:
    return {"t": FIRST_NS + int(at_s * 1e9), "kind": "alert", "what": what, "state": "x", "active": active,
            "raised": active, "priority": "warning", "say": f"<b>{what}</b>", "text": what, "figures": "",
            **more}  # fmt: skip


EVENTS = [
    event(100.0, "over_boost", active=True),
    event(110.0, "over_boost", active=False),
    event(200.0, "cannot_see_lambda", active=True, blind=True),
    event(245.0, "cannot_see_lambda", active=False, blind=True),
]


@dataclass
class Drives:
    folder: Path
    samples: Path
    pages: PagesProcess
    browser: Browser

    def open(self) -> None:
        self.browser.get(f"{self.pages.url}/drives/{NAME}")
        self.ready()

    def ready(self) -> None:
        self.browser.until("the traces", "document.getElementById('plots')?.dataset.ready")

    def after(self, what: str, act: Any) -> tuple[float, float]:
        """Do something, and wait until another part is shown."""
        before = self.browser.text("#shown")
        act()
        wait_for(what, lambda: self.browser.text("#shown") != before)
        words = self.browser.text("#shown").removeprefix("Shown: ").split(" of ")[0].split(" to ")
        return seconds(words[0]), seconds(words[1])

    def labels(self) -> list[str]:
        """What each trace says of itself to those who do not see it."""
        script = "return [...document.querySelectorAll('.strip [role=img]')].map((e) => e.ariaLabel ?? '')"
        return list(self.browser.execute_script(script))

    def press(self, words: str) -> None:
        (button,) = [b for b in self.browser.find_elements("css selector", "[data-do]") if b.text == words]
        button.click()

    def ask(self, method: str, path: str, **fields: str) -> tuple[int, bytes]:
        asked = http.client.HTTPConnection("127.0.0.1", self.pages.port, timeout=60)
        try:
            asked.request(method, path, urlencode(fields) or None, {"Origin": self.pages.url})
            answer = asked.getresponse()
            return answer.status, answer.read()
        finally:
            asked.close()

    def manifest(self) -> Any:
        return read_manifest(self.samples.with_name(f"{NAME}.manifest.json"))


def seconds(words: str) -> float:
    found = 0.0
    for part in words.split(":"):
        found = found * 60 + float(part)
    return found


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Drives]:
    """One drive of fifteen minutes, one server and one browser for all that look at them."""
    folder = tmp_path_factory.mktemp("drives")
    samples = three_hours(folder, TICKS, EVENTS)
    with ExitStack() as stack:
        pages = stack.enter_context(served(config_folder() / "bench-van.toml", env={"CABCANARY_BENCH": str(folder)}))
        browser = Browser()
        stack.callback(browser.quit)
        yield Drives(folder, samples, pages, browser)


@pytest.fixture(autouse=True)
def clean(drives: Drives) -> Iterator[None]:
    """No test leaves a complaint in the browser, and none asks another host."""
    yield
    assert drives.browser.complaints() == []
    assert drives.browser.hosts() <= {drives.pages.url.removeprefix("http://")}


def test_the_list_says_of_each_drive_when_how_long_what_was_raised_and_what_was_not_seen(drives: Drives) -> None:
    drives.browser.get(f"{drives.pages.url}/drives")
    (row,) = drives.browser.find_elements("css selector", "tbody tr")
    cells = [c.text for c in row.find_elements("css selector", "th, td")]
    # 45 s of 15 minutes were blind.
    assert cells[:5] == ["2026-01-01 08:00", "15 min", "bench", "over boost, cannot see lambda", "5 %"]
    assert drives.browser.grave_faults() == []
    row.find_element("css selector", "a").click()
    drives.ready()
    said = drives.browser.text(".said")
    assert "It took 15 min and began 2026-01-01 08:00 UTC." in said
    assert "For 45 s of it (5 %) something could not be seen" in said
    # What a file says is text, whatever stands in it.
    assert "<b>over_boost</b>" in drives.browser.text(".moments")
    assert drives.browser.find_elements("css selector", ".moments b") == []


def test_the_whole_drive_is_shown_first_with_its_one_tick_of_a_spike(drives: Drives) -> None:
    drives.open()
    assert len(drives.browser.find_elements("css selector", ".strip")) == 4
    label = drives.browser.execute_script(
        "return document.querySelector('.strip [role=img]').getAttribute('aria-label')"
    )
    assert "c0, 0:00.0 to 15:00.0: " in label
    assert f" to {SPIKE:g} kPa" in label
    # Words stand before pictures.
    order = "return document.querySelector('.said').compareDocumentPosition(document.querySelector('.strip')) & 4"
    assert drives.browser.execute_script(order) == 4


@pytest.mark.parametrize("width", [400, 1280])
def test_it_bars_nobody_by_day_or_night_narrow_or_wide(drives: Drives, width: int) -> None:
    drives.browser.resize(width, 800)
    try:
        drives.open()
        for _ in range(3):
            drives.browser.execute_script("document.getElementById('light').click()")
            assert drives.browser.grave_faults() == []
        scrolled = "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert drives.browser.execute_script(scrolled) == 0
    finally:
        drives.browser.resize(1280, 800)


def test_one_looks_from_the_whole_drive_down_to_milliseconds_by_buttons_and_by_keys(drives: Drives) -> None:
    drives.open()
    from_s, to_s = drives.after("a nearer part", lambda: drives.press("Nearer"))
    assert to_s - from_s == pytest.approx(LENGTH_S / 2, abs=0.2)
    place = drives.browser.find_element("css selector", "[data-do=in]")
    for _ in range(16):
        from_s, to_s = drives.after("a nearer part", lambda: place.send_keys("+"))
    assert to_s - from_s == pytest.approx(0.00686, rel=0.1)
    later = drives.after("a later part", lambda: place.send_keys(Keys.ARROW_RIGHT))
    assert later[0] > from_s
    assert drives.after("a farther part", lambda: place.send_keys("-"))[0] < later[0]
    assert drives.after("the whole", lambda: place.send_keys(Keys.HOME)) == pytest.approx((0.0, LENGTH_S), abs=0.1)


def test_an_alert_leads_to_its_moment_and_every_trace_says_what_was_there(drives: Drives) -> None:
    drives.open()
    go = drives.browser.find_elements("css selector", ".go")[0]
    assert go.text == "1:40.0"
    assert drives.after("the moment", go.click) == pytest.approx((95.0, 105.0), abs=0.05)
    assert drives.browser.text("#here") == "At 1:40.00:"
    drives.browser.until("a single tick", "!document.querySelector('output').textContent.includes(' to ') || "
                         "document.querySelector('output').textContent.includes('band')")  # fmt: skip
    truth = pq.read_table(drives.samples, columns=["c0"])["c0"].to_numpy()[5000]
    wait_for("the value", lambda: drives.browser.text("output").startswith(f"{float(f'{truth:.4g}'):g}, band "))
    # 2 standard uncertainties of 0.5 to each side.
    assert drives.browser.text("output").endswith(", good")
    assert f"{float(f'{truth - 1:.4g}'):g} to {float(f'{truth + 1:.4g}'):g}" in drives.browser.text("output")


def test_dragging_over_one_trace_moves_all_of_them(drives: Drives) -> None:
    drives.open()
    over = drives.browser.find_elements("css selector", ".u-over")[1]
    width = over.size["width"]

    def drag() -> None:
        ActionChains(drives.browser).move_to_element_with_offset(over, -width // 4, 0).click_and_hold().move_by_offset(
            width // 2, 0
        ).release().perform()

    assert drives.after("the part", drag) == pytest.approx((LENGTH_S / 4, LENGTH_S * 3 / 4), abs=LENGTH_S / 100)
    wait_for("all", lambda: len({label.split(": ")[0].split(", ", 1)[1] for label in drives.labels()}) == 1)


def test_other_channels_are_chosen(drives: Drives) -> None:
    drives.open()
    drives.browser.execute_script("document.querySelector('.boxes input[value=c9]').click()")
    drives.browser.until("a fifth trace", "document.querySelectorAll('.strip').length === 5")
    wait_for("its values", lambda: "kPa" in drives.labels()[-1])


def test_a_note_is_written_at_the_moment_that_is_pointed_at_and_a_drive_is_kept(drives: Drives) -> None:
    drives.open()
    drives.browser.find_elements("css selector", ".go")[0].click()
    drives.browser.find_element("id", "words").send_keys("new <hose> clamps, é")
    drives.browser.find_element("id", "at").click()
    drives.browser.find_element("css selector", ".note button").click()
    wait_for("the note", lambda: drives.browser.text(".notes") == "1:40.0 new <hose> clamps, é")
    assert drives.manifest().notes == ["at 1:40.0: new <hose> clamps, é"]
    # It leads back to its moment, as an alert does.
    drives.ready()
    lead = drives.browser.find_element("css selector", ".notes .go")
    assert drives.after("the moment", lead.click) == pytest.approx((95.0, 105.0), abs=0.05)
    drives.browser.find_element("css selector", ".keep button").click()
    wait_for("the mark", lambda: drives.browser.text(".keep p") == "It is kept: it is never removed to make room.")
    assert drives.manifest().kept
    assert drives.ask("POST", f"/drives/{NAME}/keep", kept="no")[0] == 303
    assert not drives.manifest().kept
    assert drives.manifest().notes == ["at 1:40.0: new <hose> clamps, é"]


def test_notes_of_several_at_once_are_all_kept_and_none_is_longer_than_allowed(drives: Drives) -> None:
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(8) as many:
        codes = list(many.map(lambda n: drives.ask("POST", f"/drives/{NAME}/note", words=f"n{n}")[0], range(16)))
    assert codes == [303] * 16
    assert {f"n{n}" for n in range(16)} <= set(drives.manifest().notes)
    assert drives.ask("POST", f"/drives/{NAME}/note", words="x" * 3000)[0] == 303
    assert max(map(len, drives.manifest().notes)) == 500
    assert drives.ask("POST", f"/drives/{NAME}/note", words="  ")[0] == 400


def test_a_drive_is_taken_away_as_it_is_kept_and_as_text(drives: Drives) -> None:
    status, data = drives.ask("GET", f"/drives/{NAME}/parquet")
    assert (status, data) == (200, drives.samples.read_bytes())
    status, data = drives.ask("GET", f"/drives/{NAME}/csv")
    head, first = data.decode().splitlines()[:2]
    assert (status, head.split(",")[:2], data.count(b"\n")) == (200, ["time_s", "c0 [kPa]"], TICKS + 1)
    assert first.startswith("0.000000,")


@pytest.mark.parametrize(
    "name",
    ["nothing", "..", "..%2f..%2fetc", "%2e%2e", NAME[:-1], f"{NAME}*", "*", "[a-z]*", f"{NAME}.manifest", "a" * 500,
     "%00"],
)  # fmt: skip
def test_a_name_that_is_no_drives_own_leads_nowhere(name: str, drives: Drives) -> None:
    for below in ("", "/view?channels=c0&from=0&to=1", "/parquet", "/csv"):
        status, data = drives.ask("GET", f"/drives/{name}{below}")
        assert status in (303, 307, 404), (name, below)
        assert b"PAR1" not in data
    for below in ("/note", "/keep"):
        assert drives.ask("POST", f"/drives/{name}{below}", words="x", kept="yes")[0] in (404, 405)


@pytest.mark.parametrize(
    "query", ["", "from=a&to=b", "from=nan&to=1", "from=5&to=5", "from=9&to=1", "from=0", "from=-inf&to=nan"]
)
def test_a_part_that_cannot_be_is_refused_in_words(query: str, drives: Drives) -> None:
    status, data = drives.ask("GET", f"/drives/{NAME}/view?channels=c0&{query}")
    assert (status, "error" in json.loads(data)) == (400, True)


def test_whatever_else_is_asked_of_a_part_is_bounded(drives: Drives) -> None:
    for points in ("0", "-5", "x", "99999999999", "1e9", ""):
        query = urlencode(
            {"channels": ",".join([*NAMES, "nothing", "../x"]), "from": "-inf", "to": "inf", "points": points}
        )
        status, data = drives.ask("GET", f"/drives/{NAME}/view?{query}")
        told = json.loads(data)
        assert (status, len(told["channels"])) == (200, 12)
        assert 10 <= len(told["t"]) <= 8000 * 1.1
    assert drives.ask("GET", "/drives?page=999999999999")[0] == 200
    assert drives.ask("GET", "/drives?page=x")[0] == 200


def test_drives_that_are_damaged_are_counted_and_cost_the_others_nothing(drives: Drives) -> None:
    damaged = drives.samples.with_name("20260101T090000Z-damaged.manifest.json")
    damaged.write_text("{}")
    hollow = drives.samples.with_name("20260101T100000Z-hollow.manifest.json")
    hollow.write_text(drives.manifest().model_copy(update={"drive": "20260101T100000Z-hollow"}).model_dump_json())
    hollow.with_name("20260101T100000Z-hollow.parquet").write_bytes(b"PAR1 no more")
    try:
        status, data = drives.ask("GET", "/drives")
        assert (status, b"1 more cannot be read" in data, b"three-hours" in data) == (200, True, True)
        for name in ("20260101T090000Z-damaged", "20260101T100000Z-hollow"):
            assert drives.ask("GET", f"/drives/{name}")[0] == 404
    finally:
        damaged.unlink()
        hollow.unlink()
        hollow.with_name("20260101T100000Z-hollow.parquet").unlink()


def test_a_note_that_cannot_be_written_is_told(drives: Drives) -> None:
    # What stands in the way of a file is in the way of root as well.
    barred = drives.samples.with_name(f"{NAME}.marks.json.new")
    barred.mkdir()
    try:
        status, data = drives.ask("POST", f"/drives/{NAME}/note", words="lost?")
        assert (status, b"It cannot be written" in data) == (503, True)
        assert "lost?" not in drives.manifest().notes
    finally:
        barred.rmdir()


def test_the_spike_is_found_from_far_and_near_by_its_own_tick(drives: Drives) -> None:
    at_s = SPIKE_AT * TICK_NS / 1e9
    for span in (LENGTH_S, 60.0, 1.0, 0.1):
        query = urlencode({"channels": "c0", "from": at_s - span, "to": at_s + span, "points": 500})
        told = json.loads(drives.ask("GET", f"/drives/{NAME}/view?{query}")[1])
        values = told["channels"]["c0"]["max"]
        assert max(v for v in values if v is not None) == SPIKE
        assert abs(told["t"][values.index(SPIKE)] - at_s) <= told["ticks"] * TICK_NS / 1e9
