"""How a log of text is written: encoding, what separates cells and decimals, where heading and units stand."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.review.list.drives import DriveError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

#: What a cell may be separated by, the likeliest first.
_DELIMITERS = (",", ";", "\t")
#: So many lines say how a log is written; a decimal may be late in a column that begins with whole numbers.
_LOOKED_AT = 2000
_NUMBER = re.compile(r"^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$")
_TIME = re.compile(r"^(\d{4}-\d\d-\d\d[T ])?\d{1,2}:\d\d(:\d\d)?([.,]\d+)?(Z|[+-]\d\d:?\d\d)?$")
_WITH_COMMA, _WITH_POINT = re.compile(r"^[+-]?\d*,\d+([eE][+-]?\d+)?$"), re.compile(r"^[+-]?\d*\.\d+([eE][+-]?\d+)?$")
#: Not splitlines: that knows ends of lines which are letters in Latin-1.
_LINE_END = re.compile(r"\r\n|\r|\n")
#: A unit is short; words of a heading are not.
_LONGEST_UNIT = 12


@dataclass(frozen=True, slots=True)
class Form:
    """How a log of text is written; the defaults are this program's own way. Lines count from 1, 0 is none."""

    encoding: str = "utf-8"
    delimiter: str = ","
    decimal: str = "."
    heading_line: int = 1
    units_line: int = 0

    def unlike(self, other: Form) -> dict[str, Any]:
        """What of it is otherwise in `other`, by the keys of a mapping."""
        keys = [f.name for f in fields(self)]
        return {k: getattr(self, k) for k in keys if getattr(self, k) != getattr(other, k)}


#: Keys of a mapping file that say how a log is written.
FORM_KEYS = {f.name: f.type for f in fields(Form)}


@dataclass(slots=True)
class TextLog:
    """A log of text, its lines still to be split."""

    form: Form
    text: str
    head: list[str]
    #: By the row of units, where there is one; "" where it is silent.
    units: list[str]
    #: A line that the end of the file has cut short, "" where none is.
    torn: str = ""

    def rows(self) -> Iterator[tuple[int, list[str]]]:
        """Line number and cells of each row behind heading and units.

        Raises:
            csv.Error: quotes do not close, or the like.
        """
        lines = io.StringIO(self.text, newline="")
        skipped = max(self.form.heading_line, self.form.units_line)
        for _ in range(skipped):
            lines.readline()
        reader = csv.reader(lines, delimiter=self.form.delimiter)
        for row in reader:
            if any(cell.strip() for cell in row):
                yield skipped + reader.line_num, row


def read_text(file: Path, said: dict[str, Any]) -> TextLog:
    """A log with all that can be seen of how it is written; what `said` has is taken as it is.

    Raises:
        DriveError: it is no text.
    """
    text, encoding = _decoded(file, said.get("encoding"))
    lines = _LINE_END.split(text, maxsplit=_LOOKED_AT)[:_LOOKED_AT]
    form = replace(_sniffed(lines, said.get("delimiter")), encoding=encoding)
    form = replace(form, **{k: v for k, v in said.items() if k in FORM_KEYS})
    head = _cells(lines, form.heading_line, form.delimiter)
    told = [c.strip("[]() ") for c in _cells(lines, form.units_line, form.delimiter)]
    log = TextLog(form, text, head, (told + [""] * len(head))[: len(head)])
    log.torn = _torn(log)
    if log.torn:
        log.text = text[: len(text) - len(log.torn)]
    return log


def _decoded(file: Path, encoding: str | None) -> tuple[str, str]:
    data = file.read_bytes()
    wide = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else None
    for name in [encoding] if encoding else [wide] if wide else ["utf-8", "latin-1"]:
        try:
            text = data.decode("utf-8-sig" if name == "utf-8" else name)
        except (UnicodeDecodeError, LookupError) as error:
            if encoding:
                raise DriveError(f"{file} is not in {name}: {error}") from error
            continue
        return text, name
    raise DriveError(f"{file} is no text")


def _cells(lines: list[str], number: int, delimiter: str) -> list[str]:
    if not 0 < number <= len(lines):
        return []
    return [c.strip() for c in next(csv.reader([lines[number - 1]], delimiter=delimiter), [])]


def _sniffed(lines: list[str], delimiter: str | None) -> Form:
    """The way of writing in which most cells are numbers in rows of one width."""
    best, most = Form(delimiter=delimiter or ","), 0
    for d in (delimiter,) if delimiter else _DELIMITERS:
        rows = [_cells(lines, n + 1, d) for n in range(len(lines))]
        widths = Counter(len(r) for r in rows if len(r) > 1 and _is_data(r))
        if not widths:
            continue
        ((width, count),) = widths.most_common(1)
        if width * count > most:
            best, most = _placed(rows, width, Form(delimiter=d)), width * count
    return best


def _is_data(row: list[str]) -> bool:
    """Mostly numbers, and no cell that holds several."""
    there = [c for c in row if c]
    numbers = [c for c in there if _NUMBER.match(c) or _TIME.match(c)]
    others = [c for c in there if not (_NUMBER.match(c) or _TIME.match(c))]
    return len(numbers) * 2 >= len(there) > 0 and not any(d in c for d in _DELIMITERS for c in others)


def _placed(rows: list[list[str]], width: int, form: Form) -> Form:
    """Where heading and units stand: above the first row of data, of its width."""
    data = [n for n, r in enumerate(rows) if len(r) == width and _is_data(r)]
    above = [n for n in range(data[0]) if len(rows[n]) == width][-2:]
    if form.delimiter != ",":
        cells = [c for n in data for c in rows[n]]
        comma, point = (any(p.match(c) for c in cells) for p in (_WITH_COMMA, _WITH_POINT))
        form = replace(form, decimal="," if comma and not point else ".")
    if not above:
        return form
    if len(above) == 2 and _is_units(rows[above[1]]):
        return replace(form, heading_line=above[0] + 1, units_line=above[1] + 1)
    return replace(form, heading_line=above[-1] + 1)


def _is_units(row: list[str]) -> bool:
    """Short words, of which a unit is known."""
    words = [c.strip("[]() ") for c in row if c.strip("[]() ")]
    return bool(words) and all(len(w) <= _LONGEST_UNIT for w in words) and any(_known(w) for w in words)


def _known(symbol: str) -> bool:
    try:
        units.unit(symbol)
    except units.UnitError:
        return False
    return True


def _torn(log: TextLog) -> str:
    """The last line, where the file ends in the midst of it: too few cells, or fewer decimals than ever before."""
    if not log.text or log.text[-1] in "\r\n":
        return ""
    last = log.text[log.text.rfind("\n") + 1 :]
    rows = [row for _, row in log.rows()]
    if len(rows) < 2 or not last.strip():
        return ""
    *before, end = rows
    if len(end) < len(log.head):
        return last
    decimals = {_decimals(r[-1], log.form.decimal) for r in before if r[-1].strip() and len(r) == len(end)}
    (usual,) = decimals if len(decimals) == 1 else (0,)
    return last if usual > _decimals(end[-1], log.form.decimal) else ""


def _decimals(cell: str, decimal: str) -> int:
    return len(cell.strip().partition(decimal)[2])
