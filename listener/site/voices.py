"""The crew's own voices: takes of a phrase, kept in the station's folder with consent, for its owner alone.

    FOLDER/voices/PERSON/consent.json       who agreed to what, when
    FOLDER/voices/PERSON/PHRASE/N.flac      one take each, 16 kHz mono
    FOLDER/voices/examples/                 what was learnt (ear.examples in the settings)
    FOLDER/voices/proof/PHRASE.wav          the clearest take (watch.proof.words in the settings)

Nothing leaves the folder. Files are readable by their owner only (0600, folders 0700).
"""

from __future__ import annotations

import io
import json
import re
import shutil
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import soundfile
import soxr

from listener.atomic_write import check_new, own_folder, write_private
from listener.errors import UsageError, UserError
from listener.events import RATE_HZ
from listener.sound.edges import FRAME_S, frame_powers, loud_frames
from listener.sound.files import open_recording
from listener.sound.meter import level_dbov

CONSENT = (
    "I agree that my voice, saying this phrase, is kept on this station's computer so that its listener hears me better. "
    "It leaves the station's folder nowhere, and is deleted when I ask."
)
EXAMPLES, PROOF = "examples", "proof"
# When a take is no good. Common practice of ours, no source.
SILENT_DBOV, FAINT_DBOV = -60.0, -45.0
FULL = 0.985  # of full scale; so many samples in a row there are clipped
CLIPPED_SAMPLES = 3
BELOW_DB = 25.0  # what is so far below the loudest is no longer the word
CUT_S = 0.02
SHORTEST_S, LONGEST_S = 0.12, 2.5
PAUSE_S = 0.4
MARGIN_S = 0.05
FEWEST_USUAL, TWICE = 3, 1.8  # from so many takes on, one that is so much longer than the middle one holds more than the phrase


@dataclass(frozen=True, slots=True)
class Take:
    """One take, float32 at RATE_HZ, cut to what is said; wrong: what is wrong with it, for people, empty if nothing is."""

    sound: np.ndarray
    wrong: tuple[str, ...]


def judge_take(sound: np.ndarray, rate_hz: int) -> Take:
    """Look at a take. Whether it is the right word, and by one person, only learning can tell, and not always."""
    if not len(sound) or level_dbov(sound) < SILENT_DBOV:
        return Take(sound, (f"silence (below {SILENT_DBOV:.0f} dBov): is this the right input, and was it said?",))
    wrong = []
    full = np.abs(sound) >= FULL
    if _longest_run(full) >= CLIPPED_SAMPLES:
        wrong.append("clipped: turn the level down")
    frame = round(FRAME_S * rate_hz)
    loud = loud_frames(frame_powers(sound, frame), BELOW_DB)
    first, last = int(loud[0]), int(loud[-1]) + 1
    said = sound[first * frame : last * frame]
    faint = level_dbov(said) < FAINT_DBOV
    if faint and len(said) > 0.95 * len(sound):  # a line's noise, from end to end
        heard = f"noise alone, {level_dbov(said):.0f} dBov"
        return Take(sound, (f"nothing is said ({heard}): is this the right input, and was it said?",))
    if faint:
        wrong.append(f"too faint ({level_dbov(said):.0f} dBov, should be over {FAINT_DBOV:.0f}): turn the level up")
    if first * FRAME_S < CUT_S:
        wrong.append("cut off at its beginning: wait a moment before you speak")
    if len(sound) / rate_hz - last * FRAME_S < CUT_S:
        wrong.append("cut off at its end: stay on a moment longer")
    if len(said) / rate_hz < SHORTEST_S:
        wrong.append(f"only {len(said) / rate_hz:.2f} s of sound: too short for a word")
    elif float(np.diff(loud, prepend=loud[0]).max()) * FRAME_S > PAUSE_S:
        wrong.append("more than one thing is said: say the phrase once, without a pause")
    elif len(said) / rate_hz > LONGEST_S:
        wrong.append(f"{len(said) / rate_hz:.1f} s long: say the phrase once, without anything else")
    margin = round(MARGIN_S * rate_hz)
    kept = sound[max(0, first * frame - margin) : last * frame + margin].astype(np.float32)
    return Take(kept if rate_hz == RATE_HZ else soxr.resample(kept, rate_hz, RATE_HZ), tuple(wrong))


def _longest_run(marks: np.ndarray) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], marks, [False]]).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def read_take(path: Path) -> Take:
    """A recorded take. Raises UserError for a file that cannot be read."""
    with open_recording(path) as recording:
        return judge_take(recording.all()[:, 0], recording.rate_hz)


