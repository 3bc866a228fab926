"""A drive that has been archived -> its arrival: minutes, peak boost, leanest under boost, seconds blind, alerts.

It is made from the files on the disk, so it also exists for a drive that ended with a power cut: the next key-on
tells it.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from cabcanary.clock import boot_id
from cabcanary.store.boots import drives_of_boot
from cabcanary.store.manifest import DRIVES, MANIFEST_ENDING, Manifest, newest_first

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


def last_drive(folder: Path, vehicle: str) -> str | None:
    """The name of the drive that this vehicle made last; None if there is none.

    Imported and reconverted drives do not count. Where the time was not set, drives of this start of the machine come
    after all others, in the order of its monotonic clock.
    """
    boot = boot_id()
    now = [m for _, m in drives_of_boot(folder, boot) if _is_own(m, vehicle)] if boot else []
    if now:
        return max(now, key=lambda m: (m.first_ns, m.start)).drive
    return next((m.drive for _, m in newest_first(folder, vehicle) if _is_own(m, vehicle)), None)


def _is_own(manifest: Manifest, vehicle: str) -> bool:
    return manifest.vehicle == vehicle and not manifest.made_from


def summary(folder: Path, drive: str) -> dict[str, Any] | None:
    """The arrival of a drive in a daemon's folder; None if there is no such drive."""
    path = next((folder / DRIVES).glob(f"vehicle=*/month=*/{drive}{MANIFEST_ENDING}"), None)
    manifest = None if path is None else _manifest(path)
    if path is None or manifest is None:
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
        "lambda_95_under_boost": manifest.lambda_95_under_boost,
        "blind_s": round(blind_seconds(events, max(times, default=0)), 1),
        "alerts": [{"alert": a.alert, "priority": a.priority, "count": a.count} for a in manifest.alerts],
    }


def _manifest(path: Path) -> Manifest | None:
    try:
        return Manifest.model_validate_json(path.read_bytes())
    except (OSError, ValueError):
        return None


def _events(path: Path) -> list[dict[str, Any]]:
    """A drive's events; a line that the card has spoilt costs itself."""
    try:
        lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []
    found = []
    for line in lines:
        try:
            event = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(event, dict) and isinstance(event.get("t"), int) and abs(event["t"]) < 2**63:
            found.append(event)
    return found
