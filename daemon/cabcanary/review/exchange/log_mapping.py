"""What a person says about a foreign log: how it is written, its time, and which channel each column is."""

from __future__ import annotations

import re
import tomllib
from datetime import UTC, timezone
from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary import units
from cabcanary.review.exchange.log_text import FORM_KEYS
from cabcanary.review.exchange.log_times import TIME_FORMATS, zone_of
from cabcanary.review.list.drives import DriveError
from cabcanary.validation.problems import nearest

if TYPE_CHECKING:
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

TIME = "time_s"
MAPPING_HELP = 'with --mapping FILE, and in it: "{name}" = {{ channel = "…", unit = "…" }}'
HEADING = re.compile(r"^\s*(?P<name>.*?)\s*\[(?P<unit>[^\[\]]*)\]\s*$")
_NAME = re.compile(r"^[a-z][a-z0-9_]{0,39}$")
_KEYS = ("time", "time_unit", "time_format", "time_zone", "columns", *FORM_KEYS)
_COLUMN_KEYS = ("channel", "unit", "afr_scale")
#: As for a wideband's channel: air to fuel by mass of any fuel lies between.
_AFR_SCALES = (3.0, 40.0)


class Target(NamedTuple):
    """What a column is: a channel, the unit that it is in, and by what its numbers are divided (an AFR scale)."""

    channel: str
    unit: str
    afr_scale: float = 1.0


class Mapping:
    """Foreign column names -> channel and unit. Without a file, headings must be `channel [unit]`.

    A mapping file is TOML: `time = "Time"`, optionally `time_unit = "ms"`, how a log of text is written (`delimiter`,
    `decimal`, `encoding`, `heading_line`, `units_line`, `time_format`, `time_zone`), and `[columns]` with lines such as
    `"Lambda 1" = { channel = "lambda", unit = "lambda", afr_scale = 14.7 }`. Columns that it does not name are left
    out; without that table the headings say it, as they do without a mapping.

    Raises:
        DriveError: the file is faulty; the message says why.
    """

    def __init__(self, file: Path | None = None) -> None:
        self.time, self._time_factor = TIME, 1.0
        #: How the log is written, as far as somebody has said it: keys of `Form`, and `time_format`.
        self.form: dict[str, Any] = {}
        self.zone: timezone | None = None
        #: Somebody has said in which unit the times are, or which column they are.
        self.time_unit_said = self.time_said = False
        self._columns: dict[str, Target] | None = None
        if file is not None:
            self._read(file)

    def _read(self, file: Path) -> None:
        if file.exists() and not file.is_file():
            raise DriveError(f"{file} is no file; name the mapping (TOML)")
        try:
            content = tomllib.loads(file.read_text(encoding="utf-8"))
        except OSError as error:
            raise DriveError(f"{file} cannot be read: {error.strerror}") from error
        except (ValueError, RecursionError) as error:
            raise DriveError(f"{file}: {error}") from error
        _refuse_unknown(content, _KEYS, str(file))
        self.time = str(content.get("time", TIME))
        self.time_said, self.time_unit_said = "time" in content, "time_unit" in content
        try:
            self._time_factor = units.convert(1.0, str(content.get("time_unit", "s")), "s")
        except units.UnitError as error:
            raise DriveError(f"{file}: time_unit: {error}") from error
        self.form = _form(content, file)
        if "time_zone" in content:
            self._zone(str(content["time_zone"]), file)
        columns = content.get("columns")
        if columns is None:
            return
        if not isinstance(columns, dict):
            raise DriveError(f'{file}: columns: write [columns] and below it "Name" = {{ channel = "…", unit = "…" }}')
        self._columns = {name: _target(target, f"{file}: {name}", name) for name, target in columns.items()}

    def _zone(self, text: str, file: Path) -> None:
        try:
            self.zone = UTC if text in ("UTC", "Z") else zone_of(text)
        except ValueError as error:
            raise DriveError(f"{file}: time_zone: {error}") from error

    def seconds(self, numbers: NDArray[np.float64]) -> NDArray[np.float64]:
        """Times of the file in seconds."""
        return numbers if self._time_factor == 1.0 else numbers * self._time_factor

    def target(self, name: str, unit: str = "") -> Target | None:
        """What a column is; None: it is left out. `unit` is what the file itself says, if it does.

        Raises:
            DriveError: nothing says what the column is.
        """
        if self._columns is not None:
            return self._columns.get(name)
        found = HEADING.match(name)
        if found:
            return _checked(found["name"], found["unit"], f"column '{name}'")
        if unit:
            return _checked(name, unit, f"column '{name}'")
        raise DriveError(
            f"column '{name}' says no unit; head it '{name} [unit]', or name it {MAPPING_HELP.format(name=name)}"
        )

    @property
    def names_columns(self) -> bool:
        """It says which columns are channels, and the headings do not."""
        return self._columns is not None

    def absent(self, names: list[str]) -> list[str]:
        """Columns that it names and the file does not have."""
        return [n for n in self._columns or () if n not in names]


def _refuse_unknown(table: dict[str, Any], known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            raise DriveError(f"{where}: there is no key '{key}'; {nearest(key, known)}")


def _form(content: dict[str, Any], file: Path) -> dict[str, Any]:
    found = {k: content[k] for k in (*FORM_KEYS, "time_format") if k in content}
    for key, value in found.items():
        number = key in ("heading_line", "units_line")
        if number != (isinstance(value, int) and not isinstance(value, bool)) or (number and value < 0):
            raise DriveError(f"{file}: {key}: write {'a line number' if number else 'text in quotes'}")
    if len(found.get("delimiter", ",")) != 1 or found.get("decimal", ".") not in (".", ","):
        raise DriveError(f'{file}: delimiter is one character, such as ";" or "\\t", and decimal "." or ","')
    if found.get("delimiter", ",") == found.get("decimal", "."):
        raise DriveError(f"{file}: delimiter and decimal are the same character")
    if found.get("time_format", "number") not in TIME_FORMATS:
        raise DriveError(f"{file}: time_format is one of: {', '.join(TIME_FORMATS)}")
    return found


def _target(target: Any, where: str, name: str) -> Target:
    if not isinstance(target, dict) or not {"channel", "unit"} <= set(target):
        if isinstance(target, dict):
            _refuse_unknown(target, _COLUMN_KEYS, where)
        raise DriveError(f'{where}: write "{name}" = {{ channel = "map", unit = "kPa" }}')
    _refuse_unknown(target, _COLUMN_KEYS, where)
    found = _checked(str(target["channel"]), str(target["unit"]), where)
    if "afr_scale" not in target:
        return found
    scale, (least, most) = target["afr_scale"], _AFR_SCALES
    if isinstance(scale, bool) or not isinstance(scale, int | float) or not least < scale < most:
        raise DriveError(f"{where}: afr_scale is the AFR that the log shows at lambda 1, such as 14.7")
    if found.unit != "lambda":
        raise DriveError(f'{where}: afr_scale goes with unit = "lambda": the AFR is divided by it')
    return found._replace(afr_scale=float(scale))


def _checked(name: str, unit: str, where: str) -> Target:
    if not _NAME.match(name):
        raise DriveError(
            f"{where}: '{name}' is no channel's name (small letters, digits and _); name it "
            + MAPPING_HELP.format(name=name)
        )
    try:
        return Target(name, units.unit(unit).symbol)
    except units.UnitError as error:
        raise DriveError(f"{where}: {error}") from error
