"""Bad input, as hypothesis strategies: settings, drills, labels, sound files and names. Each starts from good ones."""

import io

import numpy as np
import soundfile
from hypothesis import strategies as st

ODD_SCALARS = (
    "yes", "no", "on", "off", "null", "~", "-1", "0", "1", "1e999", ".nan", ".inf", "-.inf", "''", "' '", "text",
    '"\\0"', '"\\a"', '"\\ud800"', '"\\n\\n"', "~nouser/x.wav", "/etc/shadow", "/dev/zero", "../..", "2026-02-31",
    "2026-01-01", "!!int ''", "!!float x", "!!bool x", "!!timestamp x", "!!binary x", "!!python/object:os.system x",
    "*nope", "&a [*a]", "&b {c: *b}", "1:2:3", "61:99:99.9", "9" * 400, "9" * 5000, "0x", "0o9", "x" * 3000, "[]", "{}",
    "[1, 2, 3]", "[true, false]", "{a: 1}", "[" * 60, "{a: " * 60, "[" * 3000, "- - - -", "? x", "|", ">", "%", "@", "`", "\t",
    "\x00", "\x07", "\u2028", "\ufffe", "é", "「」", "- {", "]", "}", ": :", "#", "---", "...", "!!set {a, b}", "<<: 1",
    "[&x [1,1,1,1,1,1,1,1,1,1], &y [*x,*x,*x,*x,*x,*x,*x,*x,*x,*x], &z [*y,*y,*y,*y,*y,*y,*y,*y,*y,*y], "
    "&w [*z,*z,*z,*z,*z,*z,*z,*z,*z,*z], &v [*w,*w,*w,*w,*w,*w,*w,*w,*w,*w], [*v,*v,*v,*v,*v,*v,*v,*v,*v,*v]]",
)  # fmt: skip
odd = st.sampled_from(ODD_SCALARS)


@st.composite
def spoilt_text(draw: st.DrawFn, good: str) -> str:
    """A good text with one to four of: a value replaced, something put in, a piece cut out, a piece doubled."""
    text = good
    for _ in range(draw(st.sampled_from([1, 1, 1, 2, 3, 4]))):
        at = draw(st.integers(0, len(text)))
        far = min(len(text), at + draw(st.integers(0, 40)))
        match draw(st.sampled_from(["value", "value", "insert", "cut", "double"])):
            case "value":
                lines = text.split("\n")
                i = draw(st.integers(0, len(lines) - 1))
                head, colon, _ = lines[i].partition(":")
                lines[i] = f"{head}{colon} {draw(odd)}" if colon else draw(odd)
                text = "\n".join(lines)
            case "insert":
                text = text[:at] + draw(odd) + text[at:]
            case "cut":
                text = text[:at] + text[far:]
            case "double":
                text = text[:far] + text[at:]
    return text


def bytes_of(text: str) -> st.SearchStrategy[bytes]:
    """The text as a file might hold it: UTF-8 mostly, also other codings."""
    codings = ["utf-8"] * 6 + ["utf-8-sig", "utf-16", "utf-16-le", "latin-1"]
    return st.sampled_from(codings).map(lambda coding: text.encode(coding, "replace" if coding == "latin-1" else "surrogatepass"))


SETTINGS = """engine: ear
sensitivity: balanced
alert_level: 6.0
phrases:
  - words: suspend
    repeats: 3
    min_gap_s: 0.0
    max_gap_s: 1.75
    between_s: 0.5
    call_over_s: 3.0
  - words: stop
gate:
  aggressiveness: 0
  pre_roll_s: 0.5
  hangover_s: 1.0
pronounce:
  grotto: G R AA T OW
ear:
  model_path: somewhere
vosk:
  model_path: ~/model
  decoys: [one, two]
watch:
  folder: here
  channels:
    - name: Launch
      device: USB
      input: 1
      rate_hz: 48000
  health:
    clipping_s: off
    lowest_level_dbov: -75
  tone:
    level_db: -12
  page:
    port: 8765
"""
settings_files = spoilt_text(SETTINGS).flatmap(bytes_of)

DRILL = """title: Grey Heron
place: Halvard
date: 2031-05-01
crew: Blue watch
phrase: suspend
repeats: 3
tolerance_s: 0.5
recordings:
  - name: launch
    file: launch.wav
    channel: 0
    offset_s: 0.0
calls:
  - at_s: [2.0, 3.8]
    words_s: [[2.0, 2.4], [2.7, 3.1], [3.4, 3.8]]
    caller: launcher two
    recording: launch
  - at_s: 0:07.5
  - at_s: find it
actions:
  - who: tower
    what: pressed
    at_s: 5.0
    call: 1
traffic:
  - at_s: [9.0, 10.0]
    who: deck
    text: all clear
"""
drill_files = spoilt_text(DRILL).flatmap(bytes_of)

