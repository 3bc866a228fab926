"""Journal -> archive, in a process of its own: closes finished drives and recovers those that were cut off.

`python -m cabcanary.recorder.archiver`; one line of JSON on standard input, {"folder": …}; one JSON object a
line on standard output for each drive. A journal that a live daemon holds is left alone.
"""

from __future__ import annotations

import fcntl
import json
import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from cabcanary.model import Frame, Quality
from cabcanary.plan import Plan, plan_from_texts
from cabcanary.recorder.summary import summarise
from cabcanary.settings.load import rules_from_text, settings_from_text
from cabcanary.settings.problems import SettingsError
from cabcanary.store.archive import Column, write_samples
from cabcanary.store.journal import (
    Block,
    BlockKind,
    Tick,
    decode_events,
    decode_json,
    decode_samples,
    read_blocks,
)
from cabcanary.store.manifest import (
    JOURNAL,
    MANIFEST_ENDING,
    Manifest,
    drive_folder,
    manifest_json,
    sync_folder,
    write_atomically,
)


class Drive:
    """A journal's content, as far as it survived."""

    def __init__(self, blocks: list[Block]) -> None:
        header = next((b for b in blocks if b.kind is BlockKind.HEADER), None)
        if header is None:
            raise ValueError("the journal's first block did not survive, so nothing in it has a meaning")
        self.header = decode_json(header.payload)
        keys = [(source, item) for _, source, item in self.header["channels"]]
        self.ticks: list[Tick] = []
        self.events: list[dict[str, Any]] = []
        self.end: dict[str, Any] | None = None
        self.lost_blocks = (max(b.sequence for b in blocks) + 1 - len(blocks)) if blocks else 0
        for block in blocks:
            if block.kind is BlockKind.SAMPLES:
                self.ticks += decode_samples(block.payload, keys)
            elif block.kind is BlockKind.EVENTS:
                self.events += decode_events(block.payload)
            elif block.kind is BlockKind.END:
                self.end = decode_json(block.payload)
        self.ticks.sort(key=lambda t: t[0])

    def plan(self) -> Plan:
        """The plan that the drive ran with.

        Raises:
            SettingsError: this version of the program cannot read that drive's settings.
        """
        settings = settings_from_text(self.header["settings"], Path("recorded settings"))
        rules = [rules_from_text(text, Path(name)) for name, text in self.header["rules"].items()]
        return plan_from_texts(settings, rules)

    def frames(self, plan: Plan) -> list[Frame]:
        """The drive's frames, computed again by the live code from the raw readings."""
        pipeline = plan.pipeline()
        pipeline.restore(self.header["channels_state"])
        keys = [m.key for m in pipeline.measured]
        frames = []
        for time_ns, readings in self.ticks:
            newest = {k: r for k, r in zip(keys, readings, strict=True) if r is not None}
            frames.append(pipeline.step(newest, time_ns))
        return frames


def archive_all(folder: Path) -> list[dict[str, Any]]:
    """Archive every journal that no daemon holds; one report for each."""
    reports = []
    for path in sorted((folder / JOURNAL).glob("*.ccj")):
        try:
            descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            continue
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            reports.append(_archive_one(folder, path))
        except BlockingIOError:
            continue
        except (OSError, ValueError, KeyError) as error:
            reports.append({"failed": path.stem, "text": f"{path.name}: {error}"})
        finally:
            os.close(descriptor)
    return reports


def _archive_one(folder: Path, path: Path) -> dict[str, Any]:
    blocks = list(read_blocks(path.read_bytes()))
    try:
        drive = Drive(blocks)
    except ValueError as error:
        # Nothing can be made of it, and nothing is thrown away: it moves out of the way of the next start.
        path.rename(path.with_suffix(".unreadable"))
        return {
            "failed": path.stem,
            "text": f"{path.name}: {error}; kept as {path.with_suffix('.unreadable').name}",
        }
    manifest = write_drive(folder, drive)
    path.unlink()
    sync_folder(path.parent)
    return {"archived": manifest.drive, "recovered": manifest.recovered, "text": _words(manifest)}


