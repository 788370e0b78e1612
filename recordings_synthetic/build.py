"""Build the recordings and their manifest from plan.yaml: python -m recordings_synthetic.build [--folder around]

Voices come from package registries (README.md names them); everything else is this project's own
radio library. Seeds are fixed: on one machine two builds give the same samples, bit for bit. Other
processors may round some samples one step of 16 bits differently, and Kokoro's int8 arithmetic may
differ by more.

Words of a call are spoken one by one, trimmed to where their energy is, and laid out with stated
pauses, so the times in the manifest are exact to the trim (frames of 5 ms).
"""

from __future__ import annotations

import argparse
import logging
import zlib
from functools import lru_cache
from pathlib import Path

import numpy as np
import soundfile
import soxr
import yaml

from listener.events import RATE_HZ
from listener.radio import CHANNELS, Room, active_level_dbov, band_pass, mix, noise, rms_dbov
from listener.radio.channel import Squelch
from listener.sound.edges import said_part
from models.training import voices as engines
from recordings_synthetic.plan import HERE, Clip, Exercise, Plan, Said, Transmission, plain, read_plan
from recordings_synthetic.sounds import SOUNDS

TRIM_DB = 36.0
SHORTEST_S = 0.02
KEYED_S = 0.25  # carrier before the first and after the last word of a transmission
SQUELCH = Squelch(opening_s=0.03, tail_s=0.1, tail_dbov=-34.0)

log = logging.getLogger(__name__)


# --- seeds and voices ---------------------------------------------------------


def rng_for(seed: int, *names: object) -> np.random.Generator:
    """A generator of its own for every file, transmission and purpose: adding one changes no other."""
    return np.random.default_rng([seed, *(zlib.crc32(str(name).encode()) for name in names)])


def voice_of(name: str) -> engines.Voice:
    """The voice behind "engine name" in the plan. Raises KeyError for an engine it does not know."""
    engine, _, voice = name.partition(" ")
    makers = {
        "kokoro": engines.Kokoro, "flite": engines.Flite, "pico": engines.Pico, "espeak": engines.Espeak,
        "piper": lambda _: engines.PiperJoe(),
    }  # fmt: skip
    return makers[engine](voice)


def split_of(voice: str | None) -> str:
    """dev: the recogniser's training never hears this voice; train: it may (see models/training)."""
    return "dev" if voice is None or voice.partition(" ")[2] in engines.HELD_OUT else "train"


@lru_cache(maxsize=4096)
def spoken(voice: str, text: str, speed: float, seed: int) -> np.ndarray:
    """text said by voice, 16 kHz float32, peak 0.5, trimmed to where its energy is."""
    speaker = voice_of(voice)
    said = np.asarray(speaker.say(text, speed, np.random.default_rng(seed)), dtype=np.float32)
    said = soxr.resample(said, speaker.rate_hz, RATE_HZ)
    return said_part(said, RATE_HZ, TRIM_DB, SHORTEST_S)


# --- one transmission -----------------------------------------------------------


def lay_out(
    piece: Transmission, lead_s: float, tail_s: float, rng: np.random.Generator
) -> tuple[np.ndarray, list[dict]]:
    """The speech of a transmission with its pauses, and where each text lies: [{text, start_s, end_s}]."""
    parts: list[np.ndarray] = [silence(lead_s)]
    words, at = [], parts[0].size
    for item in piece.say:
        if isinstance(item, str):
            # No two words of a person are alike: a few per cent of pace, a dB of level.
            speed = round(piece.speed * float(rng.uniform(0.96, 1.04)), 3)
            sound = spoken(piece.voice, item, speed, int(rng.integers(2**31))) * 10 ** (rng.uniform(-1.0, 1.0) / 20)
            words.append({"text": plain(item), "start_s": seconds(at), "end_s": seconds(at + sound.size)})
        else:
            sound = silence(item)
        parts.append(sound.astype(np.float32))
        at += sound.size
    return np.concatenate([*parts, silence(tail_s)]), words


def over_noise(piece: Transmission, speech: np.ndarray, plan: Plan, *names: object) -> tuple[np.ndarray, float]:
    """Speech at its level over its noise at its SNR, through the band: the samples and the level that resulted."""
    drawn_dbov = round(float(rng_for(plan.seed, *names, "level").uniform(-29.0, -21.0)), 1)
    level_dbov = drawn_dbov if piece.level_dbov is None else piece.level_dbov
    speech = band_pass(speech, RATE_HZ, *piece.band_hz)
    if piece.noise is None:
        gain_db = level_dbov - active_level_dbov(speech, RATE_HZ)
        return speech * np.float32(10 ** (gain_db / 20)), level_dbov
    under = noise(piece.noise, speech.size / RATE_HZ, RATE_HZ, noise_rng(plan, *names))
    mixed = mix(speech, band_pass(under, RATE_HZ, *piece.band_hz), RATE_HZ, piece.snr_db, level_dbov)
    return mixed.samples, mixed.level_dbov