LABELS = {
    ".txt": "2.0\t3.8\tcall: launcher two\n2.0\t2.4\tword: suspend\n2.7\t3.1\tword: suspend\n3.4\t3.8\tword: suspend\n"
    "5.0\t5.0\taction: tower: pressed\n9.0\t10.0\t[launch] traffic: deck: all clear\n7.5\t7.5\tcall: deck\n",
    ".vtt": "WEBVTT\n\n1\n00:02.000 --> 00:03.800\ncall: launcher two\n\n2\n00:02.000 --> 00:02.400\nword: suspend\n\n"
    "3\n00:05.000 --> 00:05.000\n<v launch>action: tower: pressed</v>\n\n4\n00:09.000 --> 00:10.000\ntraffic: deck: x\n",
    ".rttm": "SPEAKER launch 1 2.0 1.8 <NA> <NA> call:%20two <NA> <NA>\nSPEAKER launch 1 2.0 0.4 <NA> <NA> word:%20suspend <NA> <NA>\n"
    "SPEAKER <NA> 1 5.0 0.0 <NA> <NA> action:%20tower:%20pressed <NA> <NA>\n",
    ".csv": "start_s,end_s,track,text\n2.0,3.8,launch,call: launcher two\n2.0,2.4,launch,word: suspend\n"
    '5.0,5.0,,action: tower: pressed\n9.0,10.0,launch,"traffic: deck: all, clear"\n',
}
ODD_LABELS = (
    "\n2.2\t2.3\tword: suspend\n", "\n2.2\t2.2\tword: suspend\n", "\n1.0\t99.0\tcall: far\n", "\n3.0\t4.5\tcall: over\n",
    "\n-1\t2\tcall\n", "\nnan\tinf\tcall\n", "\n500\t501\ttraffic: x: y\n", "\n900\t900\taction: a: b\n", "\n3\t2\tcall:\n",
    "\n1.0\t1.5\t[nobody] call: x\n", "nonsense\n" * 1000, "x" * 140_000, '"' + "y" * 140_000, "\x00", "\x0c", "\u2028", ",,,,\n",
    "\n1,2,nobody,call: z\n", "\n2.1,2.2,launch,word: suspend\n", "\n2.1,2.1,launch,word: suspend\n", "\n1e400,1e400,,call\n",
    "\n00:01.000 --> 00:99.000\ncall: x\n", "\n99:99:99.999 --> 00:00.000\nx\n", "SPEAKER a 1 x y <NA> <NA> b <NA> <NA>\n",
)  # fmt: skip


@st.composite
def label_files(draw: st.DrawFn) -> tuple[str, bytes]:
    """A label file's ending, and what it holds."""
    end = draw(st.sampled_from(sorted(LABELS)))
    text = LABELS[end]
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(text)))
        piece = draw(st.sampled_from([*ODD_LABELS, *(f"\n{odd}\n" for odd in ODD_SCALARS[:30])]))
        text = text[:at] + piece + text[draw(st.integers(at, min(len(text), at + 20))) :]
    return end, draw(bytes_of(text))


def _good_sounds() -> dict[str, bytes]:
    sound = np.random.default_rng(5).normal(0, 0.05, 4_000).astype(np.float32)
    kinds = [
        ("WAV", "PCM_16"), ("WAV", "FLOAT"), ("WAV", "ULAW"), ("WAV", "IMA_ADPCM"), ("WAVEX", "PCM_24"), ("W64", "PCM_16"),
        ("RF64", "PCM_16"), ("FLAC", "PCM_16"), ("OGG", "VORBIS"), ("OGG", "OPUS"), ("AIFF", "PCM_16"), ("AU", "PCM_16"),
        ("CAF", "PCM_16"), ("MP3", "MPEG_LAYER_III"), ("VOC", "PCM_16"), ("NIST", "PCM_16"), ("MAT5", "PCM_16"),
    ]  # fmt: skip
    made = {}
    for kind, subtype in kinds:
        out = io.BytesIO()
        soundfile.write(out, sound, 8_000, format=kind, subtype=subtype)
        made[f"{kind}_{subtype}"] = out.getvalue()
    return made


GOOD_SOUNDS = _good_sounds()
_FIELDS = [b"\0\0\0\0", b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f", b"\x01\0\0\0", b"\0\0\0\x80", b"\x99\x76\x96\x7e", b"data", b"RIFF"]


@st.composite
def sound_files(draw: st.DrawFn, good: dict[str, bytes]) -> bytes:
    """A sound file whose header (mostly), samples or length are spoilt."""
    data = bytearray(good[draw(st.sampled_from(sorted(good)))])
    for _ in range(draw(st.integers(1, 4))):
        most = len(data) if draw(st.integers(0, 3)) == 0 else min(len(data), 140)
        at = draw(st.integers(0, most))
        match draw(st.sampled_from(["field", "field", "field", "byte", "cut", "double", "random", "end"])):
            case "field":
                data[at : at + 4] = draw(st.sampled_from(_FIELDS))
            case "byte":
                data[at : at + 1] = draw(st.binary(min_size=1, max_size=1))
            case "cut":
                del data[at : at + draw(st.integers(1, 64))]
            case "double":
                data[at:at] = data[: draw(st.integers(1, 100))]
            case "random":
                data[at:at] = draw(st.binary(max_size=40))
            case "end":
                del data[draw(st.integers(0, len(data))) :]
    return bytes(data)


ODD_NAMES = (
    b"a.raw", b"a.RAW", b"\xff\xfe.wav", b"caf\xe9.flac", b"a\nb.wav", b"[x].wav", b"-x.wav", b" .wav", b"a\x1b[2Jb.wav", b"x" * 250 + b".wav",
    b"n" * 300 + b".wav", b"no_end", b".wav", b"a.wav.yaml", "日本.wav".encode(), b"a'b\".wav", b"%s{0}.wav", b"a\tb.wav",
)  # fmt: skip
