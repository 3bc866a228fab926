"""A recorded drive as columns, with the settings and rules that it was driven with."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from cabcanary.expressions.arrays import Column, Signals
from cabcanary.model import Quality
from cabcanary.plan import Plan, plan_from_texts
from cabcanary.rules.whole_drive import Action, WholeDrive
from cabcanary.settings.load import rules_from_text, settings_from_text
from cabcanary.settings.problems import SettingsError
from cabcanary.store.archive import METADATA_KEY
from cabcanary.store.baselines import Baselines
from cabcanary.store.manifest import read_manifests

if TYPE_CHECKING:
    from numpy.typing import NDArray

_EVENTS_ENDING = ".events.jsonl"


class RecordedError(Exception):
    """A drive that cannot be looked at; the text says why and what to do."""


@dataclass(slots=True)
class Recorded:
    """One drive. `about` is what its file says of it; `state` is where the rules stood before its first tick."""

    path: Path
    signals: Signals
    plan: Plan
    about: dict[str, Any]

    @property
    def state(self) -> dict[str, Any] | None:
        """The rules' state before the first tick, where it was kept."""
        return self.about.get("rules_state")

    @property
    def seconds(self) -> NDArray[np.float64]:
        """The ticks' times from the first one on."""
        times = self.signals.times_ns
        return (times - times[:1]) / 1e9

    def actions(self) -> list[Action]:
        """What people did during the drive."""
        events = self.path.with_name(self.path.stem + _EVENTS_ENDING)
        if not events.exists():
            return []
        found = [json.loads(line) for line in events.read_text(encoding="utf-8").splitlines() if line]
        return [a for e in found if (a := action_of(e)) is not None]

    def whole(self, plan: Plan | None = None) -> WholeDrive:
        """The drive ready for rules, those of `plan` or its own."""
        chosen = plan or self.plan
        return WholeDrive(self.signals, chosen.pipeline().roots(), chosen.channel_units, chosen.running)


def action_of(event: dict[str, Any]) -> Action | None:
    """A recorded event as what a person did, if it is that."""
    kind, time_ns = event.get("kind"), int(event.get("t", 0))
    if kind == "acknowledge":
        return Action(time_ns, "acknowledge")
    if kind == "shelve":
        what = "unshelve" if event.get("until") is None else "shelve"
        for_ns = int(event.get("until") or time_ns) - time_ns
        return Action(time_ns, what, str(event["what"]), for_ns, bool(event.get("one_shot")))
    return None


def find_drive(name: str, folder: Path) -> Path:
    """The Parquet file of a drive, by its path or by its name (or the beginning of it) in the daemon's folder.

    Raises:
        RecordedError: there is none, or several begin like this.
    """
    path = Path(name)
    if path.suffix == ".parquet" and path.is_file():
        return path
    drives = [(p, m) for p, m in read_manifests(folder)[0] if m.drive.startswith(name)] if folder.is_dir() else []
    if len(drives) > 1:
        names = ", ".join(m.drive for _, m in drives[:5])
        raise RecordedError(f"several drives begin with '{name}': {names}; give more of the name")
    if not drives:
        raise RecordedError(f"there is no drive '{name}' in {folder}; `cabcanary drives` lists what there is")
    manifest_path, manifest = drives[0]
    return manifest_path.with_name(f"{manifest.drive}.parquet")


def read_drive(path: Path) -> Recorded:
    """Read a drive's columns and what it was driven with.

    Raises:
        RecordedError: it is no recorded drive, or this version cannot make sense of its settings.
    """
    try:
        table = pq.read_table(path)
    except (OSError, pa.ArrowException) as error:
        raise RecordedError(f"{path} cannot be read: {error}") from error
    metadata = table.schema.metadata or {}
    if METADATA_KEY not in metadata:
        raise RecordedError(f"{path} says nothing of settings and rules; import it first")
    about = json.loads(metadata[METADATA_KEY])
    try:
        settings = settings_from_text(about["settings"], path)
        rules = [rules_from_text(text, Path(name)) for name, text in about["rules"].items()]
        baselines = Baselines.model_validate(about.get("baselines") or {})
        plan = plan_from_texts(settings, rules, baselines)
    except (SettingsError, ValueError, KeyError) as error:
        raise RecordedError(f"{path}: its settings make no sense to this version: {error}") from error
    return Recorded(path, _signals(table, plan), plan, about)


def _signals(table: pa.Table, plan: Plan) -> Signals:
    names = set(table.column_names)
    if "tick_ns" in names:
        times = table["tick_ns"].to_numpy().astype(np.int64)
    else:
        times = np.rint(table["time_s"].to_numpy() * 1e9).astype(np.int64)
    columns = {name: _column(table, name, names) for name in plan.channel_units if name in names}
    missing = Column(np.full(len(times), np.nan), np.full(len(times), Quality.ABSENT, dtype=np.uint8))
    return Signals(times, {name: columns.get(name, missing) for name in plan.channel_units})


_BY_WORDS = {q.words: int(q) for q in Quality}


def _column(table: pa.Table, name: str, names: set[str]) -> Column:
    values = table[name].to_numpy().astype(np.float64)
    quality = f"{name}_quality"
    if quality in names:
        words = table[quality].combine_chunks()
        words = words if pa.types.is_dictionary(words.type) else words.dictionary_encode()
        codes = np.array([_BY_WORDS.get(w, int(Quality.ABSENT)) for w in words.dictionary.to_pylist()], dtype=np.uint8)
        qualities = codes[words.indices.to_numpy()]
    else:
        qualities = np.where(np.isnan(values), Quality.ABSENT, Quality.GOOD).astype(np.uint8)
    uncertainty = f"{name}_uncertainty"
    bands = table[uncertainty].to_numpy().astype(np.float64) if uncertainty in names else None
    return Column(values, qualities, None if bands is None else np.nan_to_num(bands))
