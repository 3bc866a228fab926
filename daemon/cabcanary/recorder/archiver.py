"""Journal -> archive, in a process of its own: closes finished drives and recovers those that were cut off.

`python -m cabcanary.recorder.archiver`; one line of JSON on standard input, {"folder": …}; one JSON object a
line on standard output for each drive. A journal that a live daemon holds is left alone.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import math
import os
import sys
from array import array
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.model import Frame, Quality
from cabcanary.plan import Plan, plan_from_texts
from cabcanary.recorder.summary import Summary
from cabcanary.settings.load import rules_from_text, settings_from_text
from cabcanary.settings.problems import SettingsError
from cabcanary.store.archive import Column, write_samples
from cabcanary.store.baselines import Baselines
from cabcanary.store.journal import (
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

if TYPE_CHECKING:
    from collections.abc import Iterator


class Drive:
    """A journal's content, as far as it survived; its samples stay packed until they are walked through."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        header: dict[str, Any] | None = None
        self.events: list[dict[str, Any]] = []
        self.end: dict[str, Any] | None = None
        highest, count = -1, 0
        for block in read_blocks(data):
            highest, count = max(highest, block.sequence), count + 1
            if block.kind is BlockKind.HEADER and header is None:
                header = decode_json(block.payload)
            elif block.kind is BlockKind.EVENTS:
                self.events += decode_events(block.payload)
            elif block.kind is BlockKind.END:
                self.end = decode_json(block.payload)
        if header is None:
            raise ValueError("the journal's first block did not survive, so nothing in it has a meaning")
        self.header = header
        self.lost_blocks = highest + 1 - count

    def walk(self) -> Iterator[Tick]:
        """Every tick that survived, in order, a block at a time: a drive of hours needs no memory of hours."""
        keys = [(source, item) for _, source, item in self.header["channels"]]
        last = -1
        for block in read_blocks(self._data):
            if block.kind is BlockKind.SAMPLES:
                for tick in decode_samples(block.payload, keys):
                    if tick[0] > last:
                        last = tick[0]
                        yield tick

    @property
    def ticks(self) -> list[Tick]:
        """All ticks at once, for a short drive."""
        return list(self.walk())

    def plan(self) -> Plan:
        """The plan that the drive ran with.

        Raises:
            SettingsError: this version of the program cannot read that drive's settings.
        """
        settings = settings_from_text(self.header["settings"], Path("recorded settings"))
        rules = [rules_from_text(text, Path(name)) for name, text in self.header["rules"].items()]
        return plan_from_texts(settings, rules, Baselines.model_validate(self.header.get("baselines") or {}))

    def walk_frames(self, plan: Plan) -> Iterator[tuple[Tick, Frame]]:
        """Every tick with its frame, computed again by the live code from the raw readings."""
        pipeline = plan.pipeline()
        pipeline.restore(self.header["channels_state"])
        keys = [m.key for m in pipeline.measured]
        for tick in self.walk():
            time_ns, readings = tick
            newest = {k: r for k, r in zip(keys, readings, strict=True) if r is not None}
            yield tick, pipeline.step(newest, time_ns)

    def frames(self, plan: Plan) -> list[Frame]:
        """All frames at once, for a short drive."""
        return [frame for _, frame in self.walk_frames(plan)]


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
    try:
        drive = Drive(path.read_bytes())
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
    note = ""
    try:
        plan: Plan | None = drive.plan()
    except SettingsError as error:
        plan, note = None, f"values could not be computed: {error}"
    table = _Table(drive, plan)
    first_ns, last_ns = (table.times[0], table.times[-1]) if table.times else (0, 0)
    start = _start_time(header, first_ns if table.times else None)
    target = drive_folder(folder, header["vehicle"], start)
    target.mkdir(parents=True, exist_ok=True)
    about = {k: header[k] for k in ("drive", "vehicle", "stage", "software", "settings", "rules")}
    name = header["drive"]
    times = np.frombuffer(table.times, dtype=np.int64) if table.times else np.array([], dtype=np.int64)
    write_samples(target / f"{name}.parquet", times, table.columns(), {**about, "start": start})
    lines = "".join(json.dumps(e, ensure_ascii=False) + "\n" for e in sorted(drive.events, key=lambda e: e["t"]))
    write_atomically(target / f"{name}.events.jsonl", lines.encode())
    manifest = Manifest(
        drive=name,
        vehicle=header["vehicle"],
        stage=header["stage"],
        start=start,
        length_s=round((last_ns - first_ns) / 1e9, 3),
        ticks=len(table.times),
        recovered=drive.end is None,
        lost_blocks=drive.lost_blocks,
        lost_ticks=int((drive.end or {}).get("lost_ticks", 0)),
        software=header["software"],
        note=note,
        **table.summary.result(drive.events, first_ns),
    )
    write_atomically(target / f"{name}{MANIFEST_ENDING}", manifest_json(manifest))
    return manifest


def _start_time(header: dict[str, Any], first_ns: int | None) -> str:
    """When the first sample was taken, by the wall clock as it stood when the drive started."""
    mono_ns, wall = header["clock"]
    seconds = (wall - (mono_ns - (mono_ns if first_ns is None else first_ns)) / header["speed"]) / 1e9
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


class _Table:
    """A drive's columns, filled tick by tick in the compact form that they are written in."""

    def __init__(self, drive: Drive, plan: Plan | None) -> None:
        self._measured = {name: n for n, (name, _, _) in enumerate(drive.header["channels"])}
        self._units = plan.channel_units if plan else dict.fromkeys(self._measured, "")
        self._wires = {m.name: m.wire_symbol for m in plan.pipeline().measured} if plan else {}
        self.times = array("q")
        self._values = {name: array("d") for name in self._units}
        self._qualities = {name: array("B") for name in self._units}
        self._raw = {name: array("d") for name in self._measured}
        self.summary = Summary(plan)
        if plan is None:
            for tick in drive.walk():
                self._add(tick, None)
        else:
            for tick, frame in drive.walk_frames(plan):
                self._add(tick, frame)

    def _add(self, tick: Tick, frame: Frame | None) -> None:
        self.times.append(tick[0])
        for name, n in self._measured.items():
            reading = tick[1][n]
            self._raw[name].append(math.nan if reading is None or reading.value is None else reading.value)
        if frame is None:
            for name in self._units:
                self._values[name].append(math.nan)
                self._qualities[name].append(Quality.ABSENT)
            return
        for name, value in frame.values.items():
            self._values[name].append(math.nan if value.value is None else value.value)
            self._qualities[name].append(value.quality)
        self.summary.add(frame)

    def columns(self) -> list[Column]:
        return [
            Column(
                name,
                unit,
                np.asarray(self._values[name], dtype=np.float64),
                np.asarray(self._qualities[name], dtype=np.uint8),
                np.asarray(self._raw[name], dtype=np.float64) if name in self._raw else None,
                self._wires.get(name, ""),
            )
            for name, unit in self._units.items()
        ]


def _words(manifest: Manifest) -> str:
    how = "recovered after it was cut off" if manifest.recovered else "archived"
    lost = f", {manifest.lost_blocks} blocks and {manifest.lost_ticks} ticks lost" * bool(
        manifest.lost_blocks or manifest.lost_ticks
    )
    return f"drive {manifest.drive} {how}: {manifest.length_s:.1f} s{lost}"


def _be_modest() -> None:
    """Warnings come first: the others get the processor, and when memory runs out this process goes, not the daemon."""
    os.nice(10)
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("500")


def main() -> int:
    """Archive what is there, once."""
    _be_modest()
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
