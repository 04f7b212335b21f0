"""Rows packed small: each column as differences in planes of bytes, compressed. What comes out equals what went in.

Layout, before zlib: number of rows, number of columns, then each column. A column begins with the lengths of its runs
of present and absent (null) cells by turns, then one letter says how the present ones are kept: `j` as JSON, anything
that is no integer; `0`, `1`, `2` integers, counted from the first one in steps of their greatest common divisor, less a
slope for each place, and differenced so many times. Of integers follow the first one (zigzagged), the step, the slope
(zigzagged) and a width of 1, 2, 4 or 8; then each number zigzagged into so many bytes, little end first: the first
bytes of all, the second bytes of all, and so on. Numbers of the layout itself are LEB128.
"""

import hashlib
import json
import zlib
from array import array
from collections.abc import Sequence
from itertools import accumulate, groupby, pairwise
from math import gcd

from fillguard.core.errors import LedgerError

Cell = int | float | str | None
Row = tuple[Cell, ...]

FORMAT = 1
"""Recorded with every chunk: a layout is never given another meaning."""
_LEVEL = 9
_WIDTHS = ((1, "B"), (2, "H"), (4, "I"), (8, "Q"))
_CODES = dict(_WIDTHS)
_MORE = 0x80
"""Set in each byte of a LEB128 number but its last."""
_LARGEST = 2**58
"""Larger integers could not be differenced twice within 64 bits: they are kept as JSON."""
_HASHED = b"fillguard/chunk/1\0"
_ORDERS = (0, 1, 2)
_JSON = ord("j")


def pack(rows: Sequence[Row]) -> bytes:
    """`rows`, at least one and all of the same length, as bytes."""
    columns = list(zip(*rows, strict=True))
    parts = [_number(len(rows)), _number(len(columns)), *map(_column, columns)]
    return zlib.compress(b"".join(parts), _LEVEL)


def unpack(data: bytes) -> list[Row]:
    """The rows that `pack` was given. Raises LedgerError for anything else."""
    try:
        read = _Reader(zlib.decompress(data))
        count, width = read.number(), read.number()
        columns = [_cells(read, count) for _ in range(width)]
        return list(zip(*columns, strict=True))
    except (zlib.error, ValueError, LookupError, OverflowError) as problem:
        raise LedgerError(f"packed rows cannot be read ({problem}): verify the ledger, restore a backup") from problem


def content_hash(content: bytes) -> str:
    """What a chunk's record says of its content: SHA-256 in hexadecimal over a word of our own and the bytes."""
    return hashlib.sha256(_HASHED + content).hexdigest()


def same(ours: Sequence[Row], theirs: Sequence[Row]) -> bool:
    """True when both hold the same cells, types included: 1 is not 1.0, and 0.0 not -0.0."""
    return len(ours) == len(theirs) and all(map(_same_row, ours, theirs))


def _same_row(one: Row, other: Row) -> bool:
    kinds = [*map(type, one)]
    alike = one == other and kinds == [*map(type, other)]
    return alike and (float not in kinds or [*map(repr, one)] == [*map(repr, other)])


def _column(cells: Sequence[Cell]) -> bytes:
    runs = [(present, len(list(run))) for present, run in groupby(cells, lambda cell: cell is not None)]
    if not runs[0][0]:
        runs.insert(0, (True, 0))
    head = _number(len(runs)) + b"".join(_number(length) for _, length in runs)
    present = [cell for cell in cells if cell is not None]
    numbers = [cell for cell in present if type(cell) is int and -_LARGEST < cell < _LARGEST]
    if len(numbers) != len(present):
        return head + _kept(_JSON, json.dumps(present).encode())
    if min(numbers, default=0) == max(numbers, default=0):
        return head + _integers(numbers, 0)
    return head + min((_integers(numbers, order) for order in _ORDERS), key=lambda kept: len(zlib.compress(kept, 1)))


def _kept(how: int, payload: bytes) -> bytes:
    return bytes((how,)) + _number(len(payload)) + payload


def _integers(numbers: Sequence[int], order: int) -> bytes:
    first = numbers[0] if numbers else 0
    counts = [number - first for number in numbers]
    step = gcd(*counts) or 1
    slope = round(counts[-1] / step / (len(counts) - 1)) if order == 1 and len(counts) > 1 else 0
    counts = [count // step - slope * place for place, count in enumerate(counts)]
    for _ in range(order):
        counts = [*counts[:1], *(after - before for before, after in pairwise(counts))]
    zigzag = [*map(_zigzag, counts)]
    largest = max(zigzag, default=0)
    width, code = next((width, code) for width, code in _WIDTHS if largest < 1 << 8 * width)
    flat = _little(array(code, zigzag)).tobytes()
    planes = b"".join(flat[plane::width] for plane in range(width))
    return _kept(ord("0") + order, _leb(_zigzag(first), step, _zigzag(slope)) + bytes((width,)) + planes)


def _zigzag(number: int) -> int:
    return number << 1 if number >= 0 else ~(number << 1)


def _unzigzag(number: int) -> int:
    return number >> 1 if not number & 1 else ~(number >> 1)


def _cells(read: "_Reader", count: int) -> list[Cell]:
    runs = [read.number() for _ in range(read.number())]
    how, payload = read.take(1)[0], read.take(read.number())
    present: Sequence[Cell] = json.loads(payload) if how == _JSON else _differenced(payload, how - ord("0"))
    if sum(runs) != count or sum(runs[::2]) != len(present):
        raise ValueError("a column has another length than the rows")
    cells: list[Cell] = []
    begin = 0
    for place, length in enumerate(runs):
        if place % 2:
            cells += [None] * length
        else:
            cells += present[begin : begin + length]
            begin += length
    return cells


def _differenced(payload: bytes, order: int) -> list[int]:
    if order not in _ORDERS:
        raise ValueError("a column is kept in an unknown way")
    read = _Reader(payload)
    first, step, slope = _unzigzag(read.number()), read.number(), _unzigzag(read.number())
    width = read.take(1)[0]
    code, planes = _CODES[width], read.rest()
    count = len(planes) // width
    flat = bytearray(len(planes))
    for plane in range(width):
        flat[plane::width] = planes[plane * count : (plane + 1) * count]
    counts = [*map(_unzigzag, _little(array(code, bytes(flat))))]
    for _ in range(order):
        counts = list(accumulate(counts))
    return [first + step * (count + slope * place) for place, count in enumerate(counts)]


def _little(numbers: "array[int]") -> "array[int]":
    """Little-endian on every machine."""
    if array("H", [1]).tobytes()[0] == 0:
        numbers.byteswap()
    return numbers


def _leb(*values: int) -> bytes:
    return b"".join(map(_number, values))


def _number(value: int) -> bytes:
    out = bytearray()
    while value >= _MORE:
        out.append(value % _MORE | _MORE)
        value >>= 7
    out.append(value)
    return bytes(out)


class _Reader:
    """Bytes, read from the front."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def take(self, count: int) -> bytes:
        piece = self._data[self._at : self._at + count]
        if len(piece) != count:
            raise ValueError("it ends too early")
        self._at += count
        return piece

    def rest(self) -> bytes:
        piece, self._at = self._data[self._at :], len(self._data)
        return piece

    def number(self) -> int:
        value = shift = 0
        while True:
            byte = self.take(1)[0]
            value |= byte % _MORE << shift
            if byte < _MORE:
                return value
            shift += 7
