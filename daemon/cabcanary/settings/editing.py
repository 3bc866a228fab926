"""A settings text with some keys changed: nothing else of it changes, and no comment goes."""

from __future__ import annotations

import tomllib
from collections import Counter
from typing import TYPE_CHECKING, Any

import tomlkit
import tree_sitter_toml
from tree_sitter import Language, Parser

from cabcanary.settings.toml_value import written

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Where a value lies: keys, and the place in a list.
Path = tuple[str | int, ...]


_BY_HAND = "it is written in a way that cannot be changed with care; put the keys in by hand"


class CannotEditError(Exception):
    """The text is written in a way that cannot be changed with care; the message says what to do."""


class Edited:
    """A text that is being changed. Comments, order, spelling and line ends stay.

    Raises:
        CannotEditError: it is no TOML, or the library that keeps comments cannot read what the other one can.
    """

    def __init__(self, text: str) -> None:
        self._before = text
        try:
            self._document = tomlkit.parse(text.replace("\r\n", "\n"))
            self._wanted: dict[str, Any] = tomllib.loads(text)
        except (tomlkit.exceptions.TOMLKitError, ValueError, RecursionError) as error:
            raise CannotEditError(f"{_BY_HAND} ({error})") from error

    def put(self, path: Path, value: Any, comment: str = "") -> None:
        """Set one key; tables on the way are made. `comment` goes behind a key that is new."""
        table: Any = self._document
        wanted: Any = self._wanted
        for key in path[:-1]:
            table, wanted = _within(table, key), wanted.setdefault(key, {}) if isinstance(key, str) else wanted[key]
        wanted[path[-1]] = _plain(value)
        there = table.get(path[-1])
        if isinstance(value, dict) and there is not None and not isinstance(there, tomlkit.items.InlineTable):
            _refill(there, value)
            return
        new = tomlkit.value(written(value))
        if there is None and comment:
            new.comment(comment)
        table[path[-1]] = new

    def text(self) -> str:
        """The new text, proved to say what the old one said with these keys: by the parser that reads settings.

        Raises:
            CannotEditError: the text cannot be changed with care.
        """
        after = tomlkit.dumps(self._document)
        if "\r\n" in self._before:
            after = after.replace("\n", "\r\n")
        try:
            found = tomllib.loads(after)
        except tomllib.TOMLDecodeError:
            found = {}
        if found != self._wanted or _comments(self._before) - _comments(after):
            raise CannotEditError(_BY_HAND)
        return after


def _within(table: Any, key: str | int) -> Any:
    if isinstance(key, str) and key not in table:
        table.add(key, tomlkit.table())
    return table[key]


def _refill(table: Any, value: dict[str, Any]) -> None:
    """The keys of a table of its own, such as [channels.map.curve]."""
    for key in [k for k in table if k not in value]:
        table.remove(key)
    for key, new in value.items():
        table[key] = tomlkit.value(written(new))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(v) for key, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, (list, tuple)) else value


def _comments(text: str) -> Counter[str]:
    root = Parser(Language(tree_sitter_toml.language())).parse(text.encode()).root_node
    found: Counter[str] = Counter()
    waiting: Sequence[Any] = [root]
    while waiting:
        found.update((n.text or b"").decode().rstrip() for n in waiting if n.type == "comment")
        waiting = [child for node in waiting for child in node.children]
    return found
