"""A drive of three hours as the archive keeps it: 540,000 ticks of 24 channels, written by the archive's own writer."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.model import Quality
from cabcanary.store.archive import Column, SampleWriter
from cabcanary.store.manifest import AlertCount, Manifest, drive_folder, write_manifest
from cabcanary.store.rows import ROWS_PER_GROUP, Rows

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

TICKS, CHANNELS = 540_000, 24
NAME = "20260101T080000Z-three-hours"
START = "2026-01-01T08:00:00+00:00"
FIRST_NS = 1_000_000_000_000
TICK_NS = 20_000_000
#: A single tick far above all others, in the first channel; and one at which the second could not be seen.
SPIKE_AT, SPIKE = 27_182, 777.0
BLIND_AT = 31_415
NAMES = [f"c{n}" for n in range(CHANNELS)]


def three_hours(folder: Path, ticks: int = TICKS, events: Iterable[dict[str, Any]] = ()) -> Path:
    """Write it, or the beginning of it, under a daemon's folder; returns its samples."""
    place = drive_folder(folder, "long van", START)
    place.mkdir(parents=True)
    samples = place / f"{NAME}.parquet"
    columns = [Column(name, "kPa") for name in NAMES]
    units = {"drive": NAME, "vehicle": "long van", "stage": "bench", "settings": "x", "rules": {}}
    writer = SampleWriter(samples, columns, units)
    chance = np.random.default_rng(3)
    for first in range(0, ticks, ROWS_PER_GROUP):
        writer.add(_rows(first, min(first + ROWS_PER_GROUP, ticks), chance))
    writer.close()
    manifest = Manifest(
        drive=NAME, vehicle="long van", stage="bench", start=START, length_s=ticks * TICK_NS / 1e9, ticks=ticks,
        recovered=False, lost_blocks=0, lost_ticks=0, software="test", first_ns=FIRST_NS, clock="synchronised",
        alerts=[_count(e) for e in events if e["raised"]],
    )  # fmt: skip
    lines = "".join(json.dumps(event) + "\n" for event in events)
    samples.with_name(f"{NAME}.events.jsonl").write_text(lines, encoding="utf-8")
    write_manifest(samples.with_name(f"{NAME}.manifest.json"), manifest)
    return samples


def _count(event: dict[str, Any]) -> AlertCount:
    first_s = (event["t"] - FIRST_NS) / 1e9
    return AlertCount(alert=event["what"], priority=event["priority"], count=1, first_s=first_s)


def _rows(first: int, last: int, chance: np.random.Generator) -> Rows:
    n = np.arange(first, last)
    values, qualities, uncertainties = {}, {}, {}
    for c, name in enumerate(NAMES):
        signal = 100 + 40 * np.sin(n / (400 + 37 * c)) + 15 * np.sin(n / 31) + chance.normal(0, 0.4, len(n))
        # A converter's codes: 12 bits of 250 kPa.
        values[name] = np.round(signal / 0.061) * 0.061
        qualities[name] = np.zeros(len(n), np.uint8)
        uncertainties[name] = np.full(len(n), 0.5)
    if first <= SPIKE_AT < last:
        values["c0"][SPIKE_AT - first] = SPIKE
    if first <= BLIND_AT < last:
        qualities["c1"][BLIND_AT - first] = int(Quality.STALE)
    return Rows(FIRST_NS + n * TICK_NS, values, qualities, uncertainties)
