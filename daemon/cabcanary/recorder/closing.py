"""A drive's manifest, made from its samples and events: when it is archived, and again when the manifest is lost."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, NamedTuple

import pyarrow.parquet as pq

from cabcanary.recorder.archived_drive import asked_frames
from cabcanary.recorder.journal_drive import plan_of
from cabcanary.recorder.summary import Summary
from cabcanary.store.archive import read_about
from cabcanary.store.manifest import MARKS_ENDING, Manifest, Marks
from cabcanary.validation.problems import SettingsError

if TYPE_CHECKING:
    from pathlib import Path


class Closing(NamedTuple):
    """What only the closing of a drive knows; the samples' file keeps it under `closing`."""

    first_ns: int
    clock_within_s: float | None
    recovered: bool
    lost_blocks: int
    lost_ticks: int
    lost_events: int
    note: str
    made_from: str


def manifest_of(samples: Path) -> Manifest:
    """The manifest of an archived drive, from its samples, its events and the marks beside them.

    Raises:
        ValueError, OSError: the samples cannot be read, or are of a version that did not keep all that this needs.
    """
    about = read_about(samples)
    ticks, first_ns, last_ns = _extent(samples)
    try:
        # An earlier version kept this in the manifest alone.
        kept = about.get("closing", _UNKNOWN._asdict() | {"first_ns": first_ns})
        closing = Closing(**kept)
        said = _said(about, closing)
    except (KeyError, TypeError) as error:
        raise ValueError(f"{samples.name} does not say enough of its drive") from error
    said |= {"ticks": ticks, "length_s": round((last_ns - closing.first_ns) / 1e9, 3) if ticks else 0.0}
    return Manifest.model_validate(said | _figures(samples, about, closing.first_ns) | _marks(samples))


#: Of a drive whose manifest is lost, and whose samples do not say it.
_UNKNOWN = Closing(0, None, recovered=True, lost_blocks=0, lost_ticks=0, lost_events=0, note="", made_from="")


def _said(about: dict[str, Any], closing: Closing) -> dict[str, Any]:
    return {
        "drive": about["drive"],
        "vehicle": about["vehicle"],
        "stage": about["stage"],
        "start": about["start"],
        "clock": about["clock_quality"],
        "boot": about.get("boot", ""),
        "speed": about.get("speed", 1.0),
        "software": about["software"],
        **closing._asdict(),
    }


def _extent(samples: Path) -> tuple[int, int, int]:
    """The number of ticks, and the times of the first and the last one."""
    with pq.ParquetFile(samples) as file:
        if not file.metadata.num_rows:
            return 0, 0, 0
        first = file.read_row_group(0, columns=["tick_ns"])["tick_ns"][0]
        last = file.read_row_group(file.num_row_groups - 1, columns=["tick_ns"])["tick_ns"][-1]
        return int(file.metadata.num_rows), int(first.as_py()), int(last.as_py())


def _figures(samples: Path, about: dict[str, Any], first_ns: int) -> dict[str, Any]:
    try:
        plan = plan_of(about)
    except SettingsError:
        plan = None
    summary = Summary(plan)
    if plan is not None:
        for frame in asked_frames(samples):
            summary.add(frame)
    return summary.result(_events(samples), first_ns)


def _events(samples: Path) -> list[dict[str, Any]]:
    file = samples.with_suffix(".events.jsonl")
    if not file.exists():
        return []
    found = []
    for line in file.read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            found.append(json.loads(line))
        except (ValueError, RecursionError):
            # A line that the card has spoilt costs itself.
            continue
    return [event for event in found if isinstance(event, dict) and "t" in event]


def _marks(samples: Path) -> dict[str, Any]:
    try:
        return Marks.model_validate_json(samples.with_suffix(MARKS_ENDING).read_bytes()).model_dump()
    except (OSError, ValueError):
        return {}
