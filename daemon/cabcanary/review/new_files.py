"""Where a person wants a file: it is new, in a folder that is there, and not among the daemon's own."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from cabcanary.review.list.drives import DriveError
from cabcanary.store.manifest import DRIVES, JOURNAL

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence


def refuse_place(target: Path, folder: Path) -> None:
    """`folder` is the daemon's, whose archive nothing is written into.

    Raises:
        DriveError: no file can be made there.
    """
    if target.is_dir() or not target.name:
        raise DriveError(f"{target} is a folder; name a file in it with --output")
    if not target.parent.is_dir():
        raise DriveError(f"there is no folder {target.parent}; make it first, or name another with --output")
    place = target.resolve()
    for kept in (folder / DRIVES, folder / JOURNAL):
        if place.is_relative_to(kept.resolve()):
            raise DriveError(f"{target} would lie in the daemon's own {kept}; name a place outside it with --output")


def refuse_taken(targets: Sequence[Path]) -> None:
    """No file is written over.

    Raises:
        DriveError: one of them is there.
    """
    for target in targets:
        if target.exists():
            raise DriveError(f"{target} is there already; name another file with --output, or remove it")


def write_whole(targets: Sequence[Path], write: Callable[[list[Path]], None]) -> None:
    """Have `write` make all of these files; they are there whole, or not at all.

    Raises:
        DriveError: one of them has come into being meanwhile.
        OSError: they cannot be written; nothing is left of them.
    """
    try:
        # Beside the target, so that the whole file only needs to be renamed.
        with tempfile.TemporaryDirectory(prefix=".cabcanary-new-", dir=targets[0].parent) as parts:
            made = [Path(parts) / t.name for t in targets]
            write(made)
            refuse_taken(targets)
            for part, whole in zip(made, targets, strict=True):
                part.replace(whole)
    except OSError as error:
        raise OSError(error.errno, error.strerror or str(error), str(targets[0])) from error
