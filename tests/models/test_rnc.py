"""Unpacking: whatever was packed comes out again; damage is told. The packer here is the plainest that the format allows."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.training import rnc


class _Packer:
    """Writes bits and literal bytes where a reader that loads 16-bit words as it needs them looks for them."""

    def __init__(self) -> None:
        self.bits, self.between = "", {}

    def put(self, value: int, count: int) -> None:
        self.bits += f"{value:0{count}b}"[::-1] if count else ""

    def put_value(self, value: int) -> None:
        """Every table has sixteen codes of four bits, so a symbol's code is the symbol, mirrored."""
        symbol = value.bit_length()
        self.bits += f"{symbol:04b}"
        if symbol > 1:
            self.put(value - (1 << (symbol - 1)), symbol - 1)

    def put_literals(self, piece: bytes) -> None:
        self.between.setdefault((len(self.bits) + 15) // 16, bytearray()).extend(piece)

    def bytes(self) -> bytes:
        out = bytearray()
        for number in range(len(self.bits) // 16 + 2):
            out += self.between.get(number, b"")
            out += int((self.bits[16 * number : 16 * number + 16] + "0" * 16)[:16][::-1], 2).to_bytes(2, "little")
        return bytes(out)


def _steps(data: bytes) -> list[tuple[bytes, int, int]]:
    """(literals, distance, length) that make the data; the last one has no copy."""
    steps, plain, at = [], bytearray(), 0
    while at < len(data):
        length = next(
            (
                n
                for n in (9, 5, 3)
                if at >= 1 and len(data) - at > n and data[at : at + n] in data[max(0, at - 200) : at + n - 1]
            ),
            0,
        )
        if length:
            start = data.rindex(data[at : at + length], max(0, at - 200), at + length - 1)
            steps.append((bytes(plain), at - start, length))
            plain, at = bytearray(), at + length
        else:
            plain.append(data[at])
            at += 1
    return [*steps, (bytes(plain), 0, 0)]


def _packed(data: bytes) -> bytes:
    packer, steps = _Packer(), _steps(data)
    packer.put(0, 2)
    for _ in range(3):
        packer.put(16, 5)
        for _ in range(16):
            packer.put(4, 4)
    packer.put(len(steps), 16)
    for plain, distance, length in steps:
        packer.put_value(len(plain))
        if plain:
            packer.put_literals(plain)
        if length:
            packer.put_value(distance - 1)
            packer.put_value(length - 2)
    return rnc.MAGIC + len(data).to_bytes(4, "big") + bytes(9) + b"\1" + packer.bytes()


@given(
    st.lists(st.sampled_from([b"ab", b"launch", b"\0\0\0\0\0", b"xyz", b"\xff"]), max_size=60).map(b"".join)
    | st.binary(max_size=200)
)
def test_what_was_packed_comes_out_again(data: bytes) -> None:
    assert rnc.unpack(_packed(data)) == data


def test_a_copy_may_reach_into_itself() -> None:
    data = b"a" * 40
    assert len(_steps(data)) < 10
    assert rnc.unpack(_packed(data)) == data


@pytest.mark.parametrize(("data", "says"), [
    (b"RIFF" + bytes(40), "not RNC data"),
    (_packed(b"launch")[:30], "too soon"),
    (_packed(b"launch").replace((6).to_bytes(4, "big"), (7).to_bytes(4, "big"), 1), "6 bytes came out, 7 expected"),
])  # fmt: skip
def test_damage_is_told(data: bytes, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        rnc.unpack(data)
