"""Which months hold drives of which start of the machine: an index, so that no start reads every manifest there is.

It may be missing, old or damaged at any time: a month counts as known only while its folder's time of change is the one
that was written down, and what the index points at is read before it is believed.
"""

from __future__ import annotations

import contextlib
import json
import time
from typing import TYPE_CHECKING, Any

from cabcanary.store.manifest import DRIVES, MANIFEST_ENDING, Manifest, write_atomically

if TYPE_CHECKING:
    from pathlib import Path

BOOTS_FILE = "boots.json"
#: So much of a boot's name tells it from others well enough for an index.
_LETTERS = 8
#: A folder that has just changed may change again under the same time; some cards count in steps of two seconds.
_SETTLED_NS = 5_000_000_000
#: Of a month: its folder's time of change (ns), and the beginnings of its drives' boots.
_Index = dict[str, tuple[int, list[str]]]


def drives_of_boot(folder: Path, boot: str) -> list[tuple[Path, Manifest]]:
    """The drives of one start of the machine, oldest first."""
    found = []
    for month, (_, boots) in _looked(folder).items():
        if boot[:_LETTERS] not in boots:
            continue
        for path in (folder / DRIVES / month).glob(f"*{MANIFEST_ENDING}"):
            with contextlib.suppress(OSError, ValueError):
                manifest = Manifest.model_validate_json(path.read_bytes())
                if manifest.boot == boot:
                    found.append((path, manifest))
    return sorted(found, key=lambda f: (f[1].start, f[1].drive))


def keep_index(folder: Path) -> None:
    """Write the index where a month has changed.

    Raises:
        OSError: it cannot be written; nothing but time is lost by it.
    """
    before, now = _read(folder), _looked(folder)
    latest = time.time_ns() - _SETTLED_NS
    settled = {month: entry for month, entry in now.items() if entry[0] < latest}
    if settled != before:
        write_atomically(folder / BOOTS_FILE, json.dumps(settled, separators=(",", ":")).encode())


def _looked(folder: Path) -> _Index:
    """Every month, by the index where it has not changed since."""
    known, found = _read(folder), {}
    for month in (folder / DRIVES).glob("vehicle=*/month=*"):
        key = str(month.relative_to(folder / DRIVES))
        with contextlib.suppress(OSError):
            # Before its files: what comes in meanwhile is then looked at again.
            changed_ns = month.stat().st_mtime_ns
            entry = known.get(key)
            found[key] = entry if entry is not None and entry[0] == changed_ns else (changed_ns, _boots_in(month))
    return found


def _boots_in(month: Path) -> list[str]:
    boots = set()
    for path in month.glob(f"*{MANIFEST_ENDING}"):
        with contextlib.suppress(OSError, ValueError, AttributeError, RecursionError):
            boots.add(str(json.loads(path.read_bytes()).get("boot", ""))[:_LETTERS])
    return sorted(boots)


def _read(folder: Path) -> _Index:
    try:
        content: dict[str, Any] = json.loads((folder / BOOTS_FILE).read_bytes())
        return {str(k): (int(t), [str(b) for b in boots]) for k, (t, boots) in content.items()}
    except (OSError, ValueError, TypeError, AttributeError, OverflowError, RecursionError):
        return {}
