"""Unpacking the "RNC\\1" form in which games of the nineties keep their files: LZ77 with Huffman-coded lengths.

Layout (from the format's published descriptions, checked here on files that carry their unpacked length): 18 bytes of
head (magic, unpacked and packed length big-endian, two checksums, leeway, number of chunks); then bits, taken from 16-bit
little-endian words lowest first, with literal bytes in between. Each chunk begins with three code tables.
"""

from __future__ import annotations

MAGIC = b"RNC\x01"
HEAD = 18

Table = list[tuple[int, dict[int, int]]]  # per code length: codes, and what they stand for


class _Bits:
    """Bits of the packed data, lowest first, and the literal bytes between them."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data + bytes(4), HEAD
        self._buffer, self._count = self._word(), 16

    def _word(self) -> int:
        return self._data[self._at] | self._data[self._at + 1] << 8

    def _drop(self, count: int) -> None:
        self._buffer >>= count
        self._count -= count
        if self._count < 16:
            self._at += 2
            self._buffer |= self._word() << self._count
            self._count += 16

    def take(self, count: int) -> int:
        value = self._buffer & ((1 << count) - 1)
        self._drop(count)
        return value

    def table(self) -> Table:
        """Canonical Huffman codes, written lowest bit first."""
        lengths = [self.take(4) for _ in range(self.take(5))]
        table, code = [], 0
        for length in range(1, 16):
            codes = {}
            for symbol in (s for s, n in enumerate(lengths) if n == length):
                codes[int(f"{code:0{length}b}"[::-1], 2)] = symbol
                code += 1
            if codes:
                table.append((length, codes))
            code <<= 1
        return table

    def value(self, table: Table) -> int:
        """A coded number: its symbol tells how many bits it has, the lower ones follow as they are."""
        for length, codes in table:
            symbol = codes.get(self._buffer & ((1 << length) - 1))
            if symbol is not None:
                self._drop(length)
                return symbol if symbol < 2 else 1 << (symbol - 1) | self.take(symbol - 1)
        raise ValueError("RNC data: no such code")

    def literals(self, count: int) -> bytes:
        """Bytes from where the last word of bits was taken; that word comes after them."""
        piece = self._data[self._at : self._at + count]
        self._at += count
        self._count -= 16
        self._buffer = self._buffer & ((1 << self._count) - 1) | self._word() << self._count
        self._count += 16
        return piece


def unpack(data: bytes) -> bytes:
    """The unpacked bytes. Raises ValueError if the data is of another form or damaged."""
    if data[:4] != MAGIC:
        raise ValueError("not RNC data of the first method")
    size, out = int.from_bytes(data[4:8], "big"), bytearray()
    try:
        bits = _Bits(data)
        bits.take(2)
        for _ in range(data[17]):
            _chunk(bits, out)
    except IndexError as error:
        raise ValueError("RNC data: it ends too soon") from error
    if len(out) != size:
        raise ValueError(f"RNC data: {len(out)} bytes came out, {size} expected")
    return bytes(out)


def _chunk(bits: _Bits, out: bytearray) -> None:
    plain, distance, length = bits.table(), bits.table(), bits.table()
    for left in range(bits.take(16), 0, -1):
        if count := bits.value(plain):
            out += bits.literals(count)
        if left > 1:
            start = len(out) - bits.value(distance) - 1
            for at in range(start, start + bits.value(length) + 2):  # one by one: a copy may reach into itself
                out.append(out[at])
