"""Recordings for a replay: an archived drive, a journal, or a log of another program, each as frames."""

from __future__ import annotations

import contextlib
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary.model import OWN_ALERTS, Quality, Value
from cabcanary.plan.plan import plan_from_texts
from cabcanary.recorder.archived_drive import ArchivedDrive
from cabcanary.recorder.journal_drive import Drive, Recorded
from cabcanary.review.exchange.log_import import Origin, bring_in, with_settings
from cabcanary.review.exchange.log_mapping import Mapping
from cabcanary.review.list.drives import DriveError, find_drive, samples_path
from cabcanary.review.list.recorded_drive import action_of
from cabcanary.settings.load import load_rule_file, settings_from_text
from cabcanary.store.baselines import Baselines
from cabcanary.store.manifest import MANIFEST_ENDING, Manifest
from cabcanary.validation.problems import SettingsError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from cabcanary.model import Frame
    from cabcanary.plan.plan import Plan
    from cabcanary.rules.whole_drive import Action

_JOURNAL, _SAMPLES = ".ccj", ".parquet"


class Playable:
    """A recording, whatever it was kept in. `raw` says whether it has the raw readings, as all of our own have."""

    def __init__(self, name: str, kept: Recorded, plan: Plan, lost_ticks: int) -> None:
        self.name, self.kept, self.lost_ticks = name, kept, lost_ticks
        self.raw = bool(kept.header.get("channels"))
        #: The plan that it was driven with; for a foreign log the one that it is looked at with.
        self.plan = plan

    @property
    def rules_state(self) -> dict[str, Any]:
        """Where the rules stood before its first tick."""
        found: dict[str, Any] = self.kept.header.get("rules_state") or {}
        return found

    def frames(self, plan: Plan) -> Iterator[Frame]:
        """Every frame: computed again from raw readings where there are some, else as it was kept."""
        if self.raw:
            for _, frame in self.kept.walk_frames(plan):
                yield frame
            return
        assert isinstance(self.kept, ArchivedDrive)
        for frame in self.kept.kept_frames():
            missing = {
                name: Value(None, Quality.ABSENT, frame.time_ns, reason="not in this file")
                for name in plan.channel_units
                if name not in frame.values
            }
            yield replace(frame, values={**frame.values, **missing})

    def actions(self) -> list[Action]:
        """What people did during it, in order."""
        found = [a for e in self.kept.events if (a := action_of(e)) is not None]
        return sorted(found, key=lambda a: a.time_ns)

    def recorded(self) -> list[Step] | None:
        """The changes of alerts that were recorded live; None for a log of another program."""
        return recorded_steps(self.kept.events) if self.raw else None

    def with_rules(self, files: Sequence[Path]) -> Plan:
        """The plan of the drive with other rules.

        Raises:
            SettingsError: they are faulty, or do not fit its channels.
        """
        settings = settings_from_text(self.plan.settings_text, self.plan.file)
        rules, problems = [], []
        for file in files:
            try:
                rules.append(load_rule_file(file))
            except SettingsError as error:
                problems += error.problems
        if problems:
            raise SettingsError(problems)
        return plan_from_texts(settings, rules, Baselines.model_validate(self.plan.baselines.model_dump()))


@contextlib.contextmanager
def open_playable(
    name: str, folder: Path | None, plan: Plan | None = None, mapping: Path | None = None
) -> Iterator[Playable]:
    """A drive by its name, the beginning of its name or "last", its file, a journal, or a log of another program.

    `folder` is the daemon's; a foreign log, and a drive made of one without settings, need a `plan` that says what its
    channels are.

    Raises:
        DriveError: there is no such drive or file, or it cannot be played.
        SettingsError: this version cannot read the settings that it was driven with.
    """
    path = Path(name)
    if path.suffix == _JOURNAL and path.is_file():
        yield _journal(path)
    elif path.is_file() and not _is_ours(path):
        with tempfile.TemporaryDirectory(prefix="cabcanary-replay-") as temporary:
            yield _foreign(path, Path(temporary), plan, mapping)
    elif path.is_file():
        yield _archived(path, path.stem, _lost_of(path))
    elif folder is None or not folder.is_dir():
        words = "name the daemon's folder with --folder or --config" if folder is None else f"there is no {folder}"
        raise DriveError(f"there is no file {name}, and where to look for a drive is not known: {words}")
    else:
        manifest_path, manifest = find_drive(folder, name)
        with with_settings(samples_path(manifest_path, manifest), plan) as samples:
            yield _archived(samples, manifest.drive, manifest.lost_ticks)


def _is_ours(path: Path) -> bool:
    if path.suffix != _SAMPLES:
        return False
    try:
        return bool(ArchivedDrive(path).header.get("settings"))
    except (OSError, ValueError):
        return False


def _lost_of(samples: Path) -> int:
    """How many ticks a drive lost, by the manifest beside it."""
    beside = samples.with_name(samples.stem + MANIFEST_ENDING)
    try:
        return Manifest.model_validate_json(beside.read_bytes()).lost_ticks
    except (OSError, ValueError):
        return 0


def _journal(path: Path) -> Playable:
    try:
        drive = Drive(path.read_bytes())
    except (OSError, ValueError) as error:
        raise DriveError(f"{path} cannot be played: {error}") from error
    lost = int((drive.end or {}).get("lost_ticks", 0))
    return Playable(str(drive.header["drive"]), drive, drive.plan(), lost)


def _archived(path: Path, name: str, lost_ticks: int) -> Playable:
    try:
        drive = ArchivedDrive(path)
    except (OSError, ValueError) as error:
        raise DriveError(f"{path} cannot be played: {error}") from error
    return Playable(name, drive, drive.plan(), lost_ticks)


def _foreign(file: Path, folder: Path, plan: Plan | None, mapping: Path | None) -> Playable:
    if plan is None:
        raise DriveError(f"{file} is a log of another program: say with --config whose channels and rules it is for")
    origin = Origin(plan.settings.vehicle.name, plan.settings.vehicle.stage)
    manifest = bring_in(folder, file, Mapping(mapping), origin, plan).manifest
    (samples,) = folder.glob(f"drives/*/*/{manifest.drive}.parquet")
    return Playable(file.name, ArchivedDrive(samples), plan, 0)


class Step(NamedTuple):
    """One change of an alert's state: at which tick (monotonic ns of the recording), which alert, and its state."""

    time_ns: int
    alert: str
    state: str


def recorded_steps(events: Iterable[dict[str, Any]]) -> list[Step]:
    """The changes of the rules' alert states among recorded events, in their order."""
    alerts = (e for e in events if e["kind"] == "alert" and "state" in e and e["what"] not in OWN_ALERTS)
    return [Step(int(e["t"]), e["what"], e["state"]) for e in alerts]
