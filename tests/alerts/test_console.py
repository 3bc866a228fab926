"""A terminal that is stopped, or a pipe that nobody reads, holds up nobody."""

import contextlib
import io
import os
import threading

from cabcanary.alerts.console import Console

LONGEST_S = 30.0


class Stopped(io.StringIO):
    """A terminal on which somebody pressed Ctrl-S."""

    def __init__(self):
        super().__init__()
        self.reached, self.go_on = threading.Event(), threading.Event()

    def write(self, text):
        self.reached.set()
        assert self.go_on.wait(LONGEST_S)
        return super().write(text)


def test_lines_come_out_in_order():
    stream = io.StringIO()
    console = Console(stream)
    for n in range(100):
        console.line(f"line {n}")
    console.close(LONGEST_S)
    assert stream.getvalue() == "".join(f"line {n}\n" for n in range(100))
    assert console.dropped == 0


def test_a_stopped_terminal_is_not_waited_for_and_what_is_dropped_is_counted():
    stream = Stopped()
    console = Console(stream)
    console.line("first")
    assert stream.reached.wait(LONGEST_S)
    # If any of these waited for the terminal, the test would not get past it.
    for n in range(1500):
        console.line(f"line {n}")
    assert console.dropped == 500
    console.close(0.0)
    stream.go_on.set()
    console.close(LONGEST_S)
    assert stream.getvalue().splitlines() == ["first", *(f"line {n}" for n in range(1000))]


def test_a_pipe_that_nobody_reads_is_not_waited_for():
    reading, writing = os.pipe()
    stream = os.fdopen(writing, "w")
    console = Console(stream)
    # A pipe holds 64 KiB on Linux (pipe(7)); this is thirty times that.
    for _ in range(2000):
        console.line("x" * 1000)
    assert console.dropped >= 800
    console.close(0.0)
    os.close(reading)
    console.close(LONGEST_S)
    with contextlib.suppress(BrokenPipeError):
        stream.close()


def test_a_pipe_whose_reader_has_gone_ends_nothing():
    reading, writing = os.pipe()
    os.close(reading)
    stream = os.fdopen(writing, "w")
    console = Console(stream)
    for _ in range(3):
        console.line("nobody hears this")
    console.close(LONGEST_S)
    assert console.dropped == 3
    with contextlib.suppress(BrokenPipeError):
        stream.close()
