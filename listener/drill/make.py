"""New exercises: calls at random or set times among traffic, in noise, as a FLAC and its drill file.

The same order and seed give the same samples on one machine.
"""

import io
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from listener.atomic_write import check_new, write_new
from listener.drill.script import Drill, MadeCall, Track, Traffic, drill_text
from listener.drill.voices import Piece, Samples, Voices, sound_of
from listener.errors import UsageError
from listener.events import RATE_HZ
from listener.radio import CHANNELS, KINDS, VOICE_BAND_HZ, active_level_dbov, band_pass, mix, noise, rms_dbov

KEYED_S = 0.25  # carrier before and after the words
LINE_DBOV = -62.0
LEVEL_DBOV = -24.0
CALL_ROOM_S = 10.0  # from one call's start to the next one's at least
PEAK = 0.97


@dataclass(frozen=True, slots=True)
class Order:
    """What the exercise should be. snr_db: lowest and highest; at_s: the calls' times, or random ones.

    cut: how many calls lose the start of their first word; overlaps: how many are talked over.
    """

    title: str
    minutes: float = 5.0
    phrase: str = "suspend"
    repeats: int = 3
    calls: int = 3
    at_s: tuple[float, ...] = ()
    noise: str = "turbine"
    snr_db: tuple[float, float] = (5.0, 15.0)
    radio: str = "band"
    distractors: int = 4
    cut: int = 0
    overlaps: int = 0
    traffic: bool = True
    seed: int = 1


@dataclass(frozen=True, slots=True)
class _Sent:
    """One transmission: where its carrier starts, its samples, and its words in drill time."""

    first: int
    samples: Samples
    piece: Piece
    words_s: tuple[tuple[float, float], ...]
    snr_db: float | None
    note: str = ""

    @property
    def end_s(self) -> float:
        return (self.first + len(self.samples)) / RATE_HZ


def check_order(order: Order, voices: Voices) -> None:
    """Raises UserError, one line, for what cannot be made."""
    length_s = order.minutes * 60
    if not 0.25 <= order.minutes <= 120:
        raise UsageError(f"--minutes {order.minutes:g}: must be 0.25 to 120")
    if order.noise != "none" and order.noise not in KINDS:
        raise UsageError(f"--noise {order.noise!r}: unknown; choose none, {', '.join(KINDS)}")
    if order.radio not in CHANNELS:
        raise UsageError(f"--radio {order.radio!r}: unknown; choose {', '.join(CHANNELS)}")
    low, high = order.snr_db
    if not -30 <= low <= high <= 60:
        raise UsageError(f"--snr {low:g} {high:g}: must be the lowest, then the highest, from -30 to 60 dB")
    count = len(order.at_s) or order.calls
    if count < 0 or count * CALL_ROOM_S + 5 > length_s:
        raise UsageError(f"--calls {count}: {order.minutes:g} minutes hold at most {int((length_s - 5) / CALL_ROOM_S)}")
    times = sorted(order.at_s)
    for at_s, after_s in zip(times, [*times[1:], length_s]):
        if at_s < 1 or at_s + CALL_ROOM_S > length_s:
            raise UsageError(f"--at {at_s:g}: must be 1 to {length_s - CALL_ROOM_S:g} s in {order.minutes:g} minutes")
        if after_s - at_s < CALL_ROOM_S:
            raise UsageError(f"--at {at_s:g}: the next call is less than {CALL_ROOM_S:g} s later; set them apart")
    if max(order.cut, order.overlaps) > count:
        raise UsageError(f"--cut {order.cut}, --overlaps {order.overlaps}: there are only {count} calls")
    if order.distractors < 0 or (order.distractors and not voices.distractors):
        raise UsageError(f"--distractors {order.distractors}: the voices have none for {order.phrase!r}; use 0")


def make(order: Order, voices: Voices) -> tuple[Samples, Drill]:
    """Compose: float32 samples at RATE_HZ, and the drill (its recording is named 'launch', file unset).

    Raises UserError as check_order does, and when the distractors find no room.
    """
    check_order(order, voices)
    rng = np.random.default_rng(order.seed)
    n = round(order.minutes * 60 * RATE_HZ)
    starts = _call_times(order, rng)
    cut = set(rng.permutation(len(starts))[: order.cut].tolist())
    over = set(rng.permutation(len(starts))[: order.overlaps].tolist())
    calls = [
        _call(order, voices.calls[int(rng.integers(len(voices.calls)))], at_s, i in cut, rng)
        for i, at_s in enumerate(starts)
    ]
    others = [_over(order, voices, call, rng) for i, call in enumerate(calls) if i in over]
    others += _fill(order, voices, calls, rng) if order.traffic or order.distractors else []
    audio = _line(n, rng)
    for sent in (*calls, *others):
        stretch = audio[sent.first : sent.first + len(sent.samples)]
        stretch += sent.samples[: len(stretch)]
    peak = float(np.abs(audio).max())
    return audio * np.float32(min(1.0, PEAK / peak)), _drill(order, calls, others)


