"""Logs as people have them come in: what is guessed is shown first, and what cannot be meant is refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl
import pytest
from brought_in import bring, cabcanary

if TYPE_CHECKING:
    from pathlib import Path

#: 25 November 2026, 06:30 UTC, in seconds since 1970 (date -d "2026-11-25T06:30Z" +%s).
EPOCH_S = 1_795_588_200
START = "2026-11-25T06:30:00.000Z"
#: What every log here holds: time (s), manifold pressure (kPa), lambda, coolant (°C).
ROWS = [(n / 10, 100.5 + n, round(0.80 + n / 100, 2), 85 + n % 3) for n in range(12)]


def refused(file: Path, folder: Path, *more: object) -> str:
    code, out, err = cabcanary("import", file, "--folder", folder, "--vehicle", "Van", *more)
    assert (code, out) == (2, ""), err
    assert not list(folder.rglob("*.parquet"))
    return err


def proposed(file: Path) -> Path:
    """The mapping that --columns proposes, as a file, with no word changed."""
    code, out, err = cabcanary("import", file, "--columns")
    assert code == 0, err
    mapping = file.with_suffix(".toml")
    mapping.write_text(out)
    return mapping


def holds_the_rows(table: pl.DataFrame) -> None:
    assert table["time_s"].to_list() == pytest.approx([r[0] for r in ROWS], abs=1e-6)
    for n, name in enumerate(("map", "lambda", "coolant"), 1):
        assert table[name].to_list() == pytest.approx([r[n] for r in ROWS])
    assert set(table["map_quality"].cast(pl.String)) == {"good"}


def lines(rows: list[str], heading: str, *, end: str = "\n") -> str:
    return end.join([heading, *rows]) + end


def comma(number: float) -> str:
    return str(number).replace(".", ",")


WAYS: dict[str, bytes] = {
    "semicolons and decimal commas": lines(
        [";".join(map(comma, r)) for r in ROWS], "Time (s);Manifold Pressure (kPa);Lambda [lambda];Coolant (°C)"
    ).encode(),
    "tabs, Latin-1, the lines of another system": lines(
        ["\t".join(map(str, r)) for r in ROWS], "Time\tMAP [kPa]\tLambda\tCoolant [°C]", end="\r\n"
    ).encode("latin-1"),
    "a preamble and a row of units": (
        "My own logger 3, all rights mine\nVehicle;van;;\n\n"
        + lines([";".join(map(str, r)) for r in ROWS], "Time;Manifold;Lambda 1;Coolant\ns;kPa;lambda;°C")
    ).encode(),
    "milliseconds in a row of units": lines(
        [",".join(map(str, (round(r[0] * 1000), *r[1:]))) for r in ROWS], "Time,MAP,Lambda,Coolant\nms,kPa,,°C"
    ).encode(),
    "hours and minutes": lines(
        [",".join(map(str, (f"10:15:{r[0]:04.1f}", *r[1:]))) for r in ROWS], "Time,MAP (kPa),Lambda,Coolant (°C)"
    ).encode(),
    "over midnight": lines(
        [
            ",".join(map(str, (f"23:59:{59 + r[0]:04.1f}" if r[0] < 1 else f"0:00:{r[0] - 1:04.1f}", *r[1:])))
            for r in ROWS
        ],
        "Time,MAP (kPa),Lambda,Coolant (°C)",
    ).encode(),
    "two bytes a letter": lines(
        ["\t".join(map(comma, r)) for r in ROWS], "Time\tMAP [kPa]\tLambda\tCoolant [°C]"
    ).encode("utf-16"),
}


@pytest.mark.parametrize("way", WAYS)
def test_what_columns_proposes_brings_the_log_in_as_it_is(tmp_path: Path, way: str) -> None:
    file = tmp_path / "log.csv"
    file.write_bytes(WAYS[way])
    mapping = proposed(file)
    _, table, manifest = bring(file, tmp_path / "van", "--mapping", mapping)
    holds_the_rows(table)
    assert manifest.clock == "not synchronised"


def test_what_is_guessed_is_shown_before_it_is_believed(tmp_path: Path) -> None:
    file = tmp_path / "log.txt"
    head = "Written by nobody\ntime_s;map;lambda;coolant\ns;kPa;lambda;°C"
    file.write_bytes(lines([";".join(map(comma, r)) for r in ROWS], head).encode("latin-1"))
    told = refused(file, tmp_path / "van")
    for line in ('encoding = "latin-1"', 'delimiter = ";"', 'decimal = ","', "heading_line = 2", "units_line = 3"):
        assert f"    {line}\n" in told
    assert "Nothing is brought in yet" in told
    _, table, _ = bring(file, tmp_path / "van", "--as-guessed")
    holds_the_rows(table)
    # Said is said: nothing is left to guess.
    (tmp_path / "said.toml").write_text("\n".join(x.strip() for x in told.splitlines() if x.startswith("    ")))
    holds_the_rows(bring(file, tmp_path / "said", "--mapping", tmp_path / "said.toml")[1])


def test_what_is_said_is_taken_as_it_is(tmp_path: Path) -> None:
    file, mapping = tmp_path / "log.csv", tmp_path / "map.toml"
    file.write_text("time_s;map [kPa]\n0;1,5\n1;2,5\n")
    mapping.write_text('delimiter = ";"\ndecimal = "."\n')
    assert "'1,5' is no number" in refused(file, tmp_path / "van", "--mapping", mapping)


@pytest.mark.parametrize(
    ("times", "zone"),
    [
        ([f"2026-11-25T06:30:{r[0]:06.3f}Z" for r in ROWS], ""),
        ([f"2026-11-25 07:30:{r[0]:06.3f}" for r in ROWS], "+01:00"),
        ([f"{EPOCH_S + r[0]:.1f}" for r in ROWS], ""),
    ],
)
def test_times_with_a_date_date_the_drive(tmp_path: Path, times: list[str], zone: str) -> None:
    file, mapping = tmp_path / "log.csv", tmp_path / "map.toml"
    rows = [",".join(map(str, (t, *r[1:]))) for t, r in zip(times, ROWS, strict=True)]
    file.write_text(lines(rows, "time_s,map [kPa],lambda [lambda],coolant [°C]"))
    mapping.write_text(
        'time_format = "iso"\n' * ("T" in times[0] or bool(zone)) + f'time_zone = "{zone}"\n' * bool(zone)
    )
    said, table, manifest = bring(file, tmp_path / "van", "--mapping", mapping)
    holds_the_rows(table)
    assert (manifest.start, manifest.clock, manifest.drive[:16]) == (START, "imported", "20261125T063000Z")
    assert f"it began at {START}, as the log says" in said
    # A person knows better.
    more = ["--mapping", mapping, "--start", "2025-01-01T00:00:00Z"]
    assert bring(file, tmp_path / "other", *more)[2].start == "2025-01-01T00:00:00.000Z"


def test_a_date_without_a_zone_is_a_guess(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_text("time_s,map [kPa]\n2026-11-25T06:30:00,1\n2026-11-25T06:30:00.1,2\n")
    told = refused(file, tmp_path / "van")
    assert 'time_format = "iso"' in told
    assert 'time_zone = "+00:00"' in told


def test_a_last_line_that_is_cut_short_is_left_out_and_told(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    whole = "time_s,map [kPa],lambda [lambda]\n0,101.5,0.85\n0.1,102.5,0.86\n"
    for n, (torn, left) in enumerate([("0.2,10", 2), ("0.2,103.5", 2), ("0.2,103.5,0.8", 2), ("0.2,103.5,0.87", 3)]):
        file.write_text(whole + torn)
        said, table, _ = bring(file, tmp_path / f"van{n}")
        assert len(table) == left, torn
        assert (f"its last line was cut short and is left out: {torn}" in said) is (left == 2)
        assert 0.8 not in table["lambda"].to_list()


@pytest.mark.parametrize(
    ("scale", "afr", "expected"),
    [
        # Lambda is AFR over the fuel's own at lambda 1: 14.7 of the trade's scale for petrol, 14.08 with 10 % ethanol.
        (14.7, [12.495, 14.7], [0.85, 1.0]),
        (14.08, [11.968, 14.08], [0.85, 1.0]),
    ],
)
def test_afr_comes_in_with_the_scale_it_was_logged_in(
    tmp_path: Path, scale: float, afr: list[float], expected: list[float]
) -> None:
    file = tmp_path / "log.csv"
    file.write_text(lines([f"{n},{a}" for n, a in enumerate(afr)], "time_s,AFR"))
    mapping = proposed(file)
    line = next(x for x in mapping.read_text().splitlines() if x.startswith('# "AFR"'))
    assert "write the scale that it was logged in" in line
    named = line.removeprefix("# ").replace('"…"', str(scale))
    mapping.write_text(mapping.read_text().replace(line, named))
    _, table, _ = bring(file, tmp_path / "van", "--mapping", mapping)
    assert table["lambda"].to_list() == pytest.approx(expected)


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_fourteen_point_seven_is_no_lambda(tmp_path: Path, ending: str) -> None:
    file = tmp_path / f"log.{ending}"
    frame = pl.DataFrame({"time_s": [0.0, 0.1, 0.2], "lambda [lambda]": [14.7, 12.1, 14.6]})
    frame.write_csv(file) if ending == "csv" else frame.write_parquet(file)
    told = refused(file, tmp_path / "van")
    assert "'lambda' goes from 12.1 to 14.7, which is AFR and not lambda" in told
    assert 'unit = "lambda", afr_scale = 14.7' in told
    # Free air is far over any mixture for moments.
    frame = pl.DataFrame({"time_s": [0.0, 0.1, 0.2], "lambda [lambda]": [0.85, 0.9, 9.99]})
    frame.write_csv(file) if ending == "csv" else frame.write_parquet(file)
    assert bring(file, tmp_path / "van")[1]["lambda"].to_list() == [0.85, 0.9, 9.99]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('tme = "Time"\n', "there is no key 'tme'; did you mean 'time'?"),
        ('[column]\n"MAP" = { channel = "map", unit = "kPa" }\n', "there is no key 'column'; did you mean 'columns'"),
        ('[columns]\nMAP = { channel = "map", unit = "kPa", factor = 2 }\n', "MAP: there is no key 'factor'"),
        ('[columns]\nMAP = { channel = "map", units = "kPa" }\n', "there is no key 'units'; did you mean 'unit'?"),
        ('[columns]\nMAP = { channel = "map", unit = "kPa", afr_scale = 14.7 }\n', 'goes with unit = "lambda"'),
        (
            '[columns]\nMAP = { channel = "map", unit = "lambda", afr_scale = 147 }\n',
            "afr_scale is the AFR that the log",
        ),
        ("columns = 3\n", "write [columns]"),
        ('decimal = ";"\n', 'decimal "." or ","'),
        ('delimiter = ","\ndecimal = ","\n', "the same character"),
        ('heading_line = "2"\n', "write a line number"),
        ('time_format = "ticks"\n', "time_format is one of: number, hh:mm:ss, iso"),
        ('time_zone = "Paris"\n', "is no zone; write it as in +01:00"),
        ('encoding = "martian"\n', "is not in martian"),
    ],
)
def test_a_mapping_that_says_what_nobody_knows_is_an_error(tmp_path: Path, text: str, words: str) -> None:
    file, mapping = tmp_path / "log.csv", tmp_path / "map.toml"
    file.write_text("time_s,map [kPa]\n0,1\n1,2\n")
    mapping.write_text(text)
    assert words in refused(file, tmp_path / "van", "--mapping", mapping)


def test_columns_of_a_mapping_that_the_log_does_not_have_are_told(tmp_path: Path) -> None:
    file, mapping = tmp_path / "log.csv", tmp_path / "map.toml"
    file.write_text("time_s,P\n0,1\n1,2\n")
    mapping.write_text(
        '[columns]\nP = { channel = "map", unit = "kPa" }\n"Lambda 1" = { channel = "lambda", unit = "lambda" }\n'
    )
    assert (
        "the mapping names what the log does not have: Lambda 1"
        in bring(file, tmp_path / "van", "--mapping", mapping)[0]
    )


def test_a_place_in_a_log_with_a_preamble_is_told_by_the_line_of_the_file(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_text("mine\n\ntime_s;map [kPa]\n0;1,5\n\n0,1;2,5\n0,2;off\n")
    assert "line 7, column 'map [kPa]': 'off' is no number" in refused(file, tmp_path / "van", "--as-guessed")
    file.write_text("mine\n\ntime_s;map [kPa]\n0;1,5\n\n0,2;2,5\n0,1;3\n")
    assert "row 7: time does not go on" in refused(file, tmp_path / "van", "--as-guessed")


def test_a_parquet_of_timestamps_dates_the_drive(tmp_path: Path) -> None:
    file = tmp_path / "log.parquet"
    times = pl.Series("time_s", [round((EPOCH_S + r[0]) * 1e6) for r in ROWS]).cast(pl.Datetime("us", "UTC"))
    columns = {"map [kPa]": [r[1] for r in ROWS], "lambda [lambda]": [r[2] for r in ROWS]}
    pl.DataFrame({"time_s": times, **columns, "coolant [°C]": [r[3] for r in ROWS]}).write_parquet(file)
    _, table, manifest = bring(file, tmp_path / "van")
    holds_the_rows(table)
    assert manifest.start == START
