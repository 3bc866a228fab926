"""A channel's table in a settings text with other keys: nothing else of the text changes, and no comment goes."""

from __future__ import annotations

import json
import math
import re
import tomllib
from typing import TYPE_CHECKING, Any

import tree_sitter_toml
from tree_sitter import Language, Parser

from cabcanary.settings.toml_value import written

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tree_sitter import Node

#: Digits of a curve's numbers: a thousandth of what any converter tells.
_DIGITS = 8


class CannotEditError(Exception):
    """The text is written in a way that cannot be changed with care; the message says what to do."""


def rounded(value: Any) -> Any:
    """The same with its numbers to the digits that are written."""
    if isinstance(value, bool) or not isinstance(value, (float, list, tuple, dict)):
        return value
    if isinstance(value, dict):
        return {key: rounded(v) for key, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [rounded(v) for v in value]
    return float(f"{value:.{_DIGITS}g}") if math.isfinite(value) else value


def fragment(channel: str, keys: dict[str, Any]) -> str:
    """The channel's new keys as a TOML text, for `cabcanary reconvert --curve`."""
    return "\n".join([f"[channels.{channel}]", *(f"{key} = {written(value)}" for key, value in keys.items()), ""])


def edited(text: str, channel: str, keys: dict[str, Any], comment: str) -> str:
    """The settings with these keys in the channel's table; `comment` goes behind a key that is new there.

    Raises:
        CannotEditError: the channel is not written as a table of its own.
    """
    data = text.encode()
    root = Parser(Language(tree_sitter_toml.language())).parse(data).root_node
    tables = {_path(node): node for node in root.named_children if node.type == "table"}
    home = tables.get(("channels", channel))
    if home is None:
        raise CannotEditError(f"there is no line [channels.{channel}] to write below; put the keys in by hand")
    changes: list[tuple[int, int, str]] = []
    fresh = []
    for key, value in keys.items():
        sub = tables.get(("channels", channel, key))
        pair = next((p for p in _pairs(home) if _key(p) == (key,)), None)
        if pair is not None:
            node = pair.named_children[1]
            changes.append((node.start_byte, node.end_byte, written(value)))
        elif sub is not None and isinstance(value, dict):
            changes += _in_table(data, sub, value)
        elif any(_key(p)[0] == key for p in _pairs(home)):
            raise CannotEditError(f"{key} of channels.{channel} is written in pieces; put the new one in by hand")
        else:
            fresh.append(f"{key} = {written(value)}" + (f" # {comment}" if comment else ""))
    if fresh:
        ends = "\r\n" if b"\r\n" in data else "\n"
        at = _last_line_end(data, home)
        changes.append((at, at, "".join(f"{ends}{line}" for line in fresh)))
    for start, end, new in sorted(changes, reverse=True):
        data = data[:start] + new.encode() + data[end:]
    result = data.decode()
    _prove(text, result, channel, keys)
    return result


def _in_table(data: bytes, table: Node, value: dict[str, Any]) -> Iterator[tuple[int, int, str]]:
    """Changes to a table of its own, such as [channels.map.curve]."""
    there = {_key(p): p for p in _pairs(table)}
    if any(len(key) > 1 for key in there):
        raise CannotEditError("the curve is written in pieces; put the new one in by hand")
    for (key,), pair in there.items():
        node = pair.named_children[1]
        if key in value:
            yield node.start_byte, node.end_byte, written(value[key])
        else:
            yield pair.start_byte, pair.end_byte, ""
    new = [f"{key} = {written(v)}" for key, v in value.items() if (key,) not in there]
    if new:
        at = _last_line_end(data, table)
        yield at, at, "".join(f"\n{line}" for line in new)


def _prove(before: str, after: str, channel: str, keys: dict[str, Any]) -> None:
    """The new text says what the old one said, with these keys: read by the parser that reads settings."""
    wanted = tomllib.loads(before)
    wanted["channels"][channel].update(json.loads(json.dumps(keys)))
    try:
        found = tomllib.loads(after)
    except tomllib.TOMLDecodeError:
        found = {}
    if found != wanted or _comments(before) - _comments(after):
        raise CannotEditError(f"channels.{channel} is written in a way that is not known; put the keys in by hand")


def _comments(text: str) -> set[str]:
    root = Parser(Language(tree_sitter_toml.language())).parse(text.encode()).root_node
    found, waiting = set(), [root]
    while waiting:
        node = waiting.pop()
        if node.type == "comment":
            found.add((node.text or b"").decode())
        waiting += node.children
    return found


def _pairs(table: Node) -> list[Node]:
    return [child for child in table.named_children if child.type == "pair"]


def _last_line_end(data: bytes, table: Node) -> int:
    """Where the line of a table's last value ends, before its line break: a comment behind it stays with it."""
    # A pair takes the comment behind it, and with it the first half of another system's line break.
    at = max((p.named_children[1].end_byte for p in _pairs(table)), default=table.named_children[0].end_byte)
    found = re.compile(rb"\r?\n").search(data, at)
    return found.start() if found else len(data)


def _path(table: Node) -> tuple[str, ...]:
    return _parts(table.named_children[0])


def _key(pair: Node) -> tuple[str, ...]:
    return _parts(pair.named_children[0])


def _parts(node: Node) -> tuple[str, ...]:
    if node.type == "dotted_key":
        return tuple(part for child in node.named_children for part in _parts(child))
    return ((node.text or b"").decode().strip("\"'"),)
