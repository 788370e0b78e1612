"""The debrief: one file, true to the score, that prints on two pages."""

import base64
import html
import io
import re
import shutil
import subprocess
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml

from listener.drill import charts
from listener.drill.check import check_drill
from listener.drill.debrief import cautions, debrief_html, headline
from listener.drill.hear import HeardTrack, hear
from listener.drill.score import DrillScore, score
from listener.drill.script import drill_settings, read_drill
from listener.tell.cautions import DRILL
from tests.drill.exercise import RATE_HZ, call_at, write_wav
from tests.fakes import BurstEngine

CALLS = [10.0, 40.0, 70.0, 100.0, 130.0, 160.0]


def scored(folder: Path, words, length_s: float, **drill) -> tuple[DrillScore, list[HeardTrack]]:
    write_wav(folder / "launch.wav", words, length_s)
    path = folder / "drill.yaml"
    path.write_text(
        yaml.safe_dump({"title": "Grey Heron", "recordings": [{"name": "launch", "file": "launch.wav"}], **drill})
    )
    found = read_drill(path)
    tracks = [hear(s, drill_settings(found, folder), BurstEngine()) for s in check_drill(found, path)]
    return score(found, tracks, "bursts"), tracks


def call(start_s: float) -> dict:
    return {"at_s": [start_s, start_s + 1.8], "words_s": [list(w) for w in call_at(start_s)], "caller": "launcher two"}


@pytest.fixture(scope="module")
def six(tmp_path_factory) -> tuple[DrillScore, list[HeardTrack]]:
    """Six calls, the fifth not in the sound, one false alert, three people who act."""
    spoken = [w for t in [*CALLS[:4], CALLS[5], 180.0] for w in call_at(t)]
    acts = [("tower", "heard", 2.4), ("tower", "pressed", 3.8), ("deck", "signalled", 7.0)]
    return scored(
        tmp_path_factory.mktemp("six"),
        spoken,
        200.0,
        place="Halvard",
        crew="Blue watch",
        date="2026-03-02",
        notes="A note <with> signs & more.",
        calls=[call(t) for t in CALLS],
        actions=[{"who": w, "what": a, "at_s": t + d + i / 5} for i, t in enumerate(CALLS) for w, a, d in acts],
    )


@pytest.fixture(scope="module")
def page(six) -> str:
    return debrief_html(*six)


