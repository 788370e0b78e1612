"""Speech from recordings: a folder of sound files with labels, or with a manifest.yaml.

Labels are read as in drills. A label whose text is the phrase is a word; one that is the phrase said
several times over is a call as recorded; anything else is other talk.
"""

import itertools
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import soxr
import yaml
from numpy.typing import NDArray

from listener.errors import UserError
from listener.events import RATE_HZ
from listener.radio import rms_dbov
from listener.radio.level import SILENT_DBOV
from listener.score.labels import FORMATS, Label, read_labels
from listener.score.said import plain, times_said
from listener.settings import PhraseSettings
from listener.sound.bounds import WRONG, within_bounds
from listener.sound.edges import faded
from listener.sound.files import SOUND_FILES, open_recording
from listener.study.plan import RecordedSpeech

MANIFEST = "manifest.yaml"


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A stretch of speech or noise before it is in the bank: see bank.Clip. samples: float32 at RATE_HZ."""

    role: str
    speaker: str
    text: str
    source: str
    samples: NDArray[np.float32]
    words: tuple[tuple[float, float], ...] = ()


def check_there(recorded: RecordedSpeech) -> None:
    """Raises UserError where the folder is none."""
    if not recorded.folder.is_dir():
        raise UserError(f"{recorded.folder}: no such folder; check the plan's recordings")


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """What pieces come from, before it is read: one sound file, with its labels. make: reads it, and gives them.

    folder: the one that was named in the plan, if any.
    """

    name: str
    files: tuple[Path, ...]
    make: Callable[[], Iterator[Piece]]
    folder: Path | None = None


def sources(
    recorded: RecordedSpeech, phrases: tuple[PhraseSettings, ...], only_lines: bool = False, prefix: str = ""
) -> Iterator[Source]:
    """All that a folder holds. only_lines: what is not the call, whatever else there is; then files without labels
    are talk from end to end. prefix: goes before the names of people known by their file or folder.

    Raises UserError naming the file for what cannot be read and, in make, for labels outside their sound.
    """
    check_there(recorded)
    manifest = recorded.folder / MANIFEST
    if manifest.exists():
        found = _of_manifest(manifest, recorded, phrases)
    else:
        found = _of_labels(recorded, phrases, only_lines, prefix)
    for source in found:
        wanted = partial(_wanted, source.make, only_lines)
        yield Source(f"{recorded.folder}/{source.name} {recorded.speakers} {only_lines}", source.files, wanted, recorded.folder)


def _wanted(make: Callable[[], Iterator[Piece]], only_lines: bool) -> Iterator[Piece]:
    return (piece for piece in make() if piece.role == "line" or not only_lines)


def _of_labels(
    recorded: RecordedSpeech, phrases: tuple[PhraseSettings, ...], whole_files: bool, prefix: str
) -> Iterator[Source]:
    """Every sound file that has a label file beside it, of the same name (.txt, .vtt, .rttm or .csv).

    whole_files: those without one too, as talk, but for files of silence. A speaker is known by the path within the folder.
    """
    for sound in sorted(p for p in recorded.folder.rglob("*") if p.suffix.lower() in SOUND_FILES):
        path = sound.relative_to(recorded.folder)
        who = path.with_suffix("") if recorded.speakers == "file" else path.parent
        speaker = prefix + (who.as_posix() if who.parts else recorded.folder.name)
        beside = tuple(filter(Path.exists, map(sound.with_suffix, FORMATS)))
        if beside or whole_files:
            make = partial(_of_sound, sound, path.as_posix(), speaker, beside, phrases)
            yield Source(f"{path.as_posix()} by {speaker}", (sound, *beside), make)


def _of_sound(
    sound: Path, source: str, speaker: str, beside: tuple[Path, ...], phrases: tuple[PhraseSettings, ...]
) -> Iterator[Piece]:
    samples = read_sound(sound)
    if not beside and rms_dbov(samples) >= SILENT_DBOV:
        yield Piece("line", speaker, "", source, samples)
    for labels in beside:
        read = read_labels(labels)
        if read.bad:
            raise UserError(f"{labels}: line {read.bad[0].number}: {read.bad[0].why}; correct the label")
        yield from (_piece(samples, label, speaker, sound, phrases) for label in read.labels)


def _of_manifest(
    manifest: Path, recorded: RecordedSpeech, phrases: tuple[PhraseSettings, ...]
) -> Iterator[Source]:
    """Clean speech of a manifest: words of the phrases, and the rest of what each transmission says."""
    try:
        for number, clip in enumerate(yaml.safe_load(manifest.read_text(encoding="utf-8"))["clips"]):
            make = partial(_of_clip_in, clip, manifest, recorded, phrases)
            yield Source(f"{number} {clip['file']} {recorded.split}", (manifest, manifest.parent / clip["file"]), make)
    except (KeyError, TypeError, ValueError, yaml.YAMLError) as error:
        raise _no_manifest(manifest, error) from None


def _of_clip_in(
    clip: dict[str, Any], manifest: Path, recorded: RecordedSpeech, phrases: tuple[PhraseSettings, ...]
) -> Iterator[Piece]:
    try:
        yield from _of_clip(clip, manifest, recorded, phrases)
    except (KeyError, TypeError, ValueError) as error:
        raise _no_manifest(manifest, error) from None


def _no_manifest(manifest: Path, error: Exception) -> UserError:
    return UserError(f"{manifest}: is not a manifest of recordings ({error!r})")


def _of_clip(
    clip: dict[str, Any], manifest: Path, recorded: RecordedSpeech, phrases: tuple[PhraseSettings, ...]
) -> Iterator[Piece]:
    sent = clip.get("transmissions", [clip])
    sent = [s for s in sent if s["noise"] is None and s["voice"] and s["words"] and s.get("radio", "band") == "band"]
    if recorded.split is not None:
        sent = [s for s in sent if s["split"] == recorded.split]
    if not sent:
        return
    samples = read_sound(manifest.parent / clip["file"], clip["channel"])
    wanted = {phrase.words for phrase in phrases}
    for one in sent:
        words = [Label(w["start_s"], w["end_s"], w["text"]) for w in one["words"]]
        source = Path(clip["file"])
        yield from (_piece(samples, w, one["voice"], source, phrases) for w in words if w.text in wanted)
        most = max(sum(w.text == phrase.words for w in words) - phrase.repeats for phrase in phrases)
        if most < 0:  # no call in it: talk
            text = " ".join(w.text for w in words)
            yield Piece("line", one["voice"], text, source.name, _cut(samples, words[0].start_s, words[-1].end_s))


def _piece(
    samples: NDArray[np.float32], label: Label, speaker: str, sound: Path, phrases: tuple[PhraseSettings, ...]
) -> Piece:
    where = f"{sound.name} at {label.start_s:.2f} s"
    if not 0 <= label.start_s < label.end_s or label.start_s * RATE_HZ >= samples.size:
        length_s = samples.size / RATE_HZ
        raise UserError(f"{sound}: the label {label.text!r} at {label.start_s:.2f}-{label.end_s:.2f} s lies outside "
                        f"the {length_s:.2f} s of sound; correct the label")  # fmt: skip
    text = plain(label.text)
    for phrase in phrases:
        said = times_said(text, phrase.words)
        if said == 1:
            return Piece("word", speaker, phrase.words, where, _cut(samples, label.start_s, label.end_s))
        if said >= phrase.repeats:
            length_s = label.end_s - label.start_s
            # Where its words lie is not labelled: the call is taken as one stretch, cut evenly.
            edges = np.linspace(0.0, length_s, said + 1)
            words = tuple((float(a), float(b)) for a, b in itertools.pairwise(edges))
            return Piece("call", speaker, phrase.words, where, _cut(samples, label.start_s, label.end_s), words)
    return Piece("line", speaker, text, where, _cut(samples, label.start_s, label.end_s))


def _cut(samples: NDArray[np.float32], start_s: float, end_s: float) -> NDArray[np.float32]:
    """The stretch, its edges faded within 3 ms so that nothing clicks."""
    start, end = round(start_s * RATE_HZ), round(end_s * RATE_HZ)
    cut = samples[start:end]
    return faded(cut, min(round(0.003 * RATE_HZ), cut.size // 4))


def read_sound(path: Path, channel: int = 0) -> NDArray[np.float32]:
    """One channel of a sound file at RATE_HZ, float32. Raises UserError naming the file."""
    samples, rate_hz = _read(path)
    if channel >= samples.shape[1]:
        raise UserError(f"{path}: has no channel {channel}; it has {samples.shape[1]}, counted from 0")
    return soxr.resample(samples[:, channel], rate_hz, RATE_HZ).astype(np.float32)


def read_mono(path: Path) -> tuple[NDArray[np.float32], int]:
    """A file of one channel at its own rate: samples, float32, and the rate. Raises UserError naming the file."""
    samples, rate_hz = _read(path)
    if samples.shape[1] != 1:
        raise UserError(f"{path}: has {samples.shape[1]} channels; save the one that is meant as a file of its own")
    return samples[:, 0], rate_hz


def _read(path: Path) -> tuple[NDArray[np.float32], int]:
    if not path.is_file():
        raise UserError(f"{path}: no such sound file; check the plan's paths")
    with open_recording(path) as recording:
        samples, rate_hz = recording.all(), recording.rate_hz
    if wrong := within_bounds(samples)[1]:
        raise UserError(f"{path}: {WRONG[wrong]}; repair the recording")
    return samples, rate_hz
