"""The ten-minute strip: the station's tenths of a second drawn together to seconds."""

from collections.abc import Iterable

from listener.watch.state import Strip

LONG_S = 600
"""How long a strip is."""


def by_second(tenths: Iterable[Strip]) -> list[list[float]]:
    """[unix second, loudest level in dBov, share that stands out as speech] for each second with sound, in order.

    A second in which the clock was stepped back over is told once, with all that fell into it.
    """
    seconds: dict[int, list[Strip]] = {}
    for tenth in tenths:
        seconds.setdefault(int(tenth.unix_s), []).append(tenth)
    return [
        [second, round(max(t.level_dbov for t in own), 1), round(sum(t.speech for t in own) / len(own), 2)]
        for second, own in sorted(seconds.items())
    ]
