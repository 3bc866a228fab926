"""Drives of the bench van as their archive has them: driven without wires, through the daemon's own parts in order."""

from __future__ import annotations

import json
import threading
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.alerts.words import alert_event
from cabcanary.clock import Clock
from cabcanary.model import Event, EventKind
from cabcanary.plan.plan import Plan, plan_in_stage
from cabcanary.recorder.archiver import archive_all
from cabcanary.recorder.recorder import Recorder
from cabcanary.recorder.writer import JournalWriter
from cabcanary.runtime.requests import Commands
from cabcanary.store.manifest import read_manifests
from cabcanary_bench.corpus.corpus_run import bench_baselines
from cabcanary_bench.fast.fast import drive
from cabcanary_bench.paths import config_folder

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary_bench.drives.scenario import Scenario
    from cabcanary_bench.fast.fitted import Fitted

CONFIG = config_folder() / "bench-van.toml"


@dataclass(frozen=True)
class Press:
    """What somebody asks of the daemon before the first tick at or after `at_s`, as the feed takes it."""

    at_s: float
    message: dict[str, Any]


@dataclass
class ArchivedDrive:
    """The file, and every alert event that the live daemon told, as JSON."""

    samples: Path
    told: list[dict[str, Any]] = field(default_factory=list)

    @property
    def first_ns(self) -> int:
        """The first tick's time."""
        return int(self.about["begun"])

    @property
    def about(self) -> dict[str, Any]:
        """What the file says of itself."""
        import pyarrow.parquet as pq

        found: dict[str, Any] = json.loads(pq.read_schema(self.samples).metadata[b"cabcanary"])
        return found


def bench_plan() -> Plan:
    """The bench van's settings and rules with its baselines."""
    return plan_in_stage(CONFIG, None, bench_baselines())


def archived(
    folder: Path,
    scenario: Scenario,
    seed: int,
    plan: Plan | None = None,
    presses: Sequence[Press] = (),
    fitted: Fitted | None = None,
) -> ArchivedDrive:
    """Drive, record and archive; of several drives in one scenario the longest. `fitted` has other wires."""
    plan = plan or bench_plan()
    pipeline, engine = plan.pipeline(), plan.engine()
    told: list[str] = []
    writer = JournalWriter(folder, lambda words, _ok: told.append(words))
    recorder = Recorder(plan, pipeline, engine, writer, Clock())
    recording, todo, now_ns = drive(scenario, seed, fitted=fitted), list(presses), 0
    events: list[Event] = []

    def tell(event: Event) -> None:
        recorder.event(event)
        events.append(event)

    clock = _Now()
    commands = Commands(engine, _Silent(), clock, plan.settings.buttons, tell)  # type: ignore[arg-type]
    for newest, now_ns in recording.ticks():
        while todo and recording.drive_s(now_ns) >= todo[0].at_s:
            clock.time_ns, press = now_ns - 1000, todo.pop(0)
            commands.take(press.message)
        state = recorder.states_before(now_ns)
        frame = pipeline.step(newest, now_ns)
        changes = engine.step(frame)
        recorder.step(frame, dict(newest), state)
        for change in changes:
            tell(alert_event(change))
        while writer._queue.qsize() > 500:
            threading.Event().wait(0.001)
    done = recorder.close(now_ns).written
    assert done is None or done.wait(60)
    assert writer.stop(10)
    before = {p for p, _ in read_manifests(folder)[0]}
    archive_all(folder)
    new = [(p, m) for p, m in read_manifests(folder)[0] if p not in before]
    manifest, found = max(new, key=lambda f: f[1].length_s)
    samples = manifest.with_name(f"{found.drive}.parquet")
    return ArchivedDrive(samples, [e.as_json() for e in events if e.kind is EventKind.ALERT])


class _Silent:
    """In place of the annunciator: nobody listens."""

    def update(self, _changes: Any, _now_ns: int) -> list[Event]:
        return []

    def acknowledged(self, _now_ns: int) -> None:
        return None


class _Now:
    """A clock that stands where it is put."""

    time_ns = 0

    def now_ns(self) -> int:
        return self.time_ns
