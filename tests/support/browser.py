"""A real browser, and the pages' process, in the hands of a test."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import subprocess
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from harness import command, wait_for
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

if TYPE_CHECKING:
    from collections.abc import Iterator

#: Where .ci/tests puts the library that judges accessibility; another place is named by the variable.
AXE_VARIABLE = "CABCANARY_AXE"
_AXE = Path(__file__).parents[2] / ".venv" / "share" / "axe" / "node_modules" / "axe-core" / "axe.min.js"
_GRAVE = ("serious", "critical")


class PagesProcess:
    """`cabcanary pages` as a user starts it, at any free port."""

    def __init__(self, config: Path, *words: str, env: dict[str, str] | None = None) -> None:
        self.process = subprocess.Popen(
            command("pages", "--config", str(config), "--port", "0", *words),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, **(env or {})},
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        found = re.search(r"http://\S+?:(\d+)", line)
        if not found:
            _, told = self.process.communicate(timeout=30)
            pytest.fail(f"the pages did not start: {line}{told}")
        self.port = int(found[1])
        self.url = f"http://127.0.0.1:{self.port}"

    def close(self) -> tuple[int, str]:
        """Ask it to end; its exit code and all that it has complained of. May be called twice."""
        if self.process.stderr is None or self.process.stderr.closed:
            return self.process.returncode, ""
        if self.process.poll() is None:
            self.process.terminate()
        try:
            _, told = self.process.communicate(timeout=30)
        finally:
            self.process.kill()
        return self.process.returncode, told


@contextlib.contextmanager
def served(config: Path, *words: str, env: dict[str, str] | None = None) -> Iterator[PagesProcess]:
    """The pages of a vehicle; in the end they are gone, and have complained of nothing."""
    pages = PagesProcess(config, *words, env=env)
    try:
        yield pages
    except BaseException:
        print(pages.close())
        raise
    assert pages.close() == (0, "")


class Browser(webdriver.Chrome):
    """Chromium without a window."""

    def __init__(self, width: int = 1280, height: int = 800) -> None:
        options = webdriver.ChromeOptions()
        options.binary_location = _program("chromium")
        for word in ("--headless=new", "--no-sandbox", "--disable-dev-shm-usage", f"--window-size={width},{height}"):
            options.add_argument(word)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        super().__init__(options, Service(_program("chromedriver")))
        self.resize(width, height)

    def resize(self, width: int, height: int) -> None:
        """The page's own size, in CSS pixels."""
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)

    def text(self, selector: str) -> str:
        """The text of an element; empty while it is not there."""
        script = "return document.querySelector(arguments[0])?.textContent ?? ''"
        return str(self.execute_script(script, selector))

    def until(self, what: str, script: str, within_s: float = 60.0) -> Any:
        """The first true answer of a script."""
        return wait_for(what, lambda: self.execute_script(f"return {script}"), within_s)

    def complaints(self) -> list[str]:
        """What the browser's log holds of errors and warnings, since it was asked last."""
        return [str(e["message"]) for e in self.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]

    def hosts(self) -> set[str]:
        """Every host and port that a request went to, since it was asked last."""
        found = set()
        for entry in self.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"] == "Network.requestWillBeSent":
                url = message["params"]["request"]["url"]
                found |= set() if url.startswith("data:") else {url.split("/")[2]}
        return found

    def grave_faults(self) -> list[str]:
        """What axe-core finds serious or critical on the page as it is."""
        # By the protocol: the page's own policy lets no other script in.
        self.execute_cdp_cmd("Runtime.evaluate", {"expression": axe()})
        told = self.execute_async_script(
            "const done = arguments[0]; axe.run().then((r) => done(r.violations.map((v) => "
            "[v.impact, v.id, v.nodes.map((n) => n.target + ' ' + n.failureSummary).join('; ')])))"
        )
        return [" ".join(fault) for fault in told if fault[0] in _GRAVE]


def axe() -> str:
    """The text of axe-core; a test that needs it fails where it is not there."""
    path = Path(os.environ.get(AXE_VARIABLE) or _AXE)
    if not path.is_file():
        pytest.fail(f"there is no {path}: bash .ci/tests fetches it; or name axe.min.js in {AXE_VARIABLE}")
    return path.read_text(encoding="utf-8")


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.fail(f"there is no {name}: bash .ci/tests installs it")
    return found


def wall_ns() -> int:
    """What the wall clock shows where the monotonic clock shows zero, ns."""
    return time.time_ns() - time.monotonic_ns()
