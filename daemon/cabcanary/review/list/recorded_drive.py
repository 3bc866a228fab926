"""A recorded drive as columns, with the settings and rules that it was driven with."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import pyarrow as pa

from cabcanary.expressions.arrays import Signals
from cabcanary.plan.plan import Plan, plan_from_texts
from cabcanary.review.list.drives import DriveError
from cabcanary.review.list.row_groups import Missing, StoredColumn, StoredColumns
from cabcanary.rules.blind import BLIND
from cabcanary.rules.whole_drive import Action, WholeDrive
from cabcanary.settings.load import rules_from_text, settings_from_text
from cabcanary.store.archive import METADATA_KEY
from cabcanary.store.baselines import Baselines
from cabcanary.validation.problems import SettingsError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    import numpy as np
    from numpy.typing import NDArray

_EVENTS_ENDING = ".events.jsonl"


class RecordedError(DriveError):
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
        return beside(self.path, begun_ns(self.about)).actions

    def refuse_other_units(self, plan: Plan) -> None:
        """A drive's numbers are in its own units; rules for others would take them for what they are not.

        Raises:
            RecordedError: a channel of `plan` is in another unit.
        """
        kept = self.about.get("units", {})
        for name, unit in plan.channel_units.items():
            if kept.get(name, unit) != unit:
                words = f"'{name}' is in {kept[name]} in this drive and in {unit} in {plan.file}"
                fix = f'write unit = "{kept[name]}" for it in a copy of that file'
                raise RecordedError(f"{self.path.stem}: {words}; {fix}")

    def whole(self, plan: Plan | None = None) -> WholeDrive:
        """The drive ready for rules, those of `plan` or its own."""
        chosen = plan or self.plan
        roots, reason = chosen.pipeline().roots(), reason_of(self.signals, beside(self.path))
        return WholeDrive(self.signals, roots, chosen.channel_units, chosen.running, reason)


def begun_ns(about: dict[str, Any]) -> int:
    """From when on the state that a drive's file keeps goes."""
    begun = about.get("begun")
    return begun if isinstance(begun, int) else 0


def reason_of(signals: Signals, told: Beside) -> Callable[[str, int], str]:
    """The words behind a channel's quality at a row, where an event has kept them."""
    return lambda channel, row: told.reasons.get((int(signals.times_ns[row]), channel), "")


class Beside(NamedTuple):
    """What the events beside a drive's samples keep: what people did, and why a channel could not be seen."""

    actions: list[Action]
    #: By tick and channel; the archive's columns keep a quality, and no words.
    reasons: dict[tuple[int, str], str]


def beside(path: Path, begun_ns: int = 0) -> Beside:
    """What people did during a drive, and why channels could not be seen, from the events beside its samples.

    Actions before `begun_ns` are already in the state that the drive begins with.

    Raises:
        RecordedError: the events are damaged.
    """
    events = path.with_name(path.stem + _EVENTS_ENDING)
    if not events.exists():
        return Beside([], {})
    try:
        # Most lines tell of other things.
        lines = [line for line in events.read_text(encoding="utf-8").splitlines() if any(w in line for w in _TELLING)]
        found = [json.loads(line) for line in lines]
        reasons = {
            (int(e["t"]), str(e["what"]).removeprefix(BLIND)): str(e["figures"])
            for e in found
            if e.get("kind") == "alert" and e.get("figures") and str(e.get("what")).startswith(BLIND)
        }
        return Beside([a for e in found if (a := action_of(e)) is not None and a.time_ns >= begun_ns], reasons)
    except (OSError, ValueError, KeyError, AttributeError, TypeError, OverflowError, RecursionError) as error:
        raise RecordedError(f"{events} is damaged: {error}") from error


#: Words of the events that tell of people and of blindness.
_TELLING = ('"acknowledge"', '"shelve"', f'"{BLIND}')


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


def open_drive(path: Path) -> tuple[StoredColumns, dict[str, Any]]:
    """A drive's columns, nothing of them fetched yet, and what its file says of it.

    Raises:
        RecordedError: it cannot be read, or is no recorded drive.
    """
    try:
        columns = StoredColumns(path)
    except (OSError, pa.ArrowException) as error:
        raise RecordedError(f"{path} cannot be read: {error}") from error
    if METADATA_KEY not in columns.metadata:
        raise RecordedError(f"{path} says nothing of settings and rules; bring it in with: cabcanary import")
    try:
        about = json.loads(columns.metadata[METADATA_KEY])
    except (ValueError, RecursionError) as error:
        raise RecordedError(f"{path}: its description is damaged: {error}") from error
    if not isinstance(about, dict) or not {"settings", "rules"} <= about.keys():
        raise RecordedError(f"{path} says nothing of settings and rules; bring it in with: cabcanary import")
    if not about["settings"]:
        raise RecordedError(f"{path} was brought in without settings; import its log again with --config")
    return columns, about


def read_drive(path: Path) -> Recorded:
    """Read a drive's columns and what it was driven with.

    Raises:
        RecordedError: it is no recorded drive, or this version cannot make sense of its settings.
    """
    columns, about = open_drive(path)
    try:
        settings = settings_from_text(about["settings"], path)
        rules = [rules_from_text(text, Path(name)) for name, text in about["rules"].items()]
        baselines = Baselines.model_validate(about.get("baselines") or {})
        plan = plan_from_texts(settings, rules, baselines)
    except (SettingsError, ValueError, KeyError) as error:
        raise RecordedError(f"{path}: its settings make no sense to this version: {error}") from error
    return Recorded(path, signals_of(columns, plan.channel_units), plan, about)


def signals_of(columns: StoredColumns, channels: Iterable[str]) -> Signals:
    """The columns of these channels; one that the drive does not have is absent at every tick."""
    times = columns.times()
    missing = Missing(len(times))
    found = {name: StoredColumn(columns, name) if name in columns.names else missing for name in channels}
    return Signals(times, found, columns.blocks)
