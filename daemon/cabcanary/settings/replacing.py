"""A settings file put in place of the one that was read: whole or not at all, its line ends, mark and rights kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.store.manifest import write_atomically

if TYPE_CHECKING:
    from pathlib import Path

_MARK = b"\xef\xbb\xbf"


class ChangedMeanwhileError(Exception):
    """The file is no more the one that was read; the message says what to do."""


def unchanged(file: Path, read: str) -> bytes:
    """The file's bytes, if it still says what was `read`.

    Raises:
        OSError: it cannot be read.
        ChangedMeanwhileError: it says something else.
    """
    before = file.resolve().read_bytes()
    if before.decode("utf-8-sig").replace("\r\n", "\n") != read.replace("\r\n", "\n"):
        raise ChangedMeanwhileError(f"{file} has changed since it was read: run the same again")
    return before


def replace(file: Path, before: bytes, text: str) -> None:
    """Write `text` in place of `before`.

    Raises:
        OSError: it cannot be written.
    """
    file = file.resolve()
    if b"\r\n" in before:
        text = text.replace("\r\n", "\n").replace("\n", "\r\n")
    write_atomically(file, (_MARK if before.startswith(_MARK) else b"") + text.encode())
