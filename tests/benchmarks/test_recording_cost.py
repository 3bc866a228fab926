"""What recording costs, beside what everybody would use: the same readings, as safe, in the same run.

24 channels at 50 Hz with noise of 2 codes rms of a 12-bit converter (support/recorded_hour.py says what they do).
Every way keeps tick time, the time of each converter's scan, 24 raw numbers and 24 qualities, and is synced to the card
once a second of drive. "written" is what the kernel counts as sent to the storage layer for this process
(write_bytes of /proc/self/io): whole pages, the file system's own journal left out.

Bytes and memory are the same on every machine, so they are asserted, against the bars that the project set itself;
time is printed only.
"""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from recorded_hour import KEYS, SCALES, STEPS, Signals, settings_text, written

pytestmark = pytest.mark.in_time


SUPPORT = Path(__file__).parents[1] / "support"
_PER_SYNC = 50
_RULE = """
[[rule]]
id = "high"
priority = "caution"
say = "Too high"
do = "Lift off gently"
when = "c0 > 190 kPa"
"""
_COLUMNS = [*(f"raw{c}" for c in range(24)), *(f"quality{c}" for c in range(24))]

_ARCHIVE = """
import json, sys, time
from pathlib import Path
from recorded_hour import peak_mb
from cabcanary.recorder.archiver import archive_all
from cabcanary.store.archive import be_sparing
be_sparing()
before = peak_mb()
archive_all(Path(sys.argv[1]))
print(json.dumps([time.process_time(), before, peak_mb()]))
"""


def rows(ticks: int):
    for tick_ns, scans, codes in Signals().ticks(ticks):
        yield [
            tick_ns,
            *scans,
            *((code + 0.0) * STEPS[k].scale for k, code in zip(KEYS, codes, strict=True)),
            *[0] * 24,
        ]


def sqlite_rows(folder: Path, made: list[list[float]]) -> None:
    database = sqlite3.connect(folder / "drive.sqlite", isolation_level=None)
    database.execute("pragma journal_mode=wal")
    database.execute("pragma synchronous=full")
    types = ", ".join(f"{c} {'real' if c.startswith('raw') else 'integer'}" for c in _COLUMNS)
    database.execute(f"create table samples (tick integer primary key, s0 integer, s1 integer, s2 integer, {types})")
    places = ",".join("?" * len(made[0]))
    for n in range(0, len(made), _PER_SYNC):
        database.execute("begin")
        database.executemany(f"insert into samples values ({places})", made[n : n + _PER_SYNC])
        database.execute("commit")
    database.close()


def csv_rows(folder: Path, made: list[list[float]]) -> None:
    with (folder / "drive.csv").open("w", encoding="ascii") as file:
        for n in range(0, len(made), _PER_SYNC):
            file.write("".join(",".join(map(repr, row)) + "\n" for row in made[n : n + _PER_SYNC]))
            file.flush()
            os.fsync(file.fileno())


def arrow_rows(folder: Path, made: list[list[float]]) -> None:
    times = [(name, pa.int64()) for name in ("tick", "s0", "s1", "s2")]
    schema = pa.schema([*times, *((c, pa.float64() if c.startswith("raw") else pa.uint8()) for c in _COLUMNS)])
    with (folder / "drive.arrow").open("wb") as file, pa.ipc.new_stream(file, schema) as stream:
        for n in range(0, len(made), _PER_SYNC):
            columns = list(zip(*made[n : n + _PER_SYNC], strict=True))
            arrays = [pa.array(c, type=f.type) for c, f in zip(columns, schema, strict=True)]
            stream.write_batch(pa.record_batch(arrays, schema=schema))
            file.flush()
            os.fsync(file.fileno())


def child(*command: str):
    path = os.pathsep.join([str(SUPPORT), os.environ.get("PYTHONPATH", "")])
    environment = {**os.environ, "PYTHONPATH": path}
    result = subprocess.run([sys.executable, *command], capture_output=True, check=True, text=True, env=environment)
    return json.loads(result.stdout.splitlines()[-1])


