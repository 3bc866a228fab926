"""An old drive with a better curve: values computed again from the raw readings that it kept."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any

import tomli_w

from cabcanary.recorder.archived_drive import ArchivedDrive
from cabcanary.recorder.archiver import write_drive
from cabcanary.recorder.journal_drive import plan_of
from cabcanary.review.list.drives import DriveError, samples_path
from cabcanary.review.progress import shown
from cabcanary.validation.problems import SettingsError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from cabcanary.plan.plan import Plan
    from cabcanary.store.manifest import Manifest


class _Shown(ArchivedDrive):
    """Shows how far it has been read."""

    def __init__(self, samples: Path, ticks: int) -> None:
        super().__init__(samples)
        self._ticks = ticks

    def piece_numbers(self) -> Iterator[int]:
        return shown(super().piece_numbers(), "converting", "ticks", self._ticks, self.rows_of)


def reconvert(folder: Path, manifest_path: Path, manifest: Manifest, curve_file: Path) -> Manifest:
    """Write a second drive beside the original, which stays as it is.

    `curve_file` holds `[channels.NAME]` tables as settings do; each key in them takes the place of the recorded one.

    Raises:
        DriveError: the file, or the settings that come of it, are wrong.
    """
    changes = _changes(curve_file)
    try:
        drive = _Shown(samples_path(manifest_path, manifest), manifest.ticks)
    except (OSError, ValueError) as error:
        raise DriveError(str(error)) from error
    if not drive.header["channels"]:
        raise DriveError(f"{manifest.drive} was brought in from another program and has no raw readings to convert")
    old = drive.header
    settings = tomllib.loads(old["settings"])
    changed: set[str] = set()
    for name, keys in changes.items():
        if name not in {n for n, _, _ in old["channels"]}:
            measured = ", ".join(n for n, _, _ in old["channels"])
            raise DriveError(f"{manifest.drive} has no measured channel '{name}'; there are: {measured}")
        channel = settings["channels"][name]
        if any(channel.get(key) != value for key, value in keys.items()):
            changed.add(name)
        channel.update(keys)
    header = {**old, "settings": tomli_w.dumps(settings), "drive": _free_name(manifest_path, manifest)}
    try:
        plan = plan_of(header)
    except SettingsError as error:
        raise DriveError(f"with {curve_file} these settings cannot be used: {error}") from error
    header["channels_state"] = state_under(plan, old["channels_state"], changed)
    drive.header = header
    drive.end, drive.lost_blocks = (
        {"lost_ticks": manifest.lost_ticks, "lost_events": manifest.lost_events},
        manifest.lost_blocks,
    )
    return write_drive(folder, drive, like=manifest)


def state_under(plan: Plan, old: dict[str, Any], changed: set[str]) -> dict[str, Any]:
    """The state before the first sample where some channels have another curve: what remembers values of the old one
    starts anew, with what no curve makes different."""
    pipeline = plan.pipeline()
    touched = {n for n, made_of in pipeline.wires().items() if set(made_of) & changed}
    touched |= {f"check {n}" for n, check in pipeline.checks.items() if check.channels & changed}
    kept = {n: s for n, s in old.items() if n not in touched}
    for channel in pipeline.measured:
        if channel.name in changed and channel.name in old:
            channel.restore_converted(old[channel.name])
            kept[channel.name] = channel.state()
    return kept


def _changes(file: Path) -> dict[str, dict[str, Any]]:
    try:
        content = tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise DriveError(f"{file} cannot be read: {error.strerror}") from error
    except (ValueError, RecursionError) as error:
        raise DriveError(f"{file}: {error}") from error
    channels = content.get("channels")
    if not isinstance(channels, dict) or not channels or not all(isinstance(c, dict) for c in channels.values()):
        raise DriveError(f"{file} says nothing of a channel; write [channels.map] and below it: curve = {{ … }}")
    return channels


def _free_name(manifest_path: Path, manifest: Manifest) -> str:
    original = manifest.made_from or manifest.drive
    number = 1
    while manifest_path.with_name(f"{original}-r{number}.manifest.json").exists():
        number += 1
    return f"{original}-r{number}"
