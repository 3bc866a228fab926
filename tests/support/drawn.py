"""What a terminal shows of what was written to it: text, line ends, and moves of the cursor."""

from __future__ import annotations

import re

_PIECES = re.compile(r"\x1b\[(?P<number>\d*)(?P<verb>[A-Za-z])|(?P<char>.)", re.DOTALL)


class Drawn:
    """A screen of `width` columns, as long as it has to be.

    A line that is too long goes on in the next, as on a real one; `wrapped` counts how often that happened.
    """

    def __init__(self, width: int) -> None:
        self.width = width
        self.lines: list[str] = [""]
        self.wrapped = 0
        self._row = self._column = 0

    def write(self, text: str) -> None:
        for piece in _PIECES.finditer(text):
            if piece["verb"]:
                self._move(piece["verb"], int(piece["number"] or 1))
            elif piece["char"] == "\r":
                self._column = 0
            elif piece["char"] == "\n":
                self._down()
            else:
                self._put(piece["char"])

    def _move(self, verb: str, number: int) -> None:
        if verb == "F":
            self._row, self._column = max(0, self._row - number), 0
        elif verb == "K":
            assert number == 2, "only a whole line is cleared"
            self.lines[self._row] = ""
        elif verb == "H":
            self._row = self._column = 0
        elif verb == "J":
            self.lines = [""] * (self._row + 1)
        else:
            assert verb == "m", f"an escape that this screen does not know: {verb}"

    def _down(self) -> None:
        self._row, self._column = self._row + 1, 0
        if self._row == len(self.lines):
            self.lines.append("")

    def _put(self, char: str) -> None:
        if self._column == self.width:
            self.wrapped += 1
            self._down()
        line = self.lines[self._row].ljust(self._column)
        self.lines[self._row] = line[: self._column] + char + line[self._column + 1 :]
        self._column += 1
