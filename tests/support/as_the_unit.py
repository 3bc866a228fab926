"""A program under the call filter and the address families of a unit, as systemd would run it: the unit's lines,
expanded by systemd-analyze, given to libseccomp.

    python as_the_unit.py UNIT PROGRAM ARGUMENTS...
"""

from __future__ import annotations

import ctypes
import errno
import os
import socket
import subprocess
import sys
from pathlib import Path

# seccomp.h of libseccomp 2.5.
_ALLOW = 0x7FFF0000
_FAIL = 0x00050000
_EQUALS = 4


class _Compared(ctypes.Structure):
    _fields_ = (("argument", ctypes.c_uint), ("how", ctypes.c_int), ("a", ctypes.c_uint64), ("b", ctypes.c_uint64))


def lines_of(unit: Path, key: str) -> list[str]:
    """What a unit and its drop-ins say under a key, in their order."""
    files = [unit, *sorted(unit.with_name(unit.name + ".d").glob("*.conf"))]
    lines = [line for file in files if file.exists() for line in file.read_text().splitlines()]
    return [line.partition("=")[2] for line in lines if line.startswith(f"{key}=")]


def sets_of_calls() -> dict[str, set[str]]:
    """systemd's named sets, as they are written: a set may hold sets."""
    done = subprocess.run(["systemd-analyze", "syscall-filter"], capture_output=True, text=True, check=True)
    sets: dict[str, set[str]] = {}
    for line in done.stdout.splitlines():
        if line.startswith("@"):
            sets[line.strip()] = now = set()
        elif line.strip() and not line.strip().startswith("#"):
            now.add(line.strip())
    return sets


def allowed_calls(unit: Path) -> set[str]:
    """systemd.exec(5), SystemCallFilter=: the first line makes it a list of what is allowed; `~` takes away again."""
    sets = sets_of_calls()

    def calls(words: list[str]) -> set[str]:
        return {c for word in words for c in (calls(sorted(sets[word])) if word.startswith("@") else {word})}

    allowed = calls(["@default"])
    for line in lines_of(unit, "SystemCallFilter"):
        words = line.removeprefix("~").split()
        allowed = allowed - calls(words) if line.startswith("~") else allowed | calls(words)
    return allowed


def confine(unit: Path) -> None:
    """Take from this process, and from all that it starts, what the unit does not allow."""
    library = ctypes.CDLL("libseccomp.so.2")
    library.seccomp_init.restype = ctypes.c_void_p
    library.seccomp_load.argtypes = [ctypes.c_void_p]
    library.seccomp_rule_add_array.argtypes = [
        ctypes.c_void_p, ctypes.c_uint32, ctypes.c_int, ctypes.c_uint, ctypes.POINTER(_Compared)
    ]  # fmt: skip
    number = library.seccomp_syscall_resolve_name
    context = library.seccomp_init(_FAIL | errno.EPERM)
    for call in sorted(allowed_calls(unit) - {"socket"}):
        if number(call.encode()) >= 0:
            assert library.seccomp_rule_add_array(context, _ALLOW, number(call.encode()), 0, None) == 0
    for family in " ".join(lines_of(unit, "RestrictAddressFamilies")).split():
        only = _Compared(0, _EQUALS, getattr(socket, family).value, 0)
        assert library.seccomp_rule_add_array(context, _ALLOW, number(b"socket"), 1, ctypes.byref(only)) == 0
    assert library.seccomp_load(context) == 0


if __name__ == "__main__":
    confine(Path(sys.argv[1]))
    os.execvp(sys.argv[2], sys.argv[2:])
