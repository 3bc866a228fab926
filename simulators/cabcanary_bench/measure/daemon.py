"""What the whole daemon costs in a drive of the bench van on real transports, and what its record costs afterwards."""

from __future__ import annotations

import time
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import pyarrow.parquet as pq

from cabcanary.recorder.archiver import archive_all
from cabcanary.review.backtest.backtest import backtest
from cabcanary.review.backtest.results import Task
from cabcanary.review.backtest.rule_choice import RuleSource
from cabcanary.review.report.report import make_report
from cabcanary.spelling import spelt
from cabcanary.store.manifest import read_manifests
from cabcanary_bench.drives.scenario import FIRST_DRIVE
from cabcanary_bench.measure.figures import Figure
from cabcanary_bench.measure.processes import Spent, helpers, spent
from cabcanary_bench.rig.rig import Rig

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from cabcanary_bench.rig.feed_reader import Follower

_DAEMON = "The daemon of the bench van, nobody listening"
#: The key is on, and the engine about to start: from here on a drive is recorded.
_FROM_S = 5.0
#: Until all wires have spoken and the helpers have loaded, real s.
_SETTLE_S = 8.0
_HOUR_S = 3600.0


def daemon_figures(seconds: float) -> Iterator[Figure]:
    """Drive for so many real seconds, and look into the drive."""
    with TemporaryDirectory() as place:
        rig = Rig(Path(place) / "drives", FIRST_DRIVE, 1.0, own_time=False)
        try:
            yield from _driven(rig, seconds)
            code = rig.stop_daemon()
        finally:
            rig.close()
        if code == 0:
            archive_all(rig.folder)
            yield from _looked_into(rig.folder)


def _driven(rig: Rig, seconds: float) -> Iterator[Figure]:
    rig.skip(_FROM_S)
    follower = rig.start_daemon()
    armed_s = _armed_s(follower)
    follower.close()
    if armed_s is not None:
        yield Figure(_DAEMON, "from its start to armed", armed_s, "s")
    rig.start_van()
    time.sleep(_SETTLE_S)
    assert rig.daemon is not None
    pid = rig.daemon.pid
    every = {pid: "daemon", **{child: _name(words) for child, words in helpers(pid).items()}}
    before, journal = {child: spent(child) for child in every}, _journal_bytes(rig.folder)
    began = time.monotonic()
    time.sleep(seconds)
    took_s = time.monotonic() - began
    for child, name in every.items():
        yield from _one(name, before[child], spent(child), took_s)
    grown = (_journal_bytes(rig.folder) - journal) / took_s * _HOUR_S
    yield Figure(_DAEMON, "journal, of an hour", grown / 1e6, "MB")


def _one(name: str, before: Spent, after: Spent, took_s: float) -> Iterator[Figure]:
    yield Figure(_DAEMON, f"{name}: of a core", (after.cpu_s - before.cpu_s) / took_s * 100, "%")
    yield Figure(_DAEMON, f"{name}: woken, times a second", (after.woken - before.woken) / took_s, "")
    yield Figure(_DAEMON, f"{name}: memory", after.memory_mb, "MB")


def _name(command: str) -> str:
    words = command.split()
    module = words[words.index("-m") + 1] if "-m" in words[:-1] else words[0]
    return " ".join(module.split(".")[-2:])


def _armed_s(follower: Follower) -> float | None:
    """By the daemon's own word."""
    until = time.monotonic() + _SETTLE_S
    while time.monotonic() < until:
        for message in follower.messages(0.2):
            event = message.get("event", {})
            if event.get("what") == "armed" and event["after_start_s"] is not None:
                return float(event["after_start_s"])
    return None


def _journal_bytes(folder: Path) -> int:
    return sum(file.stat().st_size for file in (folder / "journal").glob("*.ccj"))


def _looked_into(folder: Path) -> Iterator[Figure]:
    manifests, _ = read_manifests(folder)
    if not manifests:
        return
    path, manifest = max(manifests, key=lambda found: found[1].length_s)
    samples = path.with_name(f"{manifest.drive}.parquet")
    task = Task(str(samples), RuleSource(), misses=False)
    table_s = _cpu_s(lambda: pq.read_table(samples))
    part = f"Its drive of {spelt(round(manifest.length_s))} s, looked into afterwards (processor time)"
    yield Figure(part, "archive", samples.stat().st_size / 1e3, "kB")
    for what, work in (("all rules over it again", lambda: backtest(task)), ("report", lambda: make_report(samples))):
        cost_s = _cpu_s(work)
        yield Figure(part, what, cost_s * 1000, "ms", "reading all of it", cost_s / table_s)


def _cpu_s(work: Callable[[], object]) -> float:
    """Processor time of the best of three, s; the first one loads what it needs."""
    found = []
    for _ in range(3):
        begin = time.process_time()
        work()
        found.append(time.process_time() - begin)
    return min(found)
