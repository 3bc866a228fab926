"""The wires break on command: as faults come and go in a drive, plugs fall out and lines are disturbed."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from cabcanary_bench.drives.scenario import Phase, Scenario
from cabcanary_bench.faults.faults import Fault, FaultKind
from cabcanary_bench.rig.wired_van import STEP_S, BenchVan
from cabcanary_bench.wiring.serial_pty import SerialPty

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.waits


@contextmanager
def van(folder: Path, kind: FaultKind, severity: float = 1.0) -> Iterator[BenchVan]:
    """A van with the key on and a fault from 1 to 2 s."""
    faults = (Fault(kind, 1.0, 2.0, severity),)
    bench = BenchVan(folder, Scenario("key on", 4.0, (Phase("key on", 0.0, 4.0, 0, hold=True),), faults))
    try:
        yield bench
    finally:
        bench.close()


def go(bench: BenchVan, start_s: float, end_s: float) -> None:
    for n in range(round(start_s / STEP_S), round(end_s / STEP_S)):
        bench.step(n * STEP_S)


def test_the_wideband_s_plug_falls_out_and_comes_back(tmp_path: Path) -> None:
    with van(tmp_path, FaultKind.WIDEBAND_UNPLUGGED) as bench:
        go(bench, 0.0, 0.99)
        assert bench.wideband.plugged
        go(bench, 0.99, 1.5)
        assert not bench.wideband.plugged
        assert not (tmp_path / "tty-wideband").exists()
        go(bench, 1.5, 2.1)
        assert bench.wideband.plugged


def test_the_adapter_s_plug_falls_out_and_comes_back_closed(tmp_path: Path) -> None:
    with van(tmp_path, FaultKind.ADAPTER_UNPLUGGED) as bench:
        go(bench, 0.0, 1.5)
        assert not (tmp_path / "tty-can").exists()
        go(bench, 1.5, 2.1)
        assert (tmp_path / "tty-can").exists()
        assert not bench.can.open


def test_a_plug_that_a_person_pulled_stays_out(tmp_path: Path) -> None:
    with van(tmp_path, FaultKind.SERIAL_NOISE) as bench:
        go(bench, 0.0, 0.5)
        bench.wideband.unplug()
        go(bench, 0.5, 2.5)
        assert not bench.wideband.plugged


def test_the_engine_computer_falls_silent(tmp_path: Path) -> None:
    with van(tmp_path, FaultKind.CAN_SILENT) as bench:
        awake = []
        for start_s, end_s in ((0.0, 0.9), (0.9, 1.5), (1.5, 2.1)):
            go(bench, start_s, end_s)
            awake.append(bench.obd.awake)
        assert awake == [True, False, True]


def test_a_converter_that_hangs_gives_nothing_and_then_its_numbers_again(tmp_path: Path) -> None:
    with van(tmp_path, FaultKind.CONVERTER_HUNG) as bench:
        descriptor = os.open(bench.voltages.path(0), os.O_RDONLY)  # a reader keeps its descriptor
        try:
            go(bench, 0.0, 0.99)
            before = int(os.pread(descriptor, 32, 0))
            go(bench, 0.99, 1.5)
            assert os.pread(descriptor, 32, 0) == b""
            go(bench, 1.5, 2.1)
            # The key is on and the engine stands: still the atmosphere.
            assert int(os.pread(descriptor, 32, 0)) == pytest.approx(before, rel=0.02)
        finally:
            os.close(descriptor)


def test_a_frozen_converter_repeats_its_numbers(tmp_path: Path) -> None:
    with van(tmp_path, FaultKind.CONVERTER_FROZEN) as bench:
        go(bench, 0.0, 1.05)
        seen = set()
        for n in range(105, 195):
            bench.step(n * STEP_S)
            seen.add(bench.voltages.path(0).read_text(encoding="ascii"))
        assert len(seen) == 1
        go(bench, 1.95, 2.1)
        assert bench.voltages.path(0).read_text(encoding="ascii") not in seen


def test_a_disturbed_line_loses_its_share_and_no_more(tmp_path: Path) -> None:
    port = SerialPty(tmp_path / "tty")
    descriptor = os.open(tmp_path / "tty", os.O_RDONLY | os.O_NOCTTY)
    try:
        port.disturbed = 0.5
        good = 0
        for _ in range(400):
            port.write(b"lambda=0.853 status=ok\r\n")
            line = os.read(descriptor, 64)
            assert line.endswith(b"\r\n")  # the next line is whole again
            good += line == b"lambda=0.853 status=ok\r\n"
            # What is damaged is no text, so that nobody takes it for another number.
            assert line == b"lambda=0.853 status=ok\r\n" or not line.isascii()
        assert good == pytest.approx(200, abs=40)
        port.disturbed = 0.0
        port.write(b"lambda=0.853 status=ok\r\n")
        assert os.read(descriptor, 64) == b"lambda=0.853 status=ok\r\n"
    finally:
        os.close(descriptor)
        port.close()