class Elements(HTMLParser):
    """All start tags with their attributes, and the text of table cells row by row."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict]] = []
        self.rows: list[list[str]] = []
        self._cell = False
        self.feed(text)

    def handle_starttag(self, tag, attrs) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag == "tr":
            self.rows.append([])
        if tag in ("td", "th"):
            self._cell = True
            self.rows[-1].append("")

    def handle_endtag(self, tag) -> None:
        if tag in ("td", "th"):
            self._cell = False

    def handle_data(self, data) -> None:
        if self._cell:
            self.rows[-1][-1] += data.strip()


def test_the_headline_says_it_in_a_sentence(six) -> None:
    assert headline(six[0]) == (
        "The listener found five of six calls, not call 5 (missed); it gave one false alert; its alerts came 0.0 s after the third "
        "word (median); deck signalled 5.7 s after it (median), at worst 6.2 s after."
    )


def test_the_table_holds_the_delays_with_median_and_worst(page: str) -> None:
    rows = Elements(page).rows
    assert rows[0] == ["call", "at", "by", "listener", "SNR", "alert", "tower heard", "tower pressed", "deck signalled"]
    assert rows[5][:4] == ["5", "2:10.0", "launcher two", "✕ missed"] and rows[5][5:] == ["–", "1.4", "2.8", "6.0"]
    assert rows[1][5:] == ["0.02", "0.6", "2.0", "5.2"]
    assert rows[7][0] == "median" and rows[7][2:] == ["1.1", "2.5", "5.7"]
    assert rows[8][0] == "worst" and rows[8][2:] == ["1.6", "3.0", "6.2"]


def test_nothing_comes_from_outside(page: str) -> None:
    for tag, attrs in Elements(page).tags:
        assert tag not in ("script", "link", "iframe", "object")
        for name in ("src", "href", "poster", "srcset"):
            assert attrs.get(name, "data:").startswith("data:")
    assert not re.search(r"url\(|@import", page.split("</style>")[0])


def test_each_call_and_false_alert_has_picture_and_sound(six, page: str) -> None:
    elements = Elements(page).tags
    pictures = [a for tag, a in elements if tag == "img"]
    assert len(pictures) == 2 + 7 and all(a["alt"] for a in pictures)
    sounds = [a["src"] for tag, a in elements if tag == "audio"]
    assert len(sounds) == 7
    clip, rate_hz = soundfile.read(io.BytesIO(base64.b64decode(sounds[1].split(",")[1])), dtype="float32")
    whole, _ = soundfile.read(six[1][0].sound.path, dtype="float32")
    first = round((CALLS[1] - 2.0) * RATE_HZ)
    assert rate_hz == RATE_HZ and len(clip) > 5 * RATE_HZ
    assert np.array_equal(clip, whole[first : first + len(clip)])


def test_signs_in_notes_are_text(page: str) -> None:
    assert "A note &lt;with&gt; signs &amp; more." in page


def test_the_same_drill_gives_the_same_page(six, page: str) -> None:
    assert debrief_html(*six) == page


def test_the_usual_cautions_are_in_the_page_and_no_confidence_is_100_per_cent(six) -> None:
    found, tracks = six
    sure = [replace(x, event=replace(x.event, confidence=1.0)) for x in found.false_alerts]
    page = debrief_html(replace(found, false_alerts=type(found.false_alerts)(sure)), tracks)
    assert all(html.escape(line) in page for line in DRILL)
    assert "confidence 99%" in page and "(99% sure)" in page
    assert not re.search(r"confidence 100|100% sure", page)


def test_the_cautions_fit_the_drill(six, tmp_path) -> None:
    said = list(cautions(six[0]))
    assert said[0].startswith("Advisory and not certified")
    assert any("Six calls cannot rate" in line and "44 to 97 %" in line for line in said)
    assert not any("synthetic" in line.lower() or "checked" in line for line in said)
    drill, _ = scored(tmp_path, call_at(5.0), 20.0, synthetic=True, calls=[{"at_s": "find it"}, {"at_s": 5.2}])
    said = list(cautions(drill))
    assert any(line.startswith("Synthetic voices") for line in said)
    assert any(line.startswith("Call 1: the time is the machine's own") for line in said)


@pytest.mark.parametrize(
    ("calls", "said"),
    [
        ([], "No call was made; it gave one false alert."),
        (
            [{"at_s": "find it"}],
            "Nobody has checked this call's times, so they do not yet test the listener; it gave no false alert.",
        ),
        ([{"at_s": [15.0, 16.8]}], "The listener found none of one call; it gave one false alert."),
        ([{"at_s": 5.0}], "The listener found the call; it gave no false alert."),
    ],
)
def test_small_drills_have_a_page_too(tmp_path, calls: list, said: str) -> None:
    drill, tracks = scored(tmp_path, call_at(5.0), 20.0, calls=calls)
    assert headline(drill) == said
    assert said.split(";")[0] in debrief_html(drill, tracks).replace("&#39;", "'")


def contrast_on_white(colour: str) -> float:
    """WCAG 2 contrast ratio of a #rrggbb colour against white."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 1.05 / (0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2] + 0.05)


def test_marks_can_be_seen_and_told_apart_without_colour() -> None:
    """WCAG 2: 3:1 for marks. Check values: #767676 4.542, #777777 4.478 (WCAG techniques)."""
    assert contrast_on_white("#767676") == pytest.approx(4.542, abs=1e-3)
    assert contrast_on_white("#777777") == pytest.approx(4.478, abs=1e-3)
    colours = [charts.BLUE, charts.VERMILION, charts.GREEN, charts.ORANGE, charts.PURPLE, charts.BLACK]
    assert min(contrast_on_white(c) for c in colours) >= 3.0
    shapes = [shape for shape, _ in charts.PEOPLE]
    assert len(set(shapes)) == len(shapes) and "^" not in shapes


