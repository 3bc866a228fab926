"""Parquet files of the same columns put one behind the other, by copying bytes.

A row group lies in a file as it is; only the footer says where. So a file can be made of finished parts without
compressing anything anew. The footer is Thrift's compact protocol; what stands where in it, is Apache Parquet's
`parquet.thrift`: FileMetaData, RowGroup, ColumnChunk, ColumnMetaData.
"""

from __future__ import annotations

import io
import struct
import zlib
from typing import TYPE_CHECKING, Any, NamedTuple

import pyarrow.parquet as pq

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path
    from typing import BinaryIO

    import pyarrow as pa

_MAGIC = b"PAR1"
#: Bytes that are copied at once.
_AT_ONCE = 1 << 20
_TRUE, _FALSE, _BYTE, _I16, _I32, _I64, _DOUBLE, _BINARY, _LIST, _SET, _MAP, _STRUCT = range(1, 13)
#: FileMetaData's fields: rows, row groups, and metadata as pairs of a key and a value.
_ROWS, _GROUPS, _TOLD = 3, 4, 5
_KEY, _VALUE = 1, 2
#: In the metadata of a part: the CRC-32, as eight hexadecimal digits, of all that lies before its footer. Pages have
#: checksums of their own, but their headers have none, and to look at those Arrow unpacks each page.
CRC_KEY = b"crc_before_footer"
#: RowGroup's: its columns, its rows, where it begins, its number.
_COLUMNS, _GROUP_ROWS, _GROUP_AT, _ORDINAL = 1, 3, 5, 7
#: ColumnChunk's: where it ends or 0, what it holds, its indexes.
_CHUNK_AT, _CHUNK, _INDEXES = 2, 3, (4, 6)
#: ColumnMetaData's: data pages, index pages, dictionary, bloom filter.
_PAGES = (9, 10, 11, 14)


class _Field(NamedTuple):
    kind: int
    value: Any


#: A Thrift struct: its fields by number.
_Struct = dict[int, _Field]


class _Items(NamedTuple):
    kind: int
    values: list[Any]


def join(parts: Sequence[Path], target: BinaryIO, schema: pa.Schema) -> int:
    """Write the rows of all parts into one file, under the names and with the metadata of `schema`; returns how many.

    Raises:
        ValueError: a part is no whole Parquet file, or not what was written.
        OSError: a part cannot be read, or the file not written.
    """
    footer = _footer_of(schema)
    #: Written as soon as they are read: as Python's objects those of a drive of hours would take tens of megabytes.
    groups: list[bytes] = []
    at, rows = target.write(_MAGIC), 0
    for part in parts:
        with part.open("rb") as file:
            found, end = _read_footer(file)
            file.seek(len(_MAGIC))
            for group in found[_GROUPS].value.values:
                _shift(group, at - len(_MAGIC))
                if _ORDINAL in group:
                    group[_ORDINAL] = _Field(_I16, len(groups))
                groups.append(_Writer().struct(group))
                rows += group[_GROUP_ROWS].value
            crc = _copy(file, target, end - len(_MAGIC))
            if _crc_told(found) not in (None, crc):
                raise ValueError("a part of the file is not what was written")
            at += end - len(_MAGIC)
    footer[_ROWS], footer[_GROUPS] = _Field(_I64, rows), _Field(_LIST, _Items(_STRUCT, groups))
    written = _Writer().struct(footer)
    target.write(written + struct.pack("<I", len(written)) + _MAGIC)
    return rows


def _crc_told(footer: _Struct) -> int | None:
    """What a part says its bytes before the footer sum up to; None: nothing."""
    pairs = footer[_TOLD].value.values if _TOLD in footer else []
    told = {pair[_KEY].value: pair[_VALUE].value for pair in pairs if _VALUE in pair}
    return int(told[CRC_KEY], 16) if CRC_KEY in told else None


def _copy(source: BinaryIO, target: BinaryIO, length: int) -> int:
    """Copy so many bytes; returns the CRC-32 of the magic and them."""
    before, crc = target.tell(), zlib.crc32(_MAGIC)
    while (left := length - (target.tell() - before)) > 0:
        piece = source.read(min(left, _AT_ONCE))
        if not piece:
            raise ValueError("a part of the file ends too early")
        target.write(piece)
        crc = zlib.crc32(piece, crc)
    return crc


