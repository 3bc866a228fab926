"""Logs of text as plain series: any separator, decimals and times as people write them."""

from __future__ import annotations

import csv
import json
from datetime import UTC
from typing import TYPE_CHECKING

import numpy as np

from cabcanary import units
from cabcanary.review.exchange.log_mapping import HEADING, TIME, Mapping
from cabcanary.review.exchange.log_series import (
    Beside,
    Foreign,
    beside,
    qualities_of,
    refuse_back,
    refuse_twice,
    series_of,
    told_series,
)
from cabcanary.review.exchange.log_text import Form, TextLog, read_text
from cabcanary.review.exchange.log_times import CLOCK, NUMBER, format_of, has_zone, over_midnight, reader_of
from cabcanary.review.list.drives import DriveError
from cabcanary.review.progress import shown

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray


def read_csv(file: Path, mapping: Mapping) -> Foreign:
    """A log of text.

    Raises:
        DriveError: it cannot be read, with the place.
    """
    try:
        return _csv_rows(file, read_text(file, mapping.form), mapping)
    except csv.Error as error:
        raise DriveError(f"{file}: {error}") from error


def _csv_rows(file: Path, log: TextLog, mapping: Mapping) -> Foreign:
    head, form = log.head, log.form
    if mapping.time not in head or (mapping.time == TIME and not mapping.time_said and head[0] != TIME):
        problem = f"the first column must be headed '{TIME}', or a mapping must name the time"
        raise DriveError(f"{file}: line {form.heading_line}: {problem}; --columns proposes one")
    time_at = head.index(mapping.time)
    own = _own_columns(head, mapping)
    apart = {head.index(name) for b in own.values() for name in b if name is not None}
    names = [(n, name) for n, name in enumerate(head) if n != time_at and n not in apart]
    targets = {n: t for n, name in names if (t := mapping.target(name, log.units[n])) is not None}
    refuse_twice(file, [t.channel for t in targets.values()])
    times: list[str] = []
    at: list[int] = []
    words: dict[int, list[str]] = {head.index(b.quality): [] for b in own.values()}
    columns: dict[int, list[float]] = {n: [] for n in (*targets, *(apart - set(words)))}
    for line, row in shown(log.rows(), "reading", "lines"):
        if len(row) != len(head):
            raise DriveError(f"{file}: line {line} has {len(row)} cells, the heading {len(head)}")
        times.append(row[time_at].strip())
        at.append(line)
        for n, column in columns.items():
            column.append(_number(file, line, head[n], row[n], form.decimal))
        for n, said in words.items():
            said.append(row[n].strip())
    rows_s, guessed = _times(file, log, mapping, times, at)
    refuse_back(file, rows_s, at)
    numbers = {head[n]: np.asarray(c) for n, c in columns.items()}
    series = []
    for n, target in targets.items():
        told = own.get(n)
        if told is None:
            series.append(series_of(target, rows_s, numbers[head[n]]))
            continue
        qualities = qualities_of(file, target.channel, words[head.index(told.quality)])
        doubts, within = (None if c is None else numbers[c] for c in (told.uncertainty, told.within))
        series.append(told_series(target, rows_s, numbers[head[n]], qualities, doubts, within))
    return Foreign(
        rows_s,
        series,
        [h for n, h in names if n not in targets],
        guessed=[*_guesses(form, mapping), *guessed],
        torn=log.torn,
        absent=mapping.absent(head),
    )


def _own_columns(head: list[str], mapping: Mapping) -> dict[int, Beside]:
    """The channels of an export of this program, each with what stands beside it."""
    if mapping.names_columns:
        return {}
    found = {}
    for n, name in enumerate(head):
        heading = HEADING.match(name)
        if heading and (told := beside(head, heading["name"], heading["unit"])):
            found[n] = told
    return found


def _guesses(form: Form, mapping: Mapping) -> list[str]:
    return [mapping_line(k, v) for k, v in form.unlike(Form()).items() if k not in mapping.form]


def mapping_line(key: str, value: object) -> str:
    """A line of a mapping file."""
    return f"{key} = {json.dumps(value, ensure_ascii=False)}"


def _times(
    file: Path, log: TextLog, mapping: Mapping, cells: list[str], lines: list[int]
) -> tuple[NDArray[np.float64], list[str]]:
    """Seconds, and what was guessed about them."""
    name = mapping.time
    first = next(iter(cells), "")
    form = mapping.form.get("time_format") or format_of(first)
    if form == NUMBER:
        numbers = np.asarray([_number(file, n, name, c, log.form.decimal) for n, c in zip(lines, cells, strict=True)])
        unit = log.units[log.head.index(name)]
        if unit and not mapping.time_unit_said:
            return numbers * _second(file, unit), []
        return mapping.seconds(numbers), []
    guessed = [] if "time_format" in mapping.form else [mapping_line("time_format", form)]
    read = reader_of(form, mapping.zone or UTC)
    found = np.empty(len(cells))
    for n, (line, cell) in enumerate(zip(lines, cells, strict=True)):
        try:
            found[n] = read(cell)
        except ValueError as error:
            raise DriveError(f"{file}: line {line}, column '{name}': {error}") from None
    if form == CLOCK:
        return over_midnight(found), guessed
    if mapping.zone is None and not has_zone(first):
        guessed.append(mapping_line("time_zone", "+00:00"))
    return found, guessed


def _second(file: Path, unit: str) -> float:
    try:
        return units.convert(1.0, unit, "s")
    except units.UnitError as error:
        raise DriveError(f"{file}: the time's unit: {error}; a mapping can say it: time_unit = …") from error


def _number(file: Path, line: int, column: str, cell: str, decimal: str = ".") -> float:
    text = cell.strip()
    if not text:
        if column == TIME:
            raise DriveError(f"{file}: line {line}: no time")
        return float("nan")
    try:
        return float(text if decimal == "." else text.replace(".", "?").replace(",", "."))
    except ValueError:
        comma = "," in text and decimal == "."
        hint = "; write decimals with a point" if comma else "; leave a cell empty where there is no value"
        raise DriveError(f"{file}: line {line}, column '{column}': '{text}' is no number{hint}") from None
