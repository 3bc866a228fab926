"""Every reader of what others wrote, as one function of bytes: it may refuse them, and nothing else.

Shared by the property tests (sources/test_fuzz.py) and the coverage-guided campaign (campaigns/fuzz_parsers.py).
A target raises only when the program would have crashed, or taken nonsense for a value.
"""

from __future__ import annotations

import contextlib
import math
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cabcanary import units
from cabcanary.expressions.names import ConditionError, Names, Table
from cabcanary.expressions.parse import parse_condition, parse_number
from cabcanary.expressions.scalar import compile_condition, compile_number
from cabcanary.model import Quality, Reading, Value
from cabcanary.plan.plan import load_plan
from cabcanary.recorder.journal_drive import Drive
from cabcanary.settings.load import rules_from_text, settings_from_text
from cabcanary.sources.serial.binary_frame import FrameParser
from cabcanary.sources.serial.serial_settings import SerialBinarySource, SerialTextSource
from cabcanary.sources.serial.text_line import LineParser
from cabcanary.store.journal import BlockKind, encode_block
from cabcanary.store.manifest import DRIVES, MANIFEST_ENDING, read_manifests
from cabcanary.validation.positions import Positions
from cabcanary.validation.problems import SettingsError

VAN = Path(__file__).parents[2] / "config" / "bench-van.toml"

_LONGEST_LINE = 20
_TEXT_KINDS: tuple[dict[str, Any], ...] = (
    {},
    {"separator": ",", "fields": ["a", "b"], "error": ["E"]},
    {"pattern": r"A(?P<a>\S+) ?(?P<b>.*)", "not_ready": ["-"]},
    {"line_end": "crlf"},
)
_LINES = [
    SerialTextSource(kind="serial_text", port="/dev/tty", longest_line=_LONGEST_LINE, **kind) for kind in _TEXT_KINDS
]
_NUMBER = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")

_FRAME_LENGTH = 12
_FRAME_KINDS: tuple[dict[str, Any], ...] = (
    {"sync": "AA 55"},
    {"sync": "AA AA"},
    {"sync": "AA", "checksum": {"kind": "xor8", "at": -1}},
    {"sync": "AA 55", "checksum": {"kind": "sum16", "at": -2, "first": 2}},
    {"sync": "AA 55", "checksum": {"kind": "CRC-16/MODBUS", "at": -2, "first": 2, "byte_order": "little"}},
)
_FRAMES = [
    SerialBinarySource.model_validate(
        {
            "kind": "serial_binary", "port": "/dev/tty", "length": _FRAME_LENGTH,
            "fields": {
                "f": {"at": 2, "type": "f32", "scale": 2.0},
                "i": {"at": 6, "type": "i16", "byte_order": "little", "offset": -40.0, "not_ready": [-1]},
                "t": {"at": 7, "type": "u24", "scale": 1e-3},
            },
            **kind,
        }
    )
    for kind in _FRAME_KINDS
]  # fmt: skip

_PSI, _LAMBDA = units.unit("psi").dimension, units.unit("lambda").dimension
NAMES = Names(
    {"boost": "psi", "lambda": "lambda", "map": "kPa", "rpm": "rpm", "cut": "state", "supply": "V"},
    {"ceiling": Table(_PSI, _LAMBDA, (13_789.5, 34_473.8, 55_158.1), (0.88, 0.86, 0.85))},
)
_VALUES = {
    "boost": Value(4.0, Quality.GOOD, 1),
    "lambda": Value(1.5, Quality.SATURATED_HIGH, 1),
    "map": Value(None, Quality.ABSENT, 1, reason="gone"),
    "rpm": Value(0.0, Quality.GOOD, 1),
    "cut": Value(1.0, Quality.GOOD, 1),
    "supply": Value(13.9, Quality.GOOD, 1),
}


def _pieces(data: bytes) -> list[bytes]:
    """The stream, cut where its first bytes say."""
    step = 1 + data[1] % 40 if len(data) > 1 else 1
    stream = data[2:]
    return [stream[at : at + step] for at in range(0, len(stream), step)]


def text_line(data: bytes) -> None:
    """Lines of text: bounded memory, and every value stood in the stream."""
    spec = _LINES[data[0] % len(_LINES)] if data else _LINES[0]
    parser = LineParser("wire", spec)
    stood = {float(n) for n in _NUMBER.findall(data[2:])}
    readings: list[Reading] = []
    for piece in _pieces(data):
        readings += parser.feed(piece, 1)
        assert len(parser._rest) <= _LONGEST_LINE + 1
    assert all(r.value is None or r.value in stood for r in readings)
    assert all((r.value is None) is bool(r.reason) for r in readings)
    whole = LineParser("wire", spec)
    assert whole.feed(data[2:], 1) == readings
    parser.complaint()


def binary_frame(data: bytes) -> None:
    """Binary frames: bounded memory, finite numbers, and every one stood behind a sync in the stream."""
    spec = _FRAMES[data[0] % len(_FRAMES)] if data else _FRAMES[0]
    parser = FrameParser("wire", spec)
    for piece in _pieces(data):
        for reading in parser.feed(piece, 1):
            assert reading.value is None or math.isfinite(reading.value)
            assert (reading.value is None) is bool(reading.reason)
        assert len(parser._rest) < _FRAME_LENGTH
    assert parser.frames <= data[2:].count(bytes.fromhex(spec.sync)[:1])
    parser.complaint()


