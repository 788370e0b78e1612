"""Label tracks: writing and reading back loses nothing; bad lines are named and skipped."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.errors import UserError
from listener.score.labels import FORMATS, BadLine, Label, format_of, parse_labels, read_labels

times = st.floats(0, 100_000, allow_nan=False).map(lambda s: round(s, 6))


@st.composite
def labels(draw: st.DrawFn) -> Label:
    start = draw(times)
    length = draw(st.just(0.0) | st.floats(0, 600))
    return Label(start, start + length, draw(st.text(max_size=30)), draw(st.text(max_size=12)))


@pytest.mark.parametrize("suffix", [".txt", ".rttm", ".csv"])
@given(wanted=st.lists(labels(), max_size=8))
def test_a_round_trip_gives_the_same_labels(suffix: str, wanted: list[Label]) -> None:
    kind = FORMATS[suffix]
    read = parse_labels(kind.text(wanted), kind)
    assert list(read.labels) == wanted
    assert read.bad == ()


@given(wanted=st.lists(labels(), max_size=8))
def test_webvtt_keeps_text_and_track_and_the_millisecond(wanted: list[Label]) -> None:
    kind = FORMATS[".vtt"]
    to_ms = [Label(round(x.start_s, 3), max(round(x.end_s, 3), round(x.start_s, 3)), x.text, x.track) for x in wanted]
    read = parse_labels(kind.text(wanted), kind)
    assert read.bad == ()
    assert [(x.text, x.track) for x in read.labels] == [(x.text, x.track) for x in wanted]
    for got, want in zip(read.labels, wanted):
        assert abs(got.start_s - want.start_s) <= 0.0005001
        assert abs(got.end_s - want.end_s) <= 0.0005001
    assert parse_labels(kind.text(to_ms), kind).labels == tuple(to_ms)


@given(wanted=st.lists(labels(), min_size=1, max_size=5), way=st.permutations([".txt", ".rttm", ".csv"]))
def test_from_format_to_format_to_format(wanted: list[Label], way: list[str]) -> None:
    now = wanted
    for suffix in way:
        now = list(parse_labels(FORMATS[suffix].text(now), FORMATS[suffix]).labels)
    assert now == wanted


def test_an_audacity_track_with_bad_lines() -> None:
    text = (
        "1.5\t2.25\tcall: launcher two\r\n"
        "\\\t300.0\t3400.0\r\n"
        "2.0 3.0 blanks for tabs\r\n"
        "\r\n"
        "5.0\t4.0\tbackwards\r\n"
        "nan\t4.0\tno number\r\n"
        "7.0\t7.0\t[deck] heard\r\n"
    )
    read = parse_labels(text, FORMATS[".txt"])
    assert read.labels == (Label(1.5, 2.25, "call: launcher two"), Label(7.0, 7.0, "heard", "deck"))
    assert read.bad == (
        BadLine(2, "a label's frequency range, which is not used"),
        BadLine(3, "expected start, end and text with tabs between"),
        BadLine(5, "ends (4 s) before it starts (5 s)"),
        BadLine(6, "the times must be numbers"),
    )


def test_a_webvtt_file_by_another_hand() -> None:
    text = (
        "\ufeffWEBVTT - drill of Tuesday\n\nNOTE by hand\nin two lines\n\nSTYLE\n::cue { color: red }\n\n"
        "01:03.700 --> 01:05.200 align:start\n<v.loud Launcher two>suspend <i>suspend</i>\nsuspend &amp; out\n\n"
        "cue one\n00:02:00,000 --> 00:02:01,000\ncommas\n\nno times here\n\n"
        "1:00:00.000 --> 01:00:01.000\nhours need two digits\n"
    )
    read = parse_labels(text, FORMATS[".vtt"])
    assert read.labels == (Label(63.7, 65.2, "suspend suspend suspend & out", "Launcher two"),)
    assert [(bad.number, bad.why.split(" such")[0]) for bad in read.bad] == [
        (14, "expected times"),
        (17, "expected a cue with 'start --> end'"),
        (19, "expected times"),
    ]
    assert parse_labels("1\n00:00:01.000 --> 00:00:02.000\nx\n", FORMATS[".vtt"]).bad == (
        BadLine(1, "the file does not begin with WEBVTT"),
    )


def test_rttm_lines_by_another_hand() -> None:
    text = (
        ";; a comment\n"
        "SPEAKER meeting 1 5.75 1.18 <NA> <NA> dvy001 <NA> <NA>\n"
        "LEXEME meeting 1 6.10 0.40 suspend lex <NA> <NA> <NA>\n"
        "SPEAKER meeting 1 five 1.18 <NA> <NA> x <NA> <NA>\n"
        "SPEAKER meeting 1 5.0 -1 <NA> <NA> x <NA> <NA>\n"
        "SPEAKER meeting\n"
    )
    read = parse_labels(text, FORMATS[".rttm"])
    assert read.labels == (Label(5.75, 6.93, "dvy001", "meeting"), Label(6.1, 6.5, "suspend", "meeting"))
    assert [bad.number for bad in read.bad] == [4, 5, 6]


def test_csv_lines_with_other_columns_and_quotes() -> None:
    text = 'text,start_s,end_s,judge\n"said ""now"", twice",1,2,A\nshort,1\nlast,3,4,B\n'
    read = parse_labels(text, FORMATS[".csv"])
    assert read.labels == (Label(1, 2, 'said "now", twice'), Label(3, 4, "last"))
    assert read.bad == (BadLine(3, "expected 4 columns, found 2"),)
    assert parse_labels("a,b\n1,2\n", FORMATS[".csv"]).bad[0].number == 1


@pytest.mark.parametrize("kind", FORMATS.values(), ids=FORMATS)
@given(text=st.text(max_size=200))
def test_no_text_breaks_a_reader(kind, text: str) -> None:
    read = parse_labels(text, kind)
    assert len({bad.number for bad in read.bad}) == len(read.bad)


def test_a_file_is_told_by_its_name(tmp_path) -> None:
    assert format_of(tmp_path / "x.VTT").name == "WebVTT"
    with pytest.raises(UserError, match=r"x\.doc: not a label format by its name; use \.txt \(Audacity\)"):
        format_of(tmp_path / "x.doc")
    with pytest.raises(UserError, match="cannot read the labels: No such file"):
        read_labels(tmp_path / "none.csv")
