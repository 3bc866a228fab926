"""Valid inputs, damaged: what a card, a wire, a keyboard and other programs make of them."""

from __future__ import annotations

import random
import re

_NUMBER = re.compile(rb"-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
#: Numbers at the ends of their types, and what is no number and looks like one.
_NUMBERS = (
    b"0", b"-0", b"-1", b"1e308", b"-1e308", b"1e309", b"1e-400", b"5e-324", b"nan", b"NaN", b"inf", b"-Infinity",
    b"Infinity", b"255", b"256", b"32768", b"65536", b"2147483648", b"-2147483649", b"4294967296",
    b"9223372036854775807", b"9223372036854775808", b"18446744073709551616", b"1" + b"0" * 400, b"9" * 5000, b"1_000",
    b"0x7f", b"+5", b"1.", b".5", b"1e18", b"1e15", b"1e400",
)  # fmt: skip
#: Text that programs stumble over: ends of lines of other alphabets, marks that turn the direction, halves of a letter.
_TEXTS = tuple(
    t.encode("utf-8", "surrogatepass")
    for t in (
        "\u2028",
        "\u202e",
        "\u0000",
        "\ufeff",
        "λ",
        "°",
        "½",
        "\U0001f600",
        "\ud800",
        "\x85",
        "\x1b[2J",
        "é",
        "٣",
        "\r",
    )
)
_VALUES = (
    b"null",
    b"true",
    b"[]",
    b"{}",
    b'""',
    b"[[]]",
    b'"a"',
    b"1979-05-27",
    b"'",
    b'"',
    b",",
    b"%00",
    b"%",
    b"../",
    b"=",
)
_PAIRS = (
    (b"[", b"]"),
    (b"{", b"}"),
    (b"(", b")"),
    (b"[[", b"]]"),
    (b'{"a":', b"}"),
    (b"-", b""),
    (b"not ", b""),
    (b"a.", b"b"),
)
#: Deeper than any stack is; longer than any line is meant to be.
_DEPTHS, _LENGTHS = (5, 50, 1_200, 30_000), (64, 1_000, 70_000)


def mutated(chance: random.Random, seeds: tuple[bytes, ...], words: tuple[bytes, ...] = ()) -> bytes:
    """One of the seeds with one to five things done to it."""
    data = chance.choice(seeds)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 5))):
        data = chance.choice(_WAYS)(chance, data, seeds, words)
    return data


def _flipped(chance: random.Random, data: bytes, _seeds: tuple[bytes, ...], _words: tuple[bytes, ...]) -> bytes:
    if not data:
        return b"\x00"
    changed = bytearray(data)
    for _ in range(chance.choice((1, 1, 4, 32))):
        changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
    return bytes(changed)


def _cut(chance: random.Random, data: bytes, _seeds: tuple[bytes, ...], _words: tuple[bytes, ...]) -> bytes:
    begin, end = sorted(chance.randrange(len(data) + 1) for _ in range(2))
    return chance.choice((data[:begin], data[end:], data[:begin] + data[end:]))


def _spliced(chance: random.Random, data: bytes, seeds: tuple[bytes, ...], _words: tuple[bytes, ...]) -> bytes:
    other = chance.choice(seeds)
    begin, end = sorted(chance.randrange(len(other) + 1) for _ in range(2))
    at = chance.randrange(len(data) + 1)
    return data[:at] + other[begin:end] + data[at:]


def _doubled(chance: random.Random, data: bytes, _seeds: tuple[bytes, ...], _words: tuple[bytes, ...]) -> bytes:
    lines = data.split(b"\n")
    n = chance.randrange(len(lines))
    return b"\n".join([*lines[: n + 1], *([lines[n]] * chance.choice((1, 3, 200))), *lines[n + 1 :]])


def _long(chance: random.Random, data: bytes, _seeds: tuple[bytes, ...], _words: tuple[bytes, ...]) -> bytes:
    at = chance.randrange(len(data) + 1)
    return (
        data[:at] + chance.choice((b"a", b"9", b" ", b"\n", b"\xff", b",", b'"')) * chance.choice(_LENGTHS) + data[at:]
    )


def _number(chance: random.Random, data: bytes, _seeds: tuple[bytes, ...], _words: tuple[bytes, ...]) -> bytes:
    found = list(_NUMBER.finditer(data))
    if not found:
        return data + chance.choice(_NUMBERS)
    one = chance.choice(found)
    return data[: one.start()] + chance.choice(_NUMBERS) + data[one.end() :]


def _inserted(chance: random.Random, data: bytes, _seeds: tuple[bytes, ...], words: tuple[bytes, ...]) -> bytes:
    at = chance.randrange(len(data) + 1)
    over = chance.choice((0, 0, 1, 4))
    return data[:at] + chance.choice((*_TEXTS, *_VALUES, *words)) + data[at + over :]


def _nested(chance: random.Random, data: bytes, _seeds: tuple[bytes, ...], _words: tuple[bytes, ...]) -> bytes:
    (opens, closes), depth = chance.choice(_PAIRS), chance.choice(_DEPTHS)
    found = list(_NUMBER.finditer(data))
    at, end = chance.choice(found).span() if found else (len(data), len(data))
    return data[:at] + opens * depth + b"1" + closes * chance.choice((depth, 0)) + data[end:]


_WAYS = (_flipped, _cut, _spliced, _doubled, _long, _number, _number, _inserted, _inserted, _nested)