@dataclass(frozen=True, slots=True)
class Voices:
    """The voices of a station. folder: the station's; theirs is made within it when it is needed."""

    folder: Path

    @property
    def root(self) -> Path:
        """Where all of it lies."""
        return self.folder / "voices"

    def check_name(self, person: str) -> None:
        """Raises UsageError for a name that cannot be a folder's."""
        self._of(person)

    def why_not(self, phrase: str, take: Take) -> tuple[str, ...]:
        """What is wrong with a take, beside those of this phrase that are here already; empty if nothing is."""
        if take.wrong:
            return take.wrong
        usual = [len(one) for some in self.takes(phrase).values() for one in some]
        if len(usual) >= FEWEST_USUAL and len(take.sound) > TWICE * float(np.median(usual)):
            long_s, usual_s = len(take.sound) / RATE_HZ, float(np.median(usual)) / RATE_HZ
            return (f"{long_s:.1f} s long, the others {usual_s:.1f} s: two people in it, or said twice?",)
        return ()

    def agree(self, person: str) -> None:
        """Keep that a person has agreed. Raises UserError if it cannot be written."""
        path = self._of(person) / "consent.json"
        if not path.exists():
            self._made(self._of(person))
            text = {"person": person, "agreed_utc": datetime.now(UTC).isoformat(timespec="seconds"), "to": CONSENT}
            write_private(path, json.dumps(text, allow_nan=False).encode())

    def add(self, person: str, phrase: str, take: Take) -> Path:
        """Keep a take. Raises UserError for one that is no good, and without consent."""
        if take.wrong:
            raise UserError("; ".join(take.wrong))
        if not (self._of(person) / "consent.json").exists():
            raise UserError(f"{person}: has not agreed; nothing is kept (see --consent)")
        folder = self._made(self._of(person) / _file_name(phrase))
        number = 1 + max((int(p.stem) for p in folder.glob("*.flac") if p.stem.isdigit()), default=0)
        path = folder / f"{number}.flac"
        buffer = io.BytesIO()
        soundfile.write(buffer, np.clip(take.sound, -1, 1), RATE_HZ, format="FLAC", subtype="PCM_16")
        check_new(path)
        write_private(path, buffer.getvalue())
        return path

    def people(self) -> list[str]:
        """Who has takes or has agreed, in order of their names."""
        if not self.root.is_dir():
            return []
        return sorted(p.name for p in self.root.iterdir() if (p / "consent.json").is_file())

    def phrases(self) -> list[str]:
        """Of what there are takes."""
        found = {p.name.replace("_", " ") for who in self.people() for p in (self.root / who).iterdir() if p.is_dir()}
        return sorted(found)

    def takes(self, phrase: str) -> dict[str, list[np.ndarray]]:
        """Every person's takes of a phrase, float32 at RATE_HZ. Raises UserError for a damaged file."""
        found = {}
        for person in self.people():
            paths = sorted((self.root / person / _file_name(phrase)).glob("*.flac"), key=lambda p: (len(p.stem), p.stem))
            if paths:
                found[person] = [self._read(path) for path in paths]
        return found

    def keep_learnt(self, phrase: str, content: bytes, proof: np.ndarray) -> tuple[Path, Path]:
        """Write what was learnt and the proof recording; gives their paths."""
        examples = self._made(self.root / EXAMPLES) / f"{_file_name(phrase)}.examples.npz"
        sound = self._made(self.root / PROOF) / f"{_file_name(phrase)}.wav"
        buffer = io.BytesIO()
        soundfile.write(buffer, proof * np.float32(0.3 / np.abs(proof).max()), RATE_HZ, format="WAV", subtype="PCM_16")
        write_private(examples, content)
        write_private(sound, buffer.getvalue())
        return examples, sound

    def delete(self, person: str) -> int:
        """Delete a person's takes and consent, and whatever was learnt with them; gives the number of takes.

        Raises UserError for somebody who is not there.
        """
        if person not in self.people():
            raise UserError(f"{person}: no such voice in {self.root}; there are: {', '.join(self.people()) or 'none'}")
        folder = self._of(person)
        count = len(list(folder.rglob("*.flac")))
        for phrase in (p.name for p in folder.iterdir() if p.is_dir()):
            for made in (self.root / EXAMPLES / f"{phrase}.examples.npz", self.root / PROOF / f"{phrase}.wav"):
                made.unlink(missing_ok=True)
        shutil.rmtree(folder)
        return count

    def _read(self, path: Path) -> np.ndarray:
        with open_recording(path) as recording:
            return recording.all()[:, 0]

    def _of(self, person: str) -> Path:
        if not re.fullmatch(r"[\w][\w .-]{0,59}", person) or person.lower() in (EXAMPLES, PROOF):
            raise UsageError(f"--who {person!r}: a name of letters, digits, spaces, dots and dashes")
        return self.root / person

    def _made(self, folder: Path) -> Path:
        own_folder(self.root)
        try:
            for each in [folder, *folder.parents]:
                if self.root in (each, *each.parents):
                    each.mkdir(parents=True, exist_ok=True)
                    each.chmod(0o700)
        except OSError as error:
            raise UserError(f"{folder}: cannot be made: {error.strerror}; give another folder (--folder)") from None
        return folder


def _file_name(phrase: str) -> str:
    name = phrase.replace(" ", "_")
    if not re.fullmatch(r"[\w'-]+", name):
        raise UsageError(f"--phrase {phrase!r}: words of letters")
    return name
