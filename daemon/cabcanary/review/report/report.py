"""A drive -> its report: the page, and the same figures for a program."""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from cabcanary import __version__
from cabcanary.review.list.recorded_drive import read_drive
from cabcanary.review.new_files import write_whole
from cabcanary.review.report.alert_plots import alerts
from cabcanary.review.report.heat_plots import heat, supply
from cabcanary.review.report.looked import Looked, Section
from cabcanary.review.report.mixture_plots import against_boost, by_speed, into_pulls
from cabcanary.review.report.opening import not_seen, seen, sounded
from cabcanary.review.report.page import page
from cabcanary.review.report.ribbon import ribbon
from cabcanary.store.manifest import MANIFEST_ENDING, Manifest, laid_over, read_manifest, state_folder

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from cabcanary.display import Display

#: The parts of a report in their order: a name for programs, and what makes it. A part says in a sentence what it
#: cannot show, and why; it never fails for a channel that a vehicle lacks.
SECTIONS: tuple[tuple[str, Callable[[Looked], Section]], ...] = (
    ("seen", seen),
    ("sounded", sounded),
    ("not_seen", not_seen),
    ("ribbon", ribbon),
    ("alert_plots", alerts),
    ("mixture", against_boost),
    ("into_pulls", into_pulls),
    ("by_speed", by_speed),
    ("charge", heat),
    ("supply", supply),
)


@dataclass(frozen=True, slots=True)
class Report:
    """What was made: the page, and its figures for a program."""

    html: str
    figures: dict[str, Any]


def make_report(samples: Path, display: Display | None = None, kept: Path | None = None) -> Report:
    """The report of a recorded drive; without `display` in the units that the drive's own settings choose.

    `kept` are the samples beside which the drive's manifest lies, where they are not the same.

    Raises:
        RecordedError: it is no recorded drive, or damaged.
    """
    drive, manifest = read_drive(samples), _manifest_of(kept or samples)
    looked = Looked(drive, manifest, display or drive.plan.settings.shown_in)
    made = {key: section(looked) for key, section in SECTIONS}
    vehicle = drive.plan.settings.vehicle
    figures: dict[str, Any] = {
        "drive": looked.name,
        "vehicle": vehicle.name,
        "stage": vehicle.stage,
        "start": looked.figures.start,
        "software": __version__,
        "limits_confirmed_by": drive.plan.settings.limits.confirmed_by,
        "notes": list(manifest.notes) if manifest else [],
        "marks": marks_of(looked),
    }
    told = {key: {"sentences": section.sentences, **section.figures} for key, section in made.items()}
    return Report(page(looked, list(made.items()), marks_of(looked)), figures | told)


def marks_of(looked: Looked) -> list[dict[str, Any]]:
    """The moments that somebody wanted remembered, s from the first sample, with their words."""
    noted = [e for e in looked.events if e.get("kind") == "note"]
    return [{"at_s": round(looked.at_s(int(e["t"])), 2), "text": str(e.get("text", ""))} for e in noted]


def _manifest_of(samples: Path) -> Manifest | None:
    """The manifest beside a drive's samples with what the pages have said; None where none can be read."""
    with contextlib.suppress(OSError, ValueError):
        return laid_over(state_folder(samples), read_manifest(samples.with_name(samples.stem + MANIFEST_ENDING)))
    return None


def write_report(report: Report, target: Path) -> None:
    """The page into a new file, there whole or not at all.

    Raises:
        DriveError: a file of this name has come into being meanwhile.
        OSError: it cannot be written; nothing is left of it.
    """
    write_whole([target], lambda made: _to_disk(made[0], report.html))


def _to_disk(file: Path, html: str) -> None:
    with file.open("wb") as opened:
        opened.write(html.encode())
        opened.flush()
        os.fsync(opened.fileno())
