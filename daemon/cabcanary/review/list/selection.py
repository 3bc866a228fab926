"""Which drives are meant: names of drives, folders of an archive, Parquet files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from cabcanary.review.list.drives import DriveError, find_samples
from cabcanary.review.list.recorded_drive import RecordedError
from cabcanary.store.manifest import DRIVES, MANIFEST_ENDING

if TYPE_CHECKING:
    from collections.abc import Sequence


def find_drives(names: Sequence[str], folder: Path) -> list[Path]:
    """The Parquet files of drives; each once, in the order in which they are named, of a folder the oldest first.

    A name is a file, a folder (the daemon's, or any part of its archive), a drive's name in `folder`, the beginning of
    the names of several, "last" or "all".

    Raises:
        RecordedError: there is nothing of this name; every such name is told at once.
    """
    found: dict[Path, None] = {}
    wrong = []
    for name in names:
        try:
            paths = _named(name, folder)
        except DriveError as error:
            wrong.append(str(error))
            continue
        found |= dict.fromkeys(p.resolve() for p in paths)
    if wrong:
        raise RecordedError("\n".join(wrong))
    return list(found)


def _named(name: str, folder: Path) -> list[Path]:
    path = Path(name)
    if path.is_dir():
        return _in_folder(path)
    if path.is_file():
        if path.name.endswith(MANIFEST_ENDING):
            return [path.with_name(path.name.removesuffix(MANIFEST_ENDING) + ".parquet")]
        return [path]
    if path.suffix == ".parquet" or len(path.parts) > 1:
        raise RecordedError(f"there is no file or folder {path}")
    if name == "all":
        return _in_folder(folder)
    beginning = sorted((folder / DRIVES).glob(f"vehicle=*/month=*/{_literal(name)}*{MANIFEST_ENDING}"))
    if beginning:
        return [p.with_name(p.name.removesuffix(MANIFEST_ENDING) + ".parquet") for p in beginning]
    return [find_samples(folder, name)]


def _in_folder(folder: Path) -> list[Path]:
    """A drive is there when its manifest is; a folder without manifests may hold drives that were copied there."""
    manifests = sorted(folder.rglob(f"*{MANIFEST_ENDING}"), key=lambda p: p.name)
    if manifests:
        return [p.with_name(p.name.removesuffix(MANIFEST_ENDING) + ".parquet") for p in manifests]
    files = sorted(folder.rglob("*.parquet"), key=lambda p: p.name)
    if not files:
        raise RecordedError(f"there are no drives in {folder}")
    return files


def _literal(name: str) -> str:
    """A name with nothing in it that stands for more."""
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)