def _call_times(order: Order, rng: np.random.Generator) -> list[float]:
    """The set times, or random ones CALL_ROOM_S apart (uniform among all that keep it)."""
    if order.at_s:
        return sorted(order.at_s)
    spare_s = order.minutes * 60 - 5.0 - order.calls * CALL_ROOM_S
    free = np.sort(rng.uniform(0.0, spare_s, order.calls))
    return [round(float(s) + 3.0 + i * CALL_ROOM_S, 2) for i, s in enumerate(free)]


def _call(order: Order, piece: Piece, at_s: float, cut: bool, rng: np.random.Generator) -> _Sent:
    """A call whose first word starts at at_s, in a beat of its own: pauses of 0.2 to 0.5 s."""
    parts: list[Samples] = []
    words: list[tuple[float, float]] = []
    at = round(at_s * RATE_HZ)
    first = at - round(KEYED_S * RATE_HZ)
    pause_s = float(rng.uniform(0.2, 0.45))
    for i in range(order.repeats):
        start_s, end_s = piece.words_s[i % len(piece.words_s)]
        word = sound_of(piece, start_s, end_s)
        gap = np.zeros(round((pause_s + float(rng.uniform(0, 0.05))) * RATE_HZ), np.float32)
        words.append((at / RATE_HZ, (at + len(word)) / RATE_HZ))
        parts += [word, gap]
        at += len(word) + len(gap)
    speech = np.concatenate(parts[:-1])
    sent = _send(order, piece, speech, first, tuple(words), rng)
    if not cut:
        return sent
    lost_s = (words[0][1] - words[0][0]) * float(rng.uniform(0.4, 0.6))
    lost = round((KEYED_S + lost_s) * RATE_HZ)
    heard = ((words[0][0] + lost_s, words[0][1]), *words[1:])
    return replace(
        sent,
        first=sent.first + lost,
        samples=sent.samples[lost:],
        words_s=heard,
        note="keyed late: its start is cut off",
    )


def _send(
    order: Order,
    piece: Piece,
    speech: Samples,
    first: int,
    words: tuple[tuple[float, float], ...],
    rng: np.random.Generator,
) -> _Sent:
    """Speech over noise through the radio, KEYED_S of carrier on both sides."""
    keyed = np.zeros(round(KEYED_S * RATE_HZ), np.float32)
    speech = np.concatenate([keyed, speech, keyed])
    level_dbov = LEVEL_DBOV + float(rng.uniform(-2.0, 2.0))
    snr_db: float | None = None
    if order.noise == "none":
        samples = speech * np.float32(10 ** ((level_dbov - active_level_dbov(speech, RATE_HZ)) / 20))
    else:
        snr_db = round(float(rng.uniform(*order.snr_db)), 1)
        under = noise(order.noise, len(speech) / RATE_HZ, RATE_HZ, rng)
        samples = mix(speech, under, RATE_HZ, snr_db, level_dbov, VOICE_BAND_HZ).samples
    heard = CHANNELS[order.radio].apply(samples, RATE_HZ, rng)
    return _Sent(first, heard.astype(np.float32), piece, words, snr_db)


def _say(order: Order, piece: Piece, at_s: float, rng: np.random.Generator) -> _Sent:
    """A piece as it is, its first word at at_s."""
    first = round((at_s - KEYED_S) * RATE_HZ)
    at_s = first / RATE_HZ + KEYED_S
    shift = at_s - piece.words_s[0][0]
    words = tuple((a + shift, b + shift) for a, b in piece.words_s)
    return _send(order, piece, sound_of(piece, piece.words_s[0][0], piece.words_s[-1][1]), first, words, rng)


def _over(order: Order, voices: Voices, call: _Sent, rng: np.random.Generator) -> _Sent:
    """Somebody else talks over a call."""
    if not voices.traffic:
        raise UsageError("--overlaps: the voices have no traffic to talk over a call with; use 0")
    others = [p for p in voices.traffic if p.voice != call.piece.voice] or list(voices.traffic)
    piece = others[int(rng.integers(len(others)))]
    return _say(order, piece, max(0.3, call.words_s[0][0] + float(rng.uniform(-0.8, 0.8))), rng)


