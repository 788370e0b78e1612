"""A drill that does not fit its recordings: each problem is one line with its remedy."""

import re
from pathlib import Path

import pytest

from listener.drill.check import check_drill
from listener.drill.script import DrillError, read_drill
from tests.drill.exercise import call_at, write_wav

HEAD = "title: x\nrecordings:\n  - {name: launch, file: launch.wav}\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_wav(tmp_path / "launch.wav", call_at(5.0), 20.0)
    write_wav(tmp_path / "deck.wav", call_at(5.0), 20.0, channels=2)
    (tmp_path / "text.wav").write_text("no sound")
    return tmp_path


def problems(folder: Path, text: str) -> list[str]:
    path = folder / "drill.yaml"
    path.write_text(text)
    with pytest.raises(DrillError) as caught:
        check_drill(read_drill(path), path)
    assert all(line.startswith(f"{path}: ") for line in caught.value.problems)
    return [line.replace(f"{folder}/", "").removeprefix("drill.yaml: ") for line in caught.value.problems]


def test_a_drill_that_fits(folder: Path) -> None:
    path = folder / "drill.yaml"
    path.write_text(
        HEAD + "  - {name: deck, file: deck.wav, channel: 1, offset_s: -2.5}\ncalls:\n  - at_s: [5.0, 6.8]\n"
    )
    launch, deck = check_drill(read_drill(path), path)
    assert (launch.start_s, launch.end_s, launch.channel, launch.rate_hz) == (0.0, 20.0, 0, 16000)
    assert (deck.start_s, deck.end_s, deck.channel) == (-2.5, 17.5, 1)


@pytest.mark.parametrize(
    ("rest", "said"),
    [
        ("  - {name: gone, file: gone.wav}\ncalls: []\n", "recording 'gone': gone.wav: no such file"),
        ("  - {name: text, file: text.wav}\ncalls: []\n", "recording 'text': text.wav: cannot be read as a sound file"),
        ("  - {name: launch, file: deck.wav, channel: 0}\ncalls: []\n", "recordings: 'launch' is named more than once"),
        ("  - {name: deck, file: deck.wav}\ncalls: []\n", "recording 'deck': deck.wav has 2 channels; say which: channel: 0 to 1"),
        (
            "  - {name: deck, file: deck.wav, channel: 2}\ncalls: []\n",
            "recording 'deck': deck.wav has no channel 2; it has 2: channel: 0 to 1",
        ),
        (
            "  - {name: deck, file: deck.wav, channel: 0, offset_s: 25}\ncalls: []\n",
            "recording 'deck': offset_s 25 puts it at 25.0 to 45.0 s, where no other recording is (0.0 to 20.0 s)",
        ),
        (
            "  - {name: deck, file: deck.wav, channel: 0, offset_s: -20}\ncalls: []\n",
            "recording 'deck': offset_s -20 lies beyond its end: all 20.0 s would be before the drill begins",
        ),
        ("calls:\n  - at_s: [19, 20.5]\n", "call 1: 19.00 to 20.50 s lies outside the recording (0.0 to 20.0 s)"),
        ("calls:\n  - at_s: 0:21\n", "call 1: 21.00 s lies outside the recording (0.0 to 20.0 s)"),
        ("calls:\n  - {at_s: 5, recording: tower}\n", "call 1: no recording is named 'tower'; there are: launch"),
        (
            "calls:\n  - at_s: [9, 11]\n  - at_s: [5, 9.5]\n",
            "calls 2 and 1 overlap: 5.00 to 9.50 s and 9.00 to 11.00 s; correct or remove one",
        ),
        (
            "calls:\n  - {at_s: [5, 7], words_s: [[5, 5.5], [6, 7]]}\n",
            "call 1: 2 words are marked and a call has 3",
        ),
        ("calls: []\nactions: [{who: a, what: heard, at_s: 81}]\n", "action 1: 81 s lies outside the recording (0.0 to 20.0 s)"),
        ("calls: []\nactions: [{who: a, what: heard, at_s: 3, call: 2}]\n", "action 1: there is no call 2; there are 0"),
        ("calls: []\ntraffic: [{at_s: [3, 2]}]\n", "traffic 1: at_s ends before it starts"),
        ("calls: []\ntraffic: [{at_s: [3, 22]}]\n", "traffic 1: 3.00 to 22.00 s lies outside the recording"),
    ],
)  # fmt: skip
def test_a_problem_is_one_line(folder: Path, rest: str, said: str) -> None:
    (line,) = problems(folder, HEAD + rest)
    assert re.match(re.escape(said), line), line


def test_calls_may_overlap_on_different_recordings(folder: Path) -> None:
    path = folder / "drill.yaml"
    text = "  - {name: deck, file: deck.wav, channel: 0}\ncalls:\n"
    text += "  - {at_s: [5, 7], recording: launch}\n  - {at_s: [6, 8], recording: deck}\n"
    path.write_text(HEAD + text)
    assert len(check_drill(read_drill(path), path)) == 2


def test_all_problems_are_told_together(folder: Path) -> None:
    said = problems(
        folder,
        HEAD + "calls:\n  - at_s: [30, 31]\n  - {at_s: 3, recording: tower}\nactions: [{who: a, what: b, at_s: 99}]\n",
    )
    assert len(said) == 3
