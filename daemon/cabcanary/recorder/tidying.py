"""What a power cut or a failing card has left of the archive's work is finished, and lost manifests are made again.

A drive may be found in two months (dating it was cut off), without its manifest (the card lost it), or as some files of
a drive that was being removed. Afterwards each is there once and whole, or gone.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

from cabcanary.recorder.closing import manifest_of
from cabcanary.recorder.dating import UNKNOWN
from cabcanary.store.archive import read_about
from cabcanary.store.manifest import (
    DRIVES,
    JOURNAL,
    MANIFEST_ENDING,
    REMOVED,
    Manifest,
    finish_removal,
    manifest_json,
    read_manifest,
    sync_folder,
    write_atomically,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

#: Samples of another program's file may be under way: the manifest follows within this, s.
_UNDER_WAY_S = 600.0
#: A month in which nothing has changed for so long, s, is not read through at each start; whoever reads a manifest
#: there looks at its checksum all the same.
_STILL_S = 40 * 86_400.0


def tidy(folder: Path) -> Iterator[dict[str, Any]]:
    """Finish what was cut off; a report for each manifest that was made again or cannot be."""
    for going in (folder / DRIVES).glob(f"*/*/*{MANIFEST_ENDING}{REMOVED}"):
        finish_removal(going)
    places: dict[str, list[Path]] = {}
    for samples in (folder / DRIVES).glob("*/*/*.parquet"):
        places.setdefault(samples.stem, []).append(samples)
    _leave_in_one_place(folder, places)
    waiting = {path.stem for path in (folder / JOURNAL).glob("*.ccj")}
    for drive, found in sorted(places.items()):
        for samples in found:
            if drive not in waiting and _lacks_manifest(samples) and not _is_under_way(samples):
                yield _made_again(samples)


def _lacks_manifest(samples: Path) -> bool:
    """Whether it has none, or in a month of late one that is damaged."""
    if not _manifest_path(samples).exists():
        return True
    lies_still = time.time() - samples.parent.stat().st_mtime > _STILL_S
    return not lies_still and _manifest(samples) is None


def _manifest(samples: Path) -> Manifest | None:
    try:
        return read_manifest(_manifest_path(samples))
    except (OSError, ValueError):
        return None


def _manifest_path(samples: Path) -> Path:
    return samples.with_suffix(MANIFEST_ENDING)


def _is_under_way(samples: Path) -> bool:
    """A file that the archiver did not write, and that is not old: an import may still be at it."""
    try:
        return "closing" not in read_about(samples) and abs(time.time() - samples.stat().st_mtime) < _UNDER_WAY_S
    except (OSError, ValueError):
        return False


def _made_again(samples: Path) -> dict[str, Any]:
    try:
        manifest = manifest_of(samples)
    except (OSError, ValueError) as error:
        return {"failed": samples.stem, "text": f"{samples.stem} has no manifest, and none can be made: {error}"}
    write_atomically(_manifest_path(samples), manifest_json(manifest))
    return {"rebuilt": samples.stem, "text": f"the manifest of drive {samples.stem} was lost and is made again"}


def _leave_in_one_place(folder: Path, places: dict[str, list[Path]]) -> None:
    """Of a drive that lies in two months, the files where its manifest is, or the later of two manifests, stay."""
    for drive, found in places.items():
        if len(found) > 1 and _is_one_drive(found):
            home = max(found, key=_worth)
            for other in found:
                if other is not home:
                    _remove(other)
            places[drive] = [home]
    # Events go over first and last: they may be left alone.
    for file in (folder / DRIVES).glob("*/*/*.*"):
        drive = file.name.split(".")[0]
        home_of = places.get(drive, [])
        if len(home_of) == 1 and home_of[0].parent != file.parent and not file.name.endswith(".new"):
            file.unlink(missing_ok=True)


def _worth(samples: Path) -> tuple[bool, bool]:
    manifest = _manifest(samples)
    return manifest is not None, manifest is not None and manifest.clock != UNKNOWN


def _is_one_drive(found: list[Path]) -> bool:
    """Whether all are the samples of one drive, and not of two that have one name."""
    try:
        about = [read_about(samples) for samples in found]
    except (OSError, ValueError):
        return False
    keys = ("boot", "clock", "begun", "drive")
    return all(a.get(key) == about[0].get(key) for a in about for key in keys)


def _remove(samples: Path) -> None:
    """The manifest goes first, so that nobody lists the drive twice or in pieces."""
    _manifest_path(samples).unlink(missing_ok=True)
    for file in samples.parent.glob(f"{samples.stem}.*"):
        file.unlink(missing_ok=True)
    sync_folder(samples.parent)
