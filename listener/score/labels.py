"""Label tracks in open formats: Audacity's, WebVTT, RTTM, CSV.

A label is a stretch of time with a line of text, on a named track or none. Writing and reading back
gives the same labels: to the microsecond, in WebVTT to the millisecond (that is all it holds).
"""

import csv
import html
import io
import re
import unicodedata
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from urllib.parse import quote, unquote

from listener.errors import UsageError, UserError


@dataclass(frozen=True, slots=True, order=True)
class Label:
    """start_s <= end_s (equal: a point in time), rounded to 1 us; text and track on one line each.

    Blanks at the ends and doubled ones, line breaks and control characters become single blanks; a
    track's name has no brackets. Raises ValueError for times that are not times.
    """

    start_s: float
    end_s: float
    text: str
    track: str = ""

    def __post_init__(self) -> None:
        if not (isfinite(self.start_s) and isfinite(self.end_s)):
            raise ValueError("the times must be numbers")
        if self.start_s < 0:
            raise ValueError(f"starts before the recording ({self.start_s:g} s)")
        if self.end_s < self.start_s:
            raise ValueError(f"ends ({self.end_s:g} s) before it starts ({self.start_s:g} s)")
        object.__setattr__(self, "start_s", round(float(self.start_s), 6))
        object.__setattr__(self, "end_s", round(float(self.end_s), 6))
        object.__setattr__(self, "text", _one_line(self.text))
        object.__setattr__(self, "track", _one_line(self.track.replace("[", "(").replace("]", ")")))


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line that was skipped, and why."""

    number: int
    why: str


@dataclass(frozen=True, slots=True)
class LabelsRead:
    """What a label file held."""

    labels: tuple[Label, ...]
    bad: tuple[BadLine, ...]


def _one_line(text: str) -> str:
    plain = "".join(" " if unicodedata.category(c) in ("Cc", "Zl", "Zp") else c for c in text)
    return " ".join(plain.split())


# --- Audacity: start, end, text between tabs. The track goes in brackets before the text. --------

_BRACKETED = re.compile(r"\[([^\[\]]*)\] ?(.*)")


def audacity_text(labels: Iterable[Label]) -> str:
    """An Audacity label track."""
    return "".join(f"{x.start_s:.6f}\t{x.end_s:.6f}\t{_with_track(x)}\n" for x in labels)


def _with_track(label: Label) -> str:
    return f"[{label.track}] {label.text}" if label.track or label.text.startswith("[") else label.text


def _audacity_lines(text: str) -> Iterator[tuple[int, Label | str]]:
    for number, line in _lines(text):
        if line.startswith("\\"):
            yield number, "a label's frequency range, which is not used"
            continue
        parts = line.split("\t", 2)
        if len(parts) < 2:
            yield number, "expected start, end and text with tabs between"
            continue
        said = parts[2] if len(parts) == 3 else ""
        found = _BRACKETED.fullmatch(said)
        track, said = found.groups() if found else ("", said)
        yield number, _label(parts[0], parts[1], said, track)


# --- WebVTT: the track is the cue's voice. ---------------------------------------------------------

_CUE_TIMES = re.compile(r"((?:\d{2,}:)?\d{2}:\d{2}\.\d{3})\s+-->\s+((?:\d{2,}:)?\d{2}:\d{2}\.\d{3})(?:\s.*)?")
_VOICE = re.compile(r"<v(?:\.[^ \t>]*)?[ \t]+([^>]*)>")
_TAG = re.compile(r"<[^>]*>")


def webvtt_text(labels: Iterable[Label]) -> str:
    """A WebVTT file (W3C WebVTT), each label a cue."""
    cues = [f"{i}\n{_vtt(x.start_s)} --> {_vtt(x.end_s)}\n{_payload(x)}\n" for i, x in enumerate(labels, 1)]
    return "\n".join(["WEBVTT\n", *cues])


def _payload(label: Label) -> str:
    said = html.escape(label.text, quote=False)
    if label.track:
        return f"<v {html.escape(label.track, quote=False)}>{said}</v>"
    return said or "<c></c>"  # a cue without text would end there


def _vtt(seconds: float) -> str:
    whole, ms = divmod(round(seconds * 1000), 1000)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}.{ms:03d}"


def _webvtt_lines(text: str) -> Iterator[tuple[int, Label | str]]:
    lines = text.splitlines()
    if not lines or not re.fullmatch(r"WEBVTT([ \t].*)?", lines[0]):
        yield 1, "the file does not begin with WEBVTT"
        return
    i = 1
    while i < len(lines):
        block_at = i
        while i < len(lines) and lines[i].strip():
            i += 1
        block = lines[block_at:i]
        i += 1
        if not block or re.match(r"(NOTE|STYLE|REGION)\b", block[0]):
            continue
        at = next((k for k, line in enumerate(block[:2]) if "-->" in line), None)
        if at is None:
            yield block_at + 1, "expected a cue with 'start --> end'"
            continue
        number = block_at + at + 1
        times = _CUE_TIMES.fullmatch(block[at].strip())
        if not times:
            yield number, "expected times such as 00:01:03.700 --> 00:01:05.200"
            continue
        payload = " ".join(block[at + 1 :])
        voice = _VOICE.search(payload)
        said = html.unescape(_TAG.sub("", payload))
        track = html.unescape(voice[1]) if voice else ""
        yield number, _label(_from_vtt(times[1]), _from_vtt(times[2]), said, track)


def _from_vtt(clock: str) -> str:
    total = 0.0
    for part in clock.split(":"):
        total = total * 60 + float(part)
    return f"{total:.3f}"


# --- RTTM (NIST rich transcription): the track is the file, the text the speaker's name. ------------


def rttm_text(labels: Iterable[Label]) -> str:
    """RTTM lines of type SPEAKER. Blanks and signs in names are written as in web addresses (%20)."""
    return "".join(
        f"SPEAKER {_token(x.track)} 1 {x.start_s:.6f} {x.end_s - x.start_s:.6f} <NA> <NA> {_token(x.text)} <NA> <NA>\n"
        for x in labels
    )


def _token(text: str) -> str:
    return quote(text, safe="!'*(),-._~+:;@=/") or "<NA>"


def _rttm_lines(text: str) -> Iterator[tuple[int, Label | str]]:
    for number, line in _lines(text):
        fields = line.split()
        if line.startswith(";;"):
            continue
        if len(fields) < 8:
            yield number, f"expected ten fields (type, file, channel, start, duration, ...), found {len(fields)}"
            continue
        _, file, _, start, duration, ortho, _, name = fields[:8]
        try:
            end = f"{float(start) + float(duration):.6f}"
        except ValueError:
            yield number, f"start {start[:40]} and duration {duration[:40]} must be numbers"
            continue
        if float(duration) < 0:
            yield number, f"the duration ({duration}) is negative"
            continue
        said = name if name != "<NA>" else ortho
        yield number, _label(start, end, _from_token(said), _from_token(file))


def _from_token(token: str) -> str:
    return "" if token == "<NA>" else unquote(token)


# --- CSV: start_s, end_s, track, text ---------------------------------------------------------------

_COLUMNS = ("start_s", "end_s", "track", "text")


def csv_text(labels: Iterable[Label]) -> str:
    """Comma-separated, with a heading."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow(_COLUMNS)
    rows.writerows([f"{x.start_s:.6f}", f"{x.end_s:.6f}", x.track, x.text] for x in labels)
    return out.getvalue()