def write_drive(folder: Path, drive: Drive) -> Manifest:
    """Write a drive's Parquet file, its events and, last, its manifest."""
    header = drive.header
    start = _start_time(drive)
    target = drive_folder(folder, header["vehicle"], start)
    target.mkdir(parents=True, exist_ok=True)
    note = ""
    try:
        plan: Plan | None = drive.plan()
    except SettingsError as error:
        plan, note = None, f"values could not be computed: {error}"
    frames = drive.frames(plan) if plan else []
    columns = _columns(drive, plan, frames)
    times = np.array([t for t, _ in drive.ticks], dtype=np.int64)
    about = {k: header[k] for k in ("drive", "vehicle", "stage", "software", "settings", "rules")}
    name = header["drive"]
    write_samples(target / f"{name}.parquet", times, columns, {**about, "start": start})
    lines = "".join(json.dumps(e, ensure_ascii=False) + "\n" for e in sorted(drive.events, key=lambda e: e["t"]))
    write_atomically(target / f"{name}.events.jsonl", lines.encode())
    manifest = Manifest(
        drive=name,
        vehicle=header["vehicle"],
        stage=header["stage"],
        start=start,
        length_s=round((times[-1] - times[0]) / 1e9, 3) if len(times) else 0.0,
        ticks=len(times),
        recovered=drive.end is None,
        lost_blocks=drive.lost_blocks,
        lost_ticks=int((drive.end or {}).get("lost_ticks", 0)),
        software=header["software"],
        note=note,
        **summarise(plan, frames, drive.events, int(times[0]) if len(times) else 0),
    )
    write_atomically(target / f"{name}{MANIFEST_ENDING}", manifest_json(manifest))
    return manifest


def _start_time(drive: Drive) -> str:
    """When the first sample was taken, by the wall clock as it stood when the drive started."""
    mono_ns, wall = drive.header["clock"]
    first = drive.ticks[0][0] if drive.ticks else mono_ns
    seconds = (wall - (mono_ns - first) / drive.header["speed"]) / 1e9
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _columns(drive: Drive, plan: Plan | None, frames: list[Frame]) -> list[Column]:
    measured = {name: n for n, (name, _, _) in enumerate(drive.header["channels"])}
    channel_units = plan.channel_units if plan else dict.fromkeys(measured, "")
    wires = {m.name: m.wire_symbol for m in plan.pipeline().measured} if plan else {}
    columns = []
    for name, unit in channel_units.items():
        if plan:
            values = [f.values[name].value for f in frames]
            qualities = [f.values[name].quality for f in frames]
        else:
            values = [None] * len(drive.ticks)
            qualities = [Quality.ABSENT] * len(drive.ticks)
        raw = _raw_column(drive, measured[name]) if name in measured else None
        numbers = np.array([np.nan if v is None else v for v in values], dtype=np.float64)
        columns.append(Column(name, unit, numbers, np.array(qualities, np.uint8), raw, wires.get(name, "")))
    return columns


def _raw_column(drive: Drive, channel: int) -> Any:
    readings = (r[channel] for _, r in drive.ticks)
    return np.array([np.nan if r is None or r.value is None else r.value for r in readings], dtype=np.float64)


def _words(manifest: Manifest) -> str:
    how = "recovered after it was cut off" if manifest.recovered else "archived"
    lost = f", {manifest.lost_blocks} blocks and {manifest.lost_ticks} ticks lost" * bool(
        manifest.lost_blocks or manifest.lost_ticks
    )
    return f"drive {manifest.drive} {how}: {manifest.length_s:.1f} s{lost}"


def main() -> int:
    """Archive what is there, once."""
    settings = json.loads(sys.stdin.readline())
    try:
        for report in archive_all(Path(settings["folder"])):
            sys.stdout.write(json.dumps(report, ensure_ascii=False) + "\n")
            sys.stdout.flush()
    except BrokenPipeError:
        # The daemon was killed meanwhile: the drives are archived all the same, and nobody is left to hear of it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


if __name__ == "__main__":
    sys.exit(main())
