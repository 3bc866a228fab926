"""What a process and its helpers cost, as the kernel counts it."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

_PROC = Path("/proc")


class Spent(NamedTuple):
    """Processor time, s; how often it was woken; its share of memory (PSS), MB."""

    cpu_s: float
    woken: int
    memory_mb: float


def spent(pid: int) -> Spent:
    """All threads of a process so far.

    Raises:
        OSError: it has ended.
    """
    cpu_ns = woken = 0
    for thread in (_PROC / str(pid) / "task").iterdir():
        cpu_ns += int((thread / "schedstat").read_text().split()[0])
        woken += _field(thread / "status", "voluntary_ctxt_switches")
    return Spent(cpu_ns / 1e9, woken, _field(_PROC / str(pid) / "smaps_rollup", "Pss") / 1024)


def helpers(pid: int) -> dict[int, str]:
    """The processes that it has started, each with its command line."""
    found = {}
    for child in (_PROC / str(pid) / "task" / str(pid) / "children").read_text().split():
        found[int(child)] = (_PROC / child / "cmdline").read_bytes().replace(b"\0", b" ").decode().strip()
    return found


def _field(file: Path, name: str) -> int:
    lines = file.read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(f"{name}:"))
