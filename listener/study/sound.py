"""The sound of one trial, and the truth about it: a pure function of (plan, bank, sound number)."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from listener.events import RATE_HZ
from listener.radio import (
    Channel,
    active_level_dbov,
    babble,
    fit_noise,
    in_measured_room,
    mix,
    noise,
    rms_dbov,
    with_energy_one,
)  # fmt: skip
from listener.radio.band import band_pass
from listener.radio.channel import BandPass
from listener.radio.shape import db
from listener.study.around import said_around
from listener.study.bank import Bank, Clip
from listener.study.design import CALL, NO_NOISE, Design, Slot, rng_for, speaker_of
from listener.study.intelligibility import sii_of, sti_of
from listener.study.negatives import talk_of
from listener.study.plan import BABBLE, Plan

Samples = NDArray[np.float32]
WORD_LEVEL_DB = 1.0  # no two words of a person are equally loud
BEAT = 0.15
LINE_DBOV = -70.0  # without noise a line still hisses a little


@dataclass(frozen=True, slots=True)
class Line:
    """A line of talk within a negative. source: where it is from, with the stretch if it is not the whole."""

    clip: Clip
    source: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """What an engine hears, and what is in it.

    call: (start_s, end_s) of the call, None in a negative. speaker: who makes it. words: how many.
    sii, sti: predicted intelligibility of the call within the radio's band; None without a call. No sti in a measured room.
    snr_call_db, snr_heard_db: during the call, within the radio's band as mixed, and as the radio gives it; None without.
    lines: what is said in a negative. position, caller: of the call (see listener.study.around).
    """

    samples: Samples
    call: tuple[float, float] | None
    speaker: str
    words: int
    level_dbov: float
    sii: float | None
    sti: float | None
    snr_call_db: float | None = None
    snr_heard_db: float | None = None
    lines: tuple[Line, ...] = ()
    position: str = ""
    caller: str = ""


def make_sound(design: Design, bank: Bank, number: int) -> Sound:
    """The sound of this number. Raises UserError where it cannot be made (a silent stretch of noise)."""
    plan, slot = design.plan, design.slot(number)
    lines: tuple[Line, ...] = ()
    if slot.condition.kind == CALL:
        made = _call(plan, bank, slot)
    else:
        talk, lines = _talk(design, bank, number)
        made = _Made(talk, None)
    speech, call = made.speech, made.call
    room = plan.room(slot.condition.room)
    measured = bank.responses(slot.condition.room)
    if room:
        speech = room.apply(speech, RATE_HZ, rng_for(plan, slot, "room"))
    elif measured:
        clip = measured[rng_for(plan, slot, "room").integers(len(measured))]
        speech = in_measured_room(speech, with_energy_one(bank.sound(clip)))
    speech, under, level_dbov = _stems(plan, bank, slot, speech)
    channel = plan.channel(slot.condition.radio)
    heard = channel.apply(speech + under, RATE_HZ, rng_for(plan, slot, "radio"))
    sii = sti = before_db = after_db = None
    if call:
        during = slice(round(call[0] * RATE_HZ), round(call[1] * RATE_HZ))
        stems = _in_the_radio_s_band(speech, under, channel, during)
        sii = sii_of(*stems, RATE_HZ)
        if not measured:  # how a measured room blurs speech differs from octave to octave, which is not worked out here
            sti = sti_of(*stems, RATE_HZ, *((room.rt60_s, room.direct_db) if room else (0.0, 0.0)))
        before_db = _snr_db(*stems)
        # After the radio by phase inversion (Hagerman and Olofsson 2004): the same radio with the speech turned over.
        # Half the difference of both is the speech, half the sum all the rest, the radio's own hiss too.
        turned = channel.apply(under - speech, RATE_HZ, rng_for(plan, slot, "radio"))[during]
        after_db = _snr_db((heard[during] - turned) / 2, (heard[during] + turned) / 2)
    return Sound(
        np.clip(heard, -1.0, 1.0), call, made.speaker, made.words, level_dbov, sii, sti, before_db, after_db, lines,
        made.position, made.caller,
    )  # fmt: skip


def _snr_db(said: Samples, rest: Samples) -> float:
    """Active level of speech over the RMS of the rest, to a thousandth of a dB: further digits depend on where in
    memory the samples lie.
    """
    return round(active_level_dbov(said, RATE_HZ) - rms_dbov(rest), 3)


class _Made(NamedTuple):
    """The speech of a sound, and what is true of it."""

    speech: Samples
    call: tuple[float, float] | None
    speaker: str = ""
    words: int = 0
    position: str = ""
    caller: str = ""


def _call(plan: Plan, bank: Bank, slot: Slot) -> _Made:
    """The call alone: lead, words on an even beat (each pause within 15 % of the call's own), tail."""
    rng = rng_for(plan, slot, "speech")
    phrase = next(p for p in plan.phrases if p.words == slot.condition.phrase)
    speakers = bank.speakers(phrase.words)
    speaker = speaker_of(plan, slot, speakers)
    takes = bank.takes(phrase.words, speaker)
    if takes[0].role == "call":
        take = takes[rng.integers(len(takes))]
        said, count = [bank.sound(take)], len(take.words)
    else:
        said, count = _words(bank, takes, phrase.repeats, plan, rng), phrase.repeats
    lead, tail = (np.zeros(round(s * RATE_HZ), np.float32) for s in (plan.lead_s, plan.tail_s))
    around = said_around(plan, bank, slot, speaker)
    samples = np.concatenate([lead, *around.before, *said, *around.after, tail])
    start = lead.size + sum(map(len, around.before))
    end = start + sum(map(len, said))
    return _Made(samples, (start / RATE_HZ, end / RATE_HZ), speaker, count, around.position, around.caller)


def _words(bank: Bank, takes: tuple[Clip, ...], repeats: int, plan: Plan, rng: np.random.Generator) -> list[Samples]:
    gap_s = rng.uniform(*plan.gap_s)
    said: list[Samples] = []
    for n in range(repeats):
        if n:
            pause_s = float(np.clip(gap_s * (1 + rng.uniform(-BEAT, BEAT)), *plan.gap_s))
            said.append(np.zeros(round(pause_s * RATE_HZ), np.float32))
        word = bank.sound(takes[rng.integers(len(takes))])
        said.append(word * db(rng.uniform(-WORD_LEVEL_DB, WORD_LEVEL_DB) - active_level_dbov(word, RATE_HZ)))
    return said


def _talk(design: Design, bank: Bank, number: int) -> tuple[Samples, tuple[Line, ...]]:
    """A piece of talk in which nobody makes the call, and which lines it holds."""
    plan = design.plan
    out = np.zeros(round(plan.negatives.piece_s * RATE_HZ), np.float32)
    lines = []
    for said in talk_of(design, bank)[number]:
        card, line = said.card, bank.lines[said.card.line]
        words = bank.sound(line)[card.start : card.start + card.size]
        source = line.source if card.size == line.size else f"{line.source} from {card.start / RATE_HZ:.1f} s on"
        lines.append(Line(line, source, said.at / RATE_HZ, (said.at + card.size) / RATE_HZ))
        if rms_dbov(words) > -70.0:
            gain_db = said.gain_db - active_level_dbov(words, RATE_HZ)
            out[said.at : said.at + card.size] += words * db(gain_db + plan.level_dbov)
    return out, tuple(lines)


def _stems(plan: Plan, bank: Bank, slot: Slot, speech: Samples) -> tuple[Samples, Samples, float]:
    """Speech and noise at their levels, and the speech's active level."""
    ratio = slot.condition.snr_db
    if ratio is None:
        gain_db = plan.level_dbov - active_level_dbov(speech, RATE_HZ)
        peak = float(np.abs(speech).max()) * 10 ** (gain_db / 20)
        gain_db -= max(0.0, 20 * np.log10(peak / 0.98))
        level_dbov = active_level_dbov(speech, RATE_HZ) + gain_db
        hiss = noise("white", speech.size / RATE_HZ, RATE_HZ, rng_for(plan, slot, "noise"))[: speech.size]
        return speech * db(gain_db), hiss * db(LINE_DBOV - rms_dbov(hiss)), float(level_dbov)
    under = _noise(bank, slot.condition.noise, speech.size, rng_for(plan, slot, "noise"))
    mixed = mix(speech, under, RATE_HZ, ratio, plan.level_dbov, plan.band_hz)
    return mixed.speech, mixed.noise, mixed.level_dbov


def _noise(bank: Bank, name: str, size: int, rng: np.random.Generator) -> Samples:
    assert name != NO_NOISE
    if name == BABBLE:
        chosen = rng.integers(0, len(bank.lines), 8)
        return babble([bank.sound(bank.lines[i]) for i in chosen], size / RATE_HZ, RATE_HZ, rng)[:size]
    recorded = bank.noises(name)
    if recorded:
        return fit_noise(bank.sound(recorded[rng.integers(len(recorded))]), size, rng)
    return noise(name, size / RATE_HZ, RATE_HZ, rng)


def _in_the_radio_s_band(speech: Samples, under: Samples, channel: Channel, during: slice) -> tuple[Samples, Samples]:
    """Both during the call, after the radio's band but before what it does beyond that."""
    stems = [speech[: during.stop], under[: during.stop]]  # what follows the call cannot matter: the filters are causal
    for stage in channel.stages:
        if isinstance(stage, BandPass):
            stems = [band_pass(stem, RATE_HZ, stage.low_hz, stage.high_hz, stage.order) for stem in stems]
    return stems[0][during], stems[1][during]