def condition(data: bytes) -> None:
    """Conditions and formulas: refused with a place in the text, or compiled and evaluated."""
    text = data.decode("utf-8", errors="replace")
    try:
        tree = parse_condition(text, NAMES)
    except ConditionError as error:
        place = error.line, error.column
        assert (1, 1) <= place <= (text.count("\n") + text.count("\r") + 1, len(text) + 1)
    else:
        assert compile_condition(tree)(_VALUES, 1) in (True, False, None)
    with contextlib.suppress(ConditionError):
        interval = compile_number(parse_number(text, NAMES))(_VALUES, 1)
        assert interval is None or interval[0] <= interval[1]


def settings_text(data: bytes) -> None:
    """Settings and rule files: a model with places, or every problem with its line."""
    text = data.decode("utf-8", errors="replace")
    lines = text.count("\n") + 1
    for load in (settings_from_text, rules_from_text):
        try:
            loaded = load(text, Path("a.toml"))
        except SettingsError as refused:
            problems = refused.problems
            assert problems
            assert all(1 <= p.line <= lines and p.message for p in problems)
        else:
            Positions(text)
            assert loaded.problem((), "x", "").line >= 1


def settings_file(data: bytes) -> None:
    """The whole way of `check`: one line of the bench van's settings is replaced, or the whole file."""
    text = VAN.read_text(encoding="utf-8").splitlines(keepends=True)
    number = int.from_bytes(data[:2], "big") % (len(text) + 1)
    inserted = data[2:]
    content = b"".join([*(t.encode() for t in text[:number]), inserted, *(t.encode() for t in text[number + 1 :])])
    if number == len(text):
        content = inserted
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "van.toml"
        file.write_bytes(content.replace(b"rules/bench-van.toml", b"van-rules.toml"))
        rules = (VAN.parent / "rules" / "bench-van.toml").read_bytes()
        (Path(folder) / "van-rules.toml").write_bytes(rules)
        with contextlib.suppress(SettingsError):
            plan = load_plan(file)
            plan.engine().step(plan.pipeline().step({}, 1))


def journal(data: bytes) -> None:
    """Journals: whole blocks around payloads of anything, behind a header of anything."""
    cut = 1 + (data[0] if data else 0)
    header, payload = data[1:cut], data[cut:]
    kind = BlockKind(2 + (payload[0] if payload else 0) % 4)
    for file in (
        data,
        encode_block(0, BlockKind.HEADER, header) + encode_block(1, kind, payload[1:]),
        encode_block(0, BlockKind.HEADER, b'{"channels":[["a","s","i"]]}') + encode_block(1, kind, payload[1:]),
    ):
        # What the archiver reports as "failed", and goes on from.
        with contextlib.suppress(ValueError, KeyError):
            drive = Drive(file)
            for _, readings in drive.ticks:
                assert all(r is None or (r.value is None) is (r.quality is not Quality.GOOD) for r in readings)


def manifest(data: bytes) -> None:
    """Manifests: listed, or told as a fault; the list itself always comes."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / DRIVES / "vehicle=v" / "month=2026-01" / f"d{MANIFEST_ENDING}"
        path.parent.mkdir(parents=True)
        path.write_bytes(data)
        found, faults = read_manifests(Path(folder))
        assert len(found) + len(faults) == 1
        assert all(math.isfinite(m.length_s) for _, m in found)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "text_line": text_line,
    "binary_frame": binary_frame,
    "condition": condition,
    "settings_text": settings_text,
    "settings_file": settings_file,
    "journal": journal,
    "manifest": manifest,
}

_MANIFEST = (
    b'{"drive":"d","vehicle":"v","stage":"","start":"","length_s":1,"ticks":1,"recovered":false,"lost_blocks":0,'
    b'"lost_ticks":0,"software":""}'
)

#: What makes a parser go further than chance would: words and marks of each format.
WORDS: dict[str, tuple[bytes, ...]] = {
    "text_line": (b"\r\n", b"\n", b"\r", b"a=1", b"b=-2.5e1", b"A3 4", b"0.85,E", b" ", b"-", b"nan", b"1_0"),
    "binary_frame": (b"\xaa\x55", b"\xaa", b"\xff\xff\xff\xff", b"\x7f\x80\x00\x00", bytes(10)),
    "condition": (
        b"boost", b"lambda", b"map", b"rpm", b"cut", b"ceiling(", b"(", b")", b" > ", b" <= ", b" and ", b" or ",
        b" not ", b"2 psi", b"0.9", b"1e400", b"-", b" / ", b" * ", b"0 kPa", b" deadband ", b"\n",
        "λ".encode(), "2 °C".encode(),
    ),
    "settings_text": (
        b"[vehicle]\n", b"[[rule]]\n", b"[channels.a]\n", b"[sources.s]\n", b'kind = "iio"\n', b'name = "x"\n', b"= {",
        b"}", b"[", b"]", b'"', b"'''", b"\n", b"a.b.c = ", b"1979-05-27", b"nan", b"0x7", b"# ", b"\\u0000",
        b'derive = "',
        b'when = "boost > 1 psi"\n', b"points = [[0, 1], [1, 2]]\n", b"\xf0\x9f\x98\x80",
    ),
    "settings_file": (
        b'unit = "', b'"\n', b"curve = { kind = ", b'"table"', b"points = [[0.5, 1], [2, 3]]", b"}\n", b"nan", b"inf",
        b"1e308", b"-1", b'"0 s"', b"[channels.map]\n", b'derive = "boost"\n', b'formula = "map * 2"\n',
        b'pressure = "map"\n',
    ),
    "journal": (b"CCJ1", b'{"channels":[]}', b"{}", b"[]", b"null", b"\n", b"\x01\x00\x00\x00\x01\x00",
        b"[[0,0,\"x\"]]"),
    "manifest": (
        _MANIFEST, b"{", b"}", b"null", b"1e999", b"NaN", b"\xff", b"[", b'"alerts":[]', b'"length_s":', b",",
    ),
}  # fmt: skip