def _fill(order: Order, voices: Voices, calls: list[_Sent], rng: np.random.Generator) -> list[_Sent]:
    """Traffic in the gaps between the calls; some of it are the distractors."""
    slots = list(_slots(order, voices, calls, rng))
    chosen: list[tuple[float, Piece]] = [(at_s, piece) for at_s, _, piece in slots] if order.traffic else []
    placed = 0
    for i in rng.permutation(len(slots)):
        if placed == order.distractors:
            break
        at_s, room_s, _ = slots[i]
        fitting = [p for p in voices.distractors if p.length_s <= room_s]
        if not fitting:
            continue
        piece = fitting[int(rng.integers(len(fitting)))]
        if order.traffic:
            chosen[i] = (at_s, piece)
        else:
            chosen.append((at_s, piece))
        placed += 1
    if placed < order.distractors:
        raise UsageError(f"--distractors {order.distractors}: only {placed} find room; take more minutes or fewer calls")
    return [_say(order, piece, at_s, rng) for at_s, piece in chosen]


def _slots(
    order: Order, voices: Voices, calls: list[_Sent], rng: np.random.Generator
) -> Iterator[tuple[float, float, Piece]]:
    """(start, seconds up to the next slot or call, a piece of traffic that fits) in time order."""
    stops = [*((c.first / RATE_HZ - 3.0) for c in calls), order.minutes * 60 - 1.0]
    at_s = 1.0
    pieces = voices.traffic or voices.distractors
    for stop_s, call in zip(stops, [*calls, None]):
        while True:
            at_s += float(rng.uniform(1.5, 6.0))
            fitting = [p for p in pieces if at_s + p.length_s + 2 * KEYED_S < stop_s]
            if not fitting:
                break
            piece = fitting[int(rng.integers(len(fitting)))]
            end_s = at_s + piece.length_s + 2 * KEYED_S
            yield at_s, max(piece.length_s, min(piece.length_s + 1.0, stop_s - at_s - 2 * KEYED_S)), piece
            at_s = end_s
        if call:
            # The word soon after an alert still belongs to that call, so nobody speaks at once.
            at_s = call.end_s + 4.0


def _line(n: int, rng: np.random.Generator) -> Samples:
    """The receiver's quiet hiss under everything."""
    hiss = band_pass(rng.standard_normal(n, dtype=np.float32), RATE_HZ, *VOICE_BAND_HZ)
    return (hiss * np.float32(10 ** ((LINE_DBOV - rms_dbov(hiss)) / 20))).astype(np.float32)


def _drill(order: Order, calls: list[_Sent], others: list[_Sent]) -> Drill:
    return Drill(
        title=order.title,
        phrase=order.phrase,
        repeats=order.repeats,
        synthetic=True,
        recordings=(Track(name="launch", file=Path("unset.flac")),),
        calls=tuple(
            MadeCall(
                at_s=(_ms(c.words_s[0][0]), _ms(c.words_s[-1][1])),
                words_s=tuple((_ms(a), _ms(b)) for a, b in c.words_s),
                caller=c.piece.voice,
                snr_db=c.snr_db,
                note=c.note,
            )
            for c in calls
        ),
        traffic=tuple(
            Traffic(at_s=(_ms(o.words_s[0][0]), _ms(o.words_s[-1][1])), who=o.piece.voice, text=o.piece.text)
            for o in sorted(others, key=lambda o: o.first)
        ),
        notes=(
            f"Made exercise, seed {order.seed}: noise {order.noise}, radio {order.radio}"
            + ("" if order.noise == "none" else f", SNR {order.snr_db[0]:g} to {order.snr_db[1]:g} dB")
            + f", {order.distractors} distractors. Voices, places and call signs are invented."
        ),
    )


def _ms(seconds: float) -> float:
    return round(seconds, 4)


def write_exercise(audio: Samples, drill: Drill, path: Path) -> Path:
    """Write path.flac, then path.yaml that names it; gives the drill file's path. Neither may be there."""
    drill_file, flac = path.with_suffix(".yaml"), path.with_suffix(".flac")
    for file in (drill_file, flac):
        check_new(file)
    out = io.BytesIO()
    soundfile.write(out, audio, RATE_HZ, format="FLAC", subtype="PCM_16")
    track = drill.recordings[0].model_copy(update={"file": Path(flac.name)})
    text = drill_text(drill.model_copy(update={"recordings": (track,)}))
    write_new(flac, out.getvalue())
    write_new(drill_file, text)
    return drill_file
