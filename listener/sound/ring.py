"""A bounded ring of sound in shared memory: one process writes, others read, nobody waits for anybody.

The writer never blocks and never fails: when nobody reads, the oldest sound is written over. Frames are
numbered from the first one ever written; that number is the clock of the channel. Time in which no
sound came is a hole: the numbers go on, and what lies there is silence.
"""

import time
from dataclasses import dataclass
from multiprocessing.shared_memory import SharedMemory

import numpy as np
from numpy.typing import NDArray

_MAGIC = 0x52494E47_0001
# Where the numbers lie in the head of the memory, as int64.
_MAGIC_AT, _RATE, _COLUMNS, _FRAMES, _WRITTEN, _HOLE_FROM, _HOLE_TO, _WRITE_NS, _OVERFLOWS = range(9)
_READERS = 16  # from here: two numbers a column
MOST_COLUMNS = 32
_HEAD = 8 * (_READERS + 2 * MOST_COLUMNS)


class Overwritten(Exception):
    """The frames asked for are no longer (or not yet) in the ring. first: the oldest that still is."""

    def __init__(self, first: int) -> None:
        super().__init__(f"the oldest frame in the ring is {first}")
        self.first = first


def _bytes(memory: SharedMemory) -> memoryview:
    assert memory.buf is not None, "the ring was closed"
    return memory.buf


@dataclass(frozen=True, slots=True)
class Hole:
    """Frames [first, after) in which no sound came."""

    first: int
    after: int


class _Memory(SharedMemory):
    """Shared memory that may be collected before the arrays that look into it."""

    def __del__(self) -> None:
        try:
            super().__del__()
        except BufferError:
            pass


class Ring:
    """Sound of one device: float32, shape (frames, columns), one column for each of its channels.

    Make one with create() or open one that another process made with attach(). Memory order: numpy
    copies under the interpreter's lock, which is a full barrier on every platform CPython runs on, so
    a reader that sees the new count sees the sound too.
    """

    _is_open = False

    def __init__(self, memory: SharedMemory) -> None:
        head = np.frombuffer(_bytes(memory), np.int64, _HEAD // 8)
        if head[_MAGIC_AT] != _MAGIC:
            raise ValueError(f"shared memory {memory.name} holds no ring")
        self._memory, self._head = memory, head
        self.rate_hz = int(self._head[_RATE])
        self.columns = int(self._head[_COLUMNS])
        self.frames = int(self._head[_FRAMES])
        self._sound = np.frombuffer(
            _bytes(memory), np.float32, self.frames * self.columns, offset=_HEAD
        ).reshape(self.frames, self.columns)
        self._is_open = True

    @classmethod
    def create(cls, rate_hz: int, columns: int, length_s: float) -> "Ring":
        """A new ring that keeps length_s of sound. Raises ValueError for more than 32 columns."""
        if not 1 <= columns <= MOST_COLUMNS:
            raise ValueError(f"{columns} columns: must be 1 to {MOST_COLUMNS}")
        frames = round(rate_hz * length_s)
        memory = _Memory(create=True, size=_HEAD + 4 * frames * columns)
        head = np.frombuffer(_bytes(memory), np.int64, _HEAD // 8)
        head[:] = 0
        head[[_RATE, _COLUMNS, _FRAMES]] = rate_hz, columns, frames
        head[_MAGIC_AT] = _MAGIC
        del head
        return cls(memory)

    @classmethod
    def attach(cls, name: str) -> "Ring":
        """The ring that another process made. Raises FileNotFoundError when it is gone."""
        return cls(_Memory(name))

    @property
    def name(self) -> str:
        """Name of the shared memory, by which another process attaches."""
        return self._memory.name

    # -- the writer ---------------------------------------------------------------------------------

    def write(self, sound: NDArray[np.float32]) -> None:
        """The next frames, shape (n, columns), n at most the ring's length. Only copies and counts."""
        at = int(self._head[_WRITTEN])
        start = at % self.frames
        first = min(len(sound), self.frames - start)
        self._sound[start : start + first] = sound[:first]
        self._sound[: len(sound) - first] = sound[first:]
        self._head[_WRITTEN] = at + len(sound)
        self._head[_WRITE_NS] = time.monotonic_ns()

    def skip(self, frames: int) -> Hole:
        """No sound came for this long: silence is left in its place."""
        at = int(self._head[_WRITTEN])
        if frames >= self.frames:
            self._sound[:] = 0.0
        else:
            self._sound[(at + np.arange(frames)) % self.frames] = 0.0
        hole = Hole(at, at + frames)
        self._head[_HOLE_FROM], self._head[_HOLE_TO] = hole.first, hole.after
        self._head[_WRITTEN] = hole.after
        return hole

    def count_overflow(self) -> None:
        """The sound system says that it dropped sound before us."""
        self._head[_OVERFLOWS] += 1

    # -- readers ------------------------------------------------------------------------------------

    @property
    def written(self) -> int:
        """How many frames there are; the next one gets this number."""
        return int(self._head[_WRITTEN])

    @property
    def written_ns(self) -> int:
        """When the last frames came (time.monotonic_ns), 0 if none did."""
        return int(self._head[_WRITE_NS])

    @property
    def overflows(self) -> int:
        """How often the sound library said that it had lost input, since the ring was made."""
        return int(self._head[_OVERFLOWS])

    @property
    def hole(self) -> Hole:
        """The last hole; (0, 0) if there was none."""
        return Hole(int(self._head[_HOLE_FROM]), int(self._head[_HOLE_TO]))

    @property
    def oldest(self) -> int:
        """The first frame that can be read; a second is kept free for the writer."""
        return max(0, self.written - self.frames + self.rate_hz)

    def read(self, column: int, first: int, after: int) -> NDArray[np.float32]:
        """Frames [first, after) of one column, as a copy. Raises Overwritten when they are not all there."""
        if first < self.oldest or after > self.written:
            raise Overwritten(self.oldest)
        start, length = first % self.frames, after - first
        head = self._sound[start : start + length, column]
        sound = np.concatenate([head, self._sound[: length - len(head), column]])
        if first < self.written - self.frames:  # written over while we copied
            raise Overwritten(self.oldest)
        return sound

    # -- what a reader tells the others --------------------------------------------------------------

    def report(self, column: int, heard: int) -> None:
        """The recogniser of this column is alive and has heard all frames before this one."""
        self._head[_READERS + 2 * column] = heard
        self._head[_READERS + 2 * column + 1] = time.monotonic_ns()

    def heard(self, column: int) -> int:
        """Number of the frame up to which the recogniser of this column has heard."""
        return int(self._head[_READERS + 2 * column])

    def heartbeat_ns(self, column: int) -> int:
        """When the recogniser of this column last reported (time.monotonic_ns), 0 if it never did."""
        return int(self._head[_READERS + 2 * column + 1])

    def close(self) -> None:
        """Let go of the memory; it stays for the others."""
        if self._is_open:
            self._is_open = False
            del self._head, self._sound
            self._memory.close()

    def free(self) -> None:
        """Free the memory as soon as the last one has let go of it. This one can still be read."""
        self._memory.unlink()

    def __del__(self) -> None:
        self.close()
