"""Pictures of the pages for README.md: `python tests/support/page_pictures.py guides/pictures` makes them anew.

The bench van a moment into its lean pull, and its drive afterwards, as Chromium shows them.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from archived_drive import archived
from browser import Browser, served
from harness import Ride

from cabcanary_bench.drives.scenario import FIRST_DRIVE
from cabcanary_bench.paths import config_folder

_VAN = config_folder() / "bench-van.toml"
#: A while before the lean pull, s of the scenario.
_FROM_S = 163.0


def cab(folder: Path, target: Path) -> None:
    """The cab page with an alert, by day."""
    driven = Ride(folder, FIRST_DRIVE, 1.0, None, own_time=False)
    try:
        driven.begin(_FROM_S)
        with served(_VAN, env=driven.rig.environment()) as pages:
            browser = Browser(1100, 770)
            try:
                browser.execute_cdp_cmd("Emulation.setScrollbarsHidden", {"hidden": True})
                browser.get(f"{pages.url}/cab")
                browser.until("the alert", "document.getElementById('say').dataset.look === 'warning'")
                time.sleep(0.5)
                browser.save_screenshot(str(target))
            finally:
                browser.quit()
    finally:
        driven.close()


def drive(folder: Path, target: Path) -> None:
    """The page of one drive."""
    archived(folder, FIRST_DRIVE, 1)
    with served(_VAN, env={"CABCANARY_BENCH": str(folder)}) as pages:
        browser = Browser(1100, 1000)
        try:
            browser.execute_cdp_cmd("Emulation.setScrollbarsHidden", {"hidden": True})
            browser.get(f"{pages.url}/drives")
            browser.execute_script("document.querySelector('tbody a').click()")
            browser.until("the traces", "document.getElementById('plots')?.dataset.ready")
            time.sleep(0.5)
            browser.save_screenshot(str(target))
        finally:
            browser.quit()


if __name__ == "__main__":
    place = Path(sys.argv[1])
    with tempfile.TemporaryDirectory() as made:
        cab(Path(made) / "cab", place / "cab.png")
        drive(Path(made) / "drive", place / "drive.png")