def _shift(group: _Struct, by: int) -> None:
    """A row group lies so many bytes further on."""
    _move(group, (_GROUP_AT,), by)
    for column in group[_COLUMNS].value.values:
        _move(column, (_CHUNK_AT, *_INDEXES), by)
        _move(column[_CHUNK].value, _PAGES, by)


def _move(fields: _Struct, numbers: tuple[int, ...], by: int) -> None:
    for number in numbers:
        field = fields.get(number)
        # Nothing begins before the magic: 0 says that there is none.
        if field is not None and field.value > 0:
            fields[number] = _Field(field.kind, field.value + by)


def _footer_of(schema: pa.Schema) -> _Struct:
    """What a file of this schema without any rows says of itself."""
    empty = io.BytesIO()
    pq.ParquetWriter(empty, schema).close()
    return _read_footer(empty)[0]


def _read_footer(file: BinaryIO) -> tuple[_Struct, int]:
    """The footer, and where it begins."""
    size = file.seek(0, io.SEEK_END)
    file.seek(max(0, size - 8))
    tail = file.read()
    length = int.from_bytes(tail[:4], "little")
    if tail[4:] != _MAGIC or length > size - 12:
        raise ValueError("a part of the file is no whole Parquet file")
    file.seek(size - 8 - length)
    try:
        return _Reader(file.read(length)).struct(), size - 8 - length
    except (IndexError, struct.error) as error:
        raise ValueError("a part of the file has a damaged footer") from error


class _Reader:
    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def struct(self) -> _Struct:
        found: _Struct = {}
        number = 0
        while head := self._byte():
            kind, step = head & 15, head >> 4
            number = number + step if step else self._signed()
            found[number] = _Field(kind, kind == _TRUE if kind in (_TRUE, _FALSE) else self._value(kind))
        return found

    def _value(self, kind: int) -> Any:
        if kind in (_I16, _I32, _I64):
            return self._signed()
        if kind == _BINARY:
            return self._take(self._plain())
        if kind in (_LIST, _SET):
            head = self._byte()
            size = head >> 4
            size = self._plain() if size == 15 else size
            return _Items(head & 15, [self._value(head & 15) for _ in range(size)])
        if kind == _STRUCT:
            return self.struct()
        if kind == _DOUBLE:
            return self._take(8)
        if kind in (_BYTE, _TRUE, _FALSE):
            return self._byte()
        raise ValueError(f"a footer has a field of the unknown kind {kind}")

    def _byte(self) -> int:
        self._at += 1
        return self._data[self._at - 1]

    def _take(self, length: int) -> bytes:
        self._at += length
        if self._at > len(self._data):
            raise IndexError
        return self._data[self._at - length : self._at]

    def _plain(self) -> int:
        found, shift = 0, 0
        while True:
            byte = self._byte()
            found |= (byte & 127) << shift
            if byte < 128:
                return found
            shift += 7

    def _signed(self) -> int:
        number = self._plain()
        return (number >> 1) ^ -(number & 1)


class _Writer:
    def __init__(self) -> None:
        self._out = bytearray()

    def struct(self, fields: _Struct) -> bytes:
        self._struct(fields)
        return bytes(self._out)

    def _struct(self, fields: _Struct) -> None:
        before = 0
        for number, (was, value) in sorted(fields.items()):
            is_flag = was in (_TRUE, _FALSE)
            kind = (_TRUE if value else _FALSE) if is_flag else was
            step = number - before
            before = number
            if 0 < step < 16:
                self._out.append(step << 4 | kind)
            else:
                self._out.append(kind)
                self._signed(number)
            if not is_flag:
                self._value(kind, value)
        self._out.append(0)

    def _value(self, kind: int, value: Any) -> None:
        if kind in (_I16, _I32, _I64):
            self._signed(value)
        elif kind == _BINARY:
            self._plain(len(value))
            self._out += value
        elif kind in (_LIST, _SET):
            size = len(value.values)
            self._out.append(min(size, 15) << 4 | value.kind)
            if size >= 15:
                self._plain(size)
            for item in value.values:
                self._value(value.kind, item)
        elif kind == _DOUBLE or isinstance(value, bytes):
            self._out += value
        elif kind == _STRUCT:
            self._struct(value)
        else:
            self._out.append(value)

    def _plain(self, number: int) -> None:
        while number > 127:
            self._out.append(number & 127 | 128)
            number >>= 7
        self._out.append(number)

    def _signed(self, number: int) -> None:
        self._plain(number << 1 if number >= 0 else (-number << 1) - 1)