def _csv_lines(text: str) -> Iterator[tuple[int, Label | str]]:
    rows = csv.reader(io.StringIO(text, newline=""))
    try:
        header = [name.strip().lower() for name in next(rows, [])]
    except csv.Error as error:
        yield 1, f"the heading cannot be read: {error}"
        return
    if not {"start_s", "end_s"} <= set(header):
        yield 1, f"the heading must name {', '.join(_COLUMNS)}"
        return
    while True:
        before = rows.line_num
        try:
            row = next(rows, None)
        except csv.Error as error:
            yield rows.line_num, str(error)
            continue
        if row is None:
            return
        if not row:
            continue
        if len(row) != len(header):
            yield before + 1, f"expected {len(header)} columns, found {len(row)}"
            continue
        cells = dict(zip(header, row))
        yield before + 1, _label(cells["start_s"], cells["end_s"], cells.get("text", ""), cells.get("track", ""))


# --- all of them ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Format:
    """A label format: its name for people, and both directions."""

    name: str
    text: Callable[[Iterable[Label]], str]
    lines: Callable[[str], Iterator[tuple[int, Label | str]]]


_MOST_BYTES = 10_000_000

FORMATS: dict[str, Format] = {
    ".txt": Format("Audacity", audacity_text, _audacity_lines),
    ".vtt": Format("WebVTT", webvtt_text, _webvtt_lines),
    ".rttm": Format("RTTM", rttm_text, _rttm_lines),
    ".csv": Format("CSV", csv_text, _csv_lines),
}


def format_of(path: Path) -> Format:
    """The format that the file's name says. Raises UserError for another."""
    if path.suffix.lower() not in FORMATS:
        known = ", ".join(f"{suffix} ({f.name})" for suffix, f in FORMATS.items())
        raise UsageError(f"{path}: not a label format by its name; use {known}")
    return FORMATS[path.suffix.lower()]


def parse_labels(text: str, kind: Format) -> LabelsRead:
    """The labels in a text; lines that are no labels are told by number and left out."""
    labels: list[Label] = []
    bad: list[BadLine] = []
    for number, found in kind.lines(text.removeprefix("\ufeff")):
        if isinstance(found, Label):
            labels.append(found)
        else:
            bad.append(BadLine(number, found))
    return LabelsRead(tuple(labels), tuple(bad))


def read_labels(path: Path) -> LabelsRead:
    """The labels in a file, its format by its name. Raises UserError for a file that cannot be read."""
    kind = format_of(path)
    try:
        if path.exists() and not path.is_file():
            raise UserError(f"{path}: cannot read the labels: it is not a plain file")
        with path.open("rb") as file:
            data = file.read(_MOST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a zero byte in the name
        raise UserError(f"{path}: cannot read the labels: {getattr(error, 'strerror', None) or error}") from None
    if len(data) > _MOST_BYTES:
        most = f"{_MOST_BYTES // 1_000_000} MB"
        raise UserError(f"{path}: cannot read the labels: longer than {most}; is it the right file?")
    # Windows programs may write UTF-16, and say so in the first two bytes.
    coding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8"
    text = data.decode(coding, errors="replace")
    if "\0" in text:
        raise UserError(f"{path}: cannot read the labels: it is not text in UTF-8 or UTF-16; save it as UTF-8")
    return parse_labels(text, kind)


def _lines(text: str) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(text.splitlines(), 1):
        if line.strip():
            yield number, line


def _label(start: str, end: str, text: str, track: str) -> Label | str:
    try:
        times = float(start), float(end)
    except ValueError:
        return f"start {start[:40]!r} and end {end[:40]!r} must be numbers of seconds"
    try:
        return Label(*times, text, track)
    except ValueError as error:
        return str(error)