def calls_in(words: list[dict], phrase: str, repeats: int = 3) -> list[dict]:
    """Runs of at least `repeats` words that are the phrase, with nothing else said between."""
    calls, run = [], []
    for word in [*words, {"text": None}]:
        if word["text"] == phrase:
            run.append(word)
            continue
        if len(run) >= repeats:
            spans = [[w["start_s"], w["end_s"]] for w in run]
            calls.append({"phrase": phrase, "words": spans, "start_s": spans[0][0], "end_s": spans[-1][1]})
        run = []
    return calls


def calls_of(piece: Transmission, words: list[dict], phrase: str) -> list[dict]:
    """The calls in a transmission, with position and caller; those may stand between the words of its call."""
    if piece.kind == "call" and piece.said_around:
        words = [word for word in words if word["text"] == phrase]
    return [call | piece.said_around for call in calls_in(words, phrase)]


def silence(duration_s: Said) -> np.ndarray:
    """So many seconds of digital silence at RATE_HZ."""
    return np.zeros(round(float(duration_s) * RATE_HZ), dtype=np.float32)


def seconds(samples: int) -> float:
    """Samples at RATE_HZ as seconds, to 0.1 ms."""
    return round(samples / RATE_HZ, 4)


# --- files ---------------------------------------------------------------------


def noise_rng(plan: Plan, *names: object) -> np.random.Generator:
    """The generator that a file's or transmission's noise was drawn from (the tests draw it again)."""
    return rng_for(plan.seed, *names, "noise")


def build_clip(plan: Plan, clip: Clip) -> tuple[np.ndarray, dict]:
    """Samples (n,) or (n, channels) at the clip's rate, and its manifest entry."""
    rng = rng_for(plan.seed, clip.file, "speech")
    words: list[dict] = []
    if clip.sound:
        heard = SOUNDS[clip.sound](clip.seconds, RATE_HZ, rng, clip)
        heard, level_dbov = band_pass(heard, RATE_HZ, *clip.band_hz), None
    else:
        speech, words = lay_out(clip, clip.lead_s, clip.tail_s, rng)
        if clip.room:
            speech = Room(0.25, 4.0).apply(speech, RATE_HZ, rng)
        heard, level_dbov = over_noise(clip, speech, plan, clip.file)
    if clip.channel != "band":
        heard = CHANNELS[clip.channel].apply(heard, RATE_HZ, rng)
    audio = heard if clip.rate_hz == RATE_HZ else soxr.resample(heard, RATE_HZ, clip.rate_hz)
    if clip.channels > 1:  # the other channels carry a quiet line
        line = noise("static", audio.size / clip.rate_hz, clip.rate_hz, rng) * np.float32(10 ** (-36 / 20))
        audio = np.stack([line] * (clip.channels - 1) + [audio], axis=1)
    entry = {
        "file": clip.file, "kind": clip.kind, "phrase": clip.phrase, "split": split_of(clip.voice), "voice": clip.voice,
        "noise": clip.noise, "snr_db": clip.snr_db, "band_hz": list(clip.band_hz), "radio": clip.channel,
        "level_dbov": None if level_dbov is None else round(level_dbov, 2), "rate_hz": clip.rate_hz,
        "channels": clip.channels, "channel": clip.channels - 1, "seconds": round(len(audio) / clip.rate_hz, 4),
        "words": words, "calls": calls_of(clip, words, clip.phrase),
    }  # fmt: skip
    return audio, entry | ({"note": clip.note} if clip.note else {})


