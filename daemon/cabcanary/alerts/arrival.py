"""A drive that has been archived -> its arrival: minutes, peak boost, leanest under boost, seconds blind, alerts.

It is made of what lies on the disk, so it is there too for a drive whose end was the power being cut: then the next
key-on tells it.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from cabcanary.store.manifest import DRIVES, MANIFEST_ENDING, Manifest

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

#: How the alert of a channel that cannot be seen through begins.
_BLIND = "cannot_see_"


def blind_seconds(events: Iterable[dict[str, Any]], end_ns: int) -> float:
    """Seconds in which at least one *cannot see* alert stood; one that still stands does until `end_ns`."""
    standing: set[str] = set()
    since = total = 0
    for event in sorted(events, key=lambda e: int(e["t"])):
        if event.get("kind") != "alert" or not str(event.get("what", "")).startswith(_BLIND):
            continue
        if event.get("active") and not standing:
            since = event["t"]
        if event.get("active"):
            standing.add(event["what"])
        elif event["what"] in standing:
            standing.discard(event["what"])
            if not standing:
                total += event["t"] - since
    if standing:
        total += max(0, end_ns - since)
    return total / 1e9


def summary(folder: Path, drive: str | None = None) -> dict[str, Any] | None:
    """The arrival of a drive in a daemon's folder, of the last one if none is named; None if there is no such drive."""
    # A drive's name begins with its start, so the last name is the last drive, and only one file need be read.
    names = (folder / DRIVES).glob(f"vehicle=*/month=*/{drive or '*'}{MANIFEST_ENDING}")
    path = max(names, key=lambda p: p.name, default=None)
    if path is None:
        return None
    try:
        manifest = Manifest.model_validate_json(path.read_bytes())
    except (OSError, ValueError):
        return None
    events = _events(path.with_name(path.name.removesuffix(MANIFEST_ENDING) + ".events.jsonl"))
    times = [int(e["t"]) for e in events]
    return {
        "drive": manifest.drive,
        "start": manifest.start,
        "stage": manifest.stage,
        "minutes": round(manifest.length_s / 60, 2),
        "recovered": manifest.recovered,
        "boost_unit": manifest.boost_unit,
        "peak_boost": manifest.peak_boost,
        "leanest_under_boost": manifest.leanest_under_boost,
        "leanest_at_boost": manifest.leanest_at_boost,
        "blind_s": round(blind_seconds(events, max(times, default=0)), 1),
        "alerts": [{"alert": a.alert, "priority": a.priority, "count": a.count} for a in manifest.alerts],
    }


def _events(path: Path) -> list[dict[str, Any]]:
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except OSError:
        return []
    return [json.loads(line) for line in lines]