def test_long_lists_are_cut_with_their_number(tmp_path) -> None:
    spoken = [w for i in range(16) for w in call_at(5.0 + 10 * i, words=2)]
    drill, tracks = scored(tmp_path, spoken, 170.0, calls=[], actions=[{"who": "a", "what": "heard", "at_s": 3}])
    page = debrief_html(drill, tracks)
    assert "Heard in part where no call was made: 0:05.0, 0:15.0" in page and "1:55.0 and 4 more." in page
    assert "With no call in the minute before: a heard at 0:03.0." in page


def test_it_prints_on_two_pages_of_a4(page: str, tmp_path, need) -> None:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    need(
        chromium is not None and shutil.which("pdfinfo") is not None,
        "chromium or pdfinfo (apt install chromium poppler-utils)",
    )
    (tmp_path / "page.html").write_text(page)
    command = [
        str(chromium),
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--no-pdf-header-footer",
        f"--print-to-pdf={tmp_path}/page.pdf",
    ]
    subprocess.run([*command, str(tmp_path / "page.html")], check=True, capture_output=True, timeout=120)
    info = subprocess.run(["pdfinfo", tmp_path / "page.pdf"], check=True, capture_output=True, text=True).stdout
    assert re.search(r"Pages:\s+2\n", info), info
    assert re.search(r"Page size:\s+59[45]\.\d+ x 84[12]\.\d+ pts \(A4\)", info), info


ORDER = [
    {"who": "deck", "what": "signalled", "within_s": 5.3},
    {"who": "tower", "what": "pressed"},
    {"who": "boat", "what": "launched"},
]


def test_the_steps_stand_in_one_table_and_on_the_timeline(tmp_path) -> None:
    """Three calls: in time (the signal before the voice), late and by another, out of order; the boat never does a thing."""
    actions = [("deck", "signalled", 0.9), ("tower", "pressed", 3.0)], [("bo", "signalled", 8.0), ("tower", "pressed", 8.5)], [
        ("deck", "signalled", 5.0), ("tower", "pressed", 2.8),
    ]  # fmt: skip
    drill, tracks = scored(
        tmp_path, [w for t in CALLS[:3] for w in call_at(t)], 90.0, calls=[{**call(t), "position": "number one"} for t in CALLS[:3]],
        actions=[{"who": w, "what": a, "at_s": t + d} for t, acts in zip(CALLS, actions) for w, a, d in acts], expected=ORDER,
    )  # fmt: skip
    page = debrief_html(drill, tracks)
    rows = Elements(page).rows
    head = next(i for i, row in enumerate(rows) if row[1:2] == ["1. deck: signalled, in 5.3 s"])
    assert rows[head] == ["call", "1. deck: signalled, in 5.3 s", "2. tower: pressed", "3. boat: launched"]
    assert rows[head + 1 : head + 6] == [
        ["1, position number one", "−0.9", "1.2", "× not done"],
        ["2, position number one", "6.2, ○ late, by bo", "6.7", "× not done"],
        ["3, position number one", "3.2", "1.0, □ before step 1", "× not done"],
        ["in order, in time", "2 of 3 (21 to 94 %)", "2 of 3 (21 to 94 %)", "0 of 3 (0 to 56 %)"],
        ["median", "3.2", "1.2", "–"],
    ]
    assert "of nine expected steps four came in order and in time (one late, one out of order, three not done)." in page
    # Clustered by call; the table of delays leaves to this one what is a step.
    assert "<b>4 of 9</b> <span>steps in order and in time</span>" in page and ["call", "at", "by", "listener", "SNR", "alert"] in rows
    assert "Before the end of the spoken call: deck signalled, 0.9 s (median), in 1 of 2." in html.unescape(page)
    assert "× step not done" in html.unescape(page)
    drawn = charts.timeline(drill)
    assert drawn.count(charts.VERMILION.lower()) > charts.timeline(replace(drill, calls=tuple(replace(c, steps=()) for c in drill.calls))).count(
        charts.VERMILION.lower()
    )