def build_exercise(plan: Plan, exercise: Exercise) -> tuple[np.ndarray, dict]:
    """Samples at 16 kHz and the manifest entry, with one entry per transmission inside."""
    pauses = rng_for(plan.seed, exercise.file, "pauses")
    parts, sent, at = [], [], 0
    for number, piece in enumerate(exercise.transmissions):
        gap = silence(piece.gap_s if piece.gap_s is not None else round(float(pauses.uniform(1.5, 5.5)), 2))
        rng = rng_for(plan.seed, exercise.file, number)
        speech, words = lay_out(piece, KEYED_S, KEYED_S, rng)
        heard, level_dbov = over_noise(piece, speech, plan, exercise.file, number)
        heard = SQUELCH.apply(heard, RATE_HZ, rng)
        start = at + gap.size
        sent.append({
            "start_s": seconds(start), "end_s": seconds(start + heard.size), "kind": piece.kind, "voice": piece.voice,
            "split": split_of(piece.voice), "noise": piece.noise, "snr_db": piece.snr_db, "band_hz": list(piece.band_hz),
            "level_dbov": round(level_dbov, 2), "words": [shifted(w, start) for w in words],
        } | piece.said_around)  # fmt: skip
        parts += [gap, heard]
        at = start + heard.size
        log.info("%s %3d/%d", exercise.file, number + 1, len(exercise.transmissions))
    audio = np.concatenate([*parts, silence(4.0)])
    line = noise("white", audio.size / RATE_HZ, RATE_HZ, rng_for(plan.seed, exercise.file, "line"))
    line = band_pass(line, RATE_HZ, *exercise.band_hz)
    audio += line * np.float32(10 ** ((exercise.line_dbov - rms_dbov(line)) / 20))
    words = [w for s in sent for w in s["words"]]
    calls = [
        call
        for piece, s in zip(exercise.transmissions, sent, strict=True)
        for call in calls_of(piece, s["words"], exercise.phrase)
    ]
    return audio, {
        "file": exercise.file, "kind": "exercise", "phrase": exercise.phrase, "split": "mixed",
        "band_hz": list(exercise.band_hz), "rate_hz": RATE_HZ, "channels": 1, "channel": 0,
        "seconds": seconds(audio.size), "words": words, "calls": calls, "note": exercise.note, "transmissions": sent,
    }  # fmt: skip


def shifted(word: dict, start: int) -> dict:
    """A word's times, so many samples later."""
    return word | {key: round(word[key] + seconds(start), 4) for key in ("start_s", "end_s")}


def write_flac(path: Path, audio: np.ndarray, rate_hz: int) -> None:
    """16-bit FLAC. Raises ValueError for samples past full scale: the plan's levels are then too high."""
    if np.abs(audio).max() >= 1.0:
        raise ValueError(f"{path.name}: passes full scale; lower its level_dbov in plan.yaml")
    soundfile.write(path, np.round(audio * 32768.0).astype(np.int16), rate_hz, format="FLAC", subtype="PCM_16")


HEADER = """\
# Ground truth of the recordings in this folder. Written by build.py from plan.yaml: do not edit.
# Times are seconds from the file's first sample. words: every text that was said in one go (a call's
# words are said one by one). calls: runs of three or more of the clip's phrase. snr_db: active speech
# level (ITU-T P.56) over noise RMS, both inside band_hz; null without noise. split dev: a voice that
# the project's recogniser is never trained on.
"""
AROUND_HEADER = """\
# position, caller: what a call says of them; unclear: two positions, one that is denied, or one in other talk only.
"""


def build(out: Path, only: str | None = None, folder: Path = HERE) -> None:
    """Write every file of folder's plan whose name contains `only` into out, and the manifest when all are built."""
    plan = read_plan(folder / "plan.yaml")
    entries = []
    for clip in plan.clips:
        if only is None or only in clip.file:
            audio, entry = build_clip(plan, clip)
            write_flac(out / clip.file, audio, clip.rate_hz)
            entries.append(entry)
            log.info("%s %.1f s", clip.file, entry["seconds"])
    if only is None or only in plan.exercise.file:
        audio, entry = build_exercise(plan, plan.exercise)
        write_flac(out / plan.exercise.file, audio, RATE_HZ)
        entries.append(entry)
    if only is None:
        body = yaml.safe_dump(
            {"seed": plan.seed, "clips": entries}, sort_keys=False, width=120, default_flow_style=None
        )
        header = HEADER if folder == HERE else HEADER + AROUND_HEADER
        (out / "manifest.yaml").write_text(header + body, encoding="utf-8")


def main() -> None:
    """Build the clips and their manifest from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", default=".", help="folder of the plan, from here (default: this one; around)")
    parser.add_argument("--out", type=Path, help="folder to write into (default: the plan's)")
    parser.add_argument("--only", help="build only files whose name contains this; leaves the manifest alone")
    arguments = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    folder = (HERE / arguments.folder).resolve()
    out = arguments.out or folder
    out.mkdir(parents=True, exist_ok=True)
    build(out, arguments.only, folder)


if __name__ == "__main__":
    main()