@pytest.mark.timeout(600)
@pytest.mark.parametrize("minutes", [4.0, pytest.param(60.0, marks=pytest.mark.long)])
def test_an_hour_of_24_channels_fits_its_bars(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], minutes: float
) -> None:
    hour = 60.0 / minutes
    ours = child(str(SUPPORT / "recorded_hour.py"), str(tmp_path), str(minutes))
    archive_s, before_mb, archive_mb = child("-c", _ARCHIVE, str(tmp_path))
    (parquet,) = tmp_path.glob("drives/*/*/*.parquet")
    kept = sum(p.stat().st_size for p in parquet.parent.iterdir())
    made = list(rows(int(minutes * 3000)))
    table = [("journal", ours["bytes"], ours["written"], ours["cpu_s"])]
    for name, work in (("SQLite, WAL, full sync", sqlite_rows), ("CSV", csv_rows), ("Arrow IPC stream", arrow_rows)):
        folder = tmp_path / name
        folder.mkdir()
        begun, before = time.process_time(), written()
        work(folder, made)
        spent, sent = time.process_time() - begun, written() - before
        table.append((name, sum(p.stat().st_size for p in folder.iterdir()), sent, spent))
    with capsys.disabled():
        print(f"\n  {minutes:g} minutes of 24 channels at 50 Hz, noise 2 codes rms of 12 bits; figures for an hour")
        for name, size, sent, spent in table:
            print(
                f"  {name:<24} {size * hour / 1e6:7.1f} MB  {sent * hour / 1e6:7.1f} MB written  "
                f"{spent * hour:6.1f} s CPU ({spent * hour / 36:.2f} % of a core)  ×{size / ours['bytes']:.1f}"
            )
        print(
            f"  {'archive (Parquet)':<24} {kept * hour / 1e6:7.1f} MB, by the archiver afterwards: "
            f"{archive_s * hour:.0f} s CPU, {archive_mb:.0f} MB at most ({before_mb:.0f} MB are its libraries)"
        )
        print(f"  recording process: {ours['resident_mb']:.0f} MB resident at most")
    assert ours["bytes"] * hour <= 12e6
    # A few minutes have a whole footer to themselves.
    assert kept * hour <= (10e6 if hour <= 1 else 12.5e6)
    assert ours["resident_mb"] <= 80
    assert ours["heavy"] == 0
    # Five minutes of rows with what Arrow needs to write them, however long the drive is: 36 MB.
    assert archive_mb - before_mb <= 42


def tree(folder: Path) -> list[tuple[Path, int]]:
    """Three converters of eight channels as the kernel shows them; each file and its channel."""
    files = []
    for n, scale in enumerate(SCALES):
        device = folder / f"iio:device{n}"
        device.mkdir(parents=True)
        (device / "name").write_text(f"adc{n}\n")
        (device / "in_voltage_scale").write_text(f"{scale}\n")
        files += [(device / f"in_voltage{c}_raw", 8 * n + c) for c in range(8)]
    for file, _ in files:
        file.write_text("2000\n")
    return files


def status_mb(pid: int, key: str) -> float:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(key)) / 1024


@pytest.mark.timeout(300)
@pytest.mark.parametrize("seconds", [8.0, pytest.param(120.0, marks=pytest.mark.long)])
def test_the_whole_daemon_with_24_channels_stays_small(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], seconds: float
) -> None:
    files = tree(tmp_path / "iio")
    text = settings_text().replace('kind = "iio"\n', f'kind = "iio"\nfolder = "{tmp_path / "iio"}"\n')
    text += f'[daemon]\nfolder = "{tmp_path / "van"}"\n'
    # A vehicle for which nothing can be watched is refused.
    (tmp_path / "rules.toml").write_text(_RULE)
    (tmp_path / "van.toml").write_text('rules = ["rules.toml"]\n' + text)
    command = [sys.executable, "-m", "cabcanary", "run", str(tmp_path / "van.toml")]
    signals = Signals()
    daemon = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        due = time.monotonic()
        for n in range(int(seconds * 50)):
            codes = signals.codes(n)
            for file, c in files:
                # In place: a descriptor that is kept open must see it.
                with file.open("r+b") as raw:
                    raw.write(b"%05d\n" % codes[c])
            due += 0.02
            time.sleep(max(0.0, due - time.monotonic()))
        peak, now = status_mb(daemon.pid, "VmHWM"), status_mb(daemon.pid, "VmRSS")
        journals = list((tmp_path / "van" / "journal").glob("*.ccj"))
    finally:
        daemon.terminate()
        daemon.wait(30)
    assert journals, "no drive was recorded"
    # As the daemon's own reader stamps it: each channel by itself.
    archive_s, _, archive_mb = child("-c", _ARCHIVE, str(tmp_path / "van"))
    (parquet,) = (tmp_path / "van").glob("drives/*/*/*.parquet")
    with pq.ParquetFile(parquet) as file:
        hour = 180_000 / file.metadata.num_rows
        pages = sum(
            file.metadata.row_group(g).column(c).total_compressed_size
            for g in range(file.num_row_groups)
            for c in range(file.metadata.num_columns)
        )
        values = file.read(columns=[f"c{c}" for c in range(24)])
    pq.write_table(values, tmp_path / "values.parquet", compression="zstd")
    footer = parquet.stat().st_size - pages
    floor = (tmp_path / "values.parquet").stat().st_size
    with capsys.disabled():
        print(f"\n  the daemon after {seconds:g} s of 24 channels at 50 Hz: {now:.0f} MB resident, {peak:.0f} at most")
        print(
            f"  its archive: {pages * hour / 1e6:.1f} MB an hour beside the footer of {footer / 1e6:.2f}"
            f" MB; values alone {floor * hour / 1e6:.1f}; {archive_s * hour:.0f} s CPU, {archive_mb:.0f} MB at most"
        )
    assert peak <= 80
    if seconds >= 100:
        assert pages * hour <= 15e6
