"""Where each key of a TOML text stands: `tomllib` gives values without lines, people need lines.

The text has already been accepted by `tomllib` when it comes here, so what the syntax tree cannot
place (nothing is known to) falls back to the nearest enclosing key.
"""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING

import tree_sitter_toml
from tree_sitter import Language, Parser

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tree_sitter import Node

Path = tuple[str | int, ...]
#: Line and column, both counted from 1.
Place = tuple[int, int]


class Positions:
    """Key paths of one TOML text and where they stand."""

    def __init__(self, text: str) -> None:
        self._keys: dict[Path, Place] = {(): (1, 1)}
        self._values: dict[Path, Place] = {}
        self._counts: dict[Path, int] = {}
        self._text = text
        data = text.encode()
        self._lines = data.split(b"\n")
        root = Parser(Language(tree_sitter_toml.language())).parse(data).root_node
        for node in root.named_children:
            self._top(node)

    def key(self, path: Path) -> Place:
        """Where a key stands; parts that are not in the text (union tags, missing keys) are passed over."""
        return self._keys[self._known(path)]

    def value(self, path: Path) -> Place:
        """Where the value of a key begins; the key's own place for a table."""
        known = self._known(path)
        return self._values.get(known, self._keys[known])

    def inside(self, path: Path, line: int, column: int) -> Place:
        """Where a character of a text value stands in the file: the one at `line` and `column` of the value itself,
        as it is once quotes, escapes and folded lines are undone."""
        at_line, at_column = self.value(path)
        start = sum(len(one) + 1 for one in self._text.split("\n")[: at_line - 1]) + at_column - 1
        stops = _characters(self._text, start)
        now = (1, 1)
        at, character = next(stops, (start, ""))
        while now < (line, column) and character:
            now = (now[0] + 1, 1) if character == "\n" else (now[0], now[1] + 1)
            at, character = next(stops, (at + 1, ""))
        before = self._text[:at]
        return before.count("\n") + 1, at - (before.rfind("\n") + 1) + 1

    def _known(self, path: Path) -> Path:
        found: Path = ()
        for part in path:
            if (*found, part) in self._keys:
                found = (*found, part)
        return found

    def _top(self, node: Node) -> None:
        if node.type == "pair":
            self._pair(node, ())
            return
        if node.type not in ("table", "table_array_element"):
            return
        children = node.named_children
        path = self._resolve(_key_parts(children[0]), node.type == "table_array_element")
        self._note(path, children[0])
        for child in children[1:]:
            if child.type == "pair":
                self._pair(child, path)

    def _resolve(self, parts: list[str], is_array: bool) -> Path:
        """A table header's path, with the index of each array of tables that it passes through."""
        path: Path = ()
        for n, part in enumerate(parts):
            path = (*path, part)
            last = n == len(parts) - 1
            if last and is_array:
                self._counts[path] = self._counts.get(path, -1) + 1
            if path in self._counts:
                path = (*path, self._counts[path])
        return path

    def _pair(self, node: Node, base: Path) -> None:
        key, value = node.named_children[:2]  # a comment at the end of the line may come third
        path: Path = (*base, *_key_parts(key))
        self._note(path, key)
        self._value(value, path)

    def _value(self, node: Node, path: Path) -> None:
        self._values[path] = self._place(node)
        if node.type == "inline_table":
            for child in node.named_children:
                if child.type == "pair":
                    self._pair(child, path)
        elif node.type == "array":
            for n, child in enumerate(c for c in node.named_children if c.type != "comment"):
                self._note((*path, n), child)
                self._value(child, (*path, n))

    def _note(self, path: Path, node: Node) -> None:
        for n in range(1, len(path) + 1):
            self._keys.setdefault(path[:n], self._place(node))

    def _place(self, node: Node) -> Place:
        row, byte_column = node.start_point
        return row + 1, len(self._lines[row][:byte_column].decode(errors="replace")) + 1


#: An escape in a basic string by how many characters it takes, where that is not two.
_LONG_ESCAPES = {"u": 6, "U": 10}


def _characters(text: str, start: int) -> Iterator[tuple[int, str]]:
    """Each character of the string that begins at `start`, and where it stands in the file; last an empty one, where
    the string ends. Of an escaped character only its place is told, and a line break as one."""
    quote = next((q for q in ('"""', "'''", '"', "'") if text.startswith(q, start)), "")
    at = start + len(quote)
    if len(quote) == 3:
        # The first line break of a multi-line string is not part of the text.
        at += 2 if text.startswith("\r\n", at) else 1 if text.startswith("\n", at) else 0
    while quote and at < len(text) and not text.startswith(quote, at):
        if text[at] != "\\" or quote[0] == "'":
            length = 2 if text.startswith("\r\n", at) else 1
            yield at, "\n" if text[at + length - 1] == "\n" else text[at]
        elif folded := _FOLD.match(text, at):
            length = len(folded[0])
        else:
            length = _LONG_ESCAPES.get(text[at + 1 : at + 2], 2)
            yield at, "\n" if text[at + 1] == "n" else "\\"
        at += length
    yield at, ""


#: A backslash at a line's end folds it into the next one.
_FOLD = re.compile(r"\\[ \t]*\r?\n[ \t\r\n]*")


def _key_parts(node: Node) -> list[str]:
    if node.type == "dotted_key":
        return [part for child in node.named_children for part in _key_parts(child)]
    text = (node.text or b"").decode()
    if node.type == "quoted_key":
        # Let the real parser undo the quotes and escapes.
        (name,) = tomllib.loads(f"{text} = 0")
        return [name]
    return [text]
