"""An acceptance from recordings: what counts, what is kept, and what the report says and does not say."""

import json
import re
import shutil
import stat
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from listener.cli import app
from listener.errors import UsageError, UserError
from listener.events import Alert, Block
from listener.keep.accepted import changed_since, last_accepted
from listener.monitor import Monitor
from listener.settings import Settings
from listener.site.acceptance.findings import findings, shows_not
from listener.site.acceptance.hearing import AS_SET, Hearing
from listener.site.acceptance.recorded import recorded_files
from listener.site.acceptance.report import report_html
from listener.site.acceptance.session import Begun, Judged, MadeCall, Part, Session, Told, begin, read, sessions
from listener.watch.accepted import Acceptances
from tests.fakes import BurstEngine, bursts
from tests.site.acceptance_parts import RATE_HZ, call_at, label, recording
from tests.tell.test_cautions import unsaid

PHRASES = Settings().phrases


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Ann's two calls are heard, Ben's one is not (nothing is there); a false alert in an hour's ... minute of traffic."""
    recording(tmp_path / "rec" / "ann.wav", [5.0, 20.0], 40.0, label(5.0, "call: Ann") + label(20.0, "call: Ann"))
    recording(tmp_path / "rec" / "Ben" / "one.wav", [], 30.0, label(10.0, "Suspend, suspend, suspend!"))
    recording(tmp_path / "rec" / "traffic.wav", [30.0], 60.0)
    monkeypatch.setattr("listener.speech.engines.load_engine", lambda settings: BurstEngine())
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*words: str, status: int = 0) -> str:
    """What the command printed on stdout."""
    done = CliRunner().invoke(app, ["acceptance", "--folder", "station", *words])
    if isinstance(done.exception, UserError | KeyboardInterrupt):
        raise done.exception
    assert done.exit_code == status, (done.output, done.exception)
    return done.stdout


def result(folder: Path = Path("station")) -> dict:
    return json.loads(max(folder.glob("acceptance/*/report.json")).read_text())


# --- what counts ---------------------------------------------------------------------------------------------


def test_calls_are_found_or_missed_by_person_and_the_rest_is_normal_traffic(site: Path) -> None:
    said = run("--recordings", "rec")
    assert said.splitlines()[0] == "Launch: 2 of 3 calls by 2 people found, 1 false alert in 2 min of normal traffic."
    told = result()
    assert [(p["name"], p["found"]["k"], p["found"]["n"]) for p in told["people"]] == [("Ann", 2, 2), ("Ben", 0, 1)]
    assert [(one["part"], round(one["start_s"])) for one in told["false"]] == [("traffic.wav", 30)]
    now = {one["name"]: one for one in told["sensitivities"]}
    assert [now[s]["found"]["k"] for s in ("cautious", "balanced", "eager")] == [0, 2, 2]  # three words of 2.0 make 6
    assert [now[s]["false_alerts"]["count"] for s in ("cautious", "balanced", "eager")] == [0, 1, 1]
    assert now["balanced"]["false_alerts"]["hours"] == pytest.approx(130 / 3600, abs=1e-4)


def test_a_label_is_a_call_by_its_text_and_names_a_person_by_text_track_or_folder(tmp_path: Path) -> None:
    texts = ["call: Ann", "[Ben] suspend suspend suspend", "[Cleo] call:", "suspend suspend suspend", "suspend suspend", "talk"]
    recording(tmp_path / "Dee" / "x.wav", [], 60.0, "".join(label(9.0 * i, text) for i, text in enumerate(texts)))
    (file,) = recorded_files(tmp_path, PHRASES)
    assert [call.person for call in file.calls] == ["Ann", "Ben", "Cleo", "Dee"]
    assert [call.phrase for call in file.calls] == [None, "suspend", None, "suspend"]


@settings(max_examples=10, deadline=None)
@given(gaps=st.lists(st.floats(0.05, 2.5), min_size=3, max_size=12), level=st.sampled_from([None, 4.5, 5.9, 6.1]))
def test_what_is_told_at_the_sensitivity_in_force_is_what_the_watch_would_tell(gaps: list[float], level: float | None) -> None:
    """And so for the others: a Monitor set to each gives the same alerts."""
    words, at = [], 1.0
    for gap in gaps:
        words.append((at, at + 0.4))
        at += 0.4 + gap
    sound, engine = bursts(words, at + 5.0, RATE_HZ), BurstEngine()
    hearing = Hearing(Settings(alert_level=level), RATE_HZ, engine)
    for start in range(0, sound.size, 5_000):
        hearing.feed(sound[start : start + 5_000], start)
    hearing.finish()
    for name, told in hearing.told.items():
        wanted = {"alert_level": level} if name == AS_SET else {"sensitivity": name}
        monitor = Monitor(Settings.model_validate(wanted), RATE_HZ, engine=engine)
        events = monitor.feed(Block(sound, 0, RATE_HZ)) + monitor.finish()
        alerts = [(round(e.start_s, 3), round(e.end_s, 3), round(e.raised_s, 3)) for e in events if isinstance(e, Alert)]
        assert [(t.start_s, t.end_s, t.raised_s) for t in told] == alerts


def test_levels_are_those_of_the_call_and_of_the_ten_seconds_before(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    sound = bursts(call_at(20.0), 30.0, RATE_HZ) + rng.normal(0, 0.01, 30 * RATE_HZ).astype(np.float32)
    hearing = Hearing(Settings(), RATE_HZ, BurstEngine())
    hearing.feed(sound, 0)
    assert hearing.level_at(20.0, 22.0, 0.95) == pytest.approx(-9.03, abs=0.2)  # a sine of 0.5: 10 lg(0.125)
    assert hearing.level_at(10.0, 20.0, 0.1) == pytest.approx(-40.0, abs=0.6)
    assert sum(hearing.frames.values()) == 30 * 50


# --- the session ---------------------------------------------------------------------------------------------


def test_an_interrupted_acceptance_goes_on_and_hears_nothing_twice(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from listener.site.acceptance import recorded

    hear, heard = recorded.hear_file, []

    def interrupted(file, *rest):
        heard.append(file.name)
        if len(heard) == 2:
            raise KeyboardInterrupt
        return hear(file, *rest)

    monkeypatch.setattr(recorded, "hear_file", interrupted)
    with pytest.raises(UserError, match="stopped; what was heard is kept: run the same command again"):
        run("--recordings", "rec")
    (session,) = sessions(Path("station"))
    assert [part.name for part in session.parts] == heard[:1] and not session.is_over
    path = session.folder / "session.jsonl"
    path.write_bytes(path.read_bytes() + b'{"kind": "part", "na')  # a power failure in the middle of a line
    run("--recordings", "rec")
    (session,) = sessions(Path("station"))
    assert [part.name for part in session.parts] == heard[:1] + heard[2:] and len(session.parts) == 3 and session.is_over
    assert result()["sensitivities"][1]["found"]["k"] == 2
    run("--recordings", "rec")  # a finished one is left as it is
    assert len(list(sessions(Path("station")))) == 2


def test_other_settings_do_not_go_into_an_open_session(site: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("listener.site.acceptance.recorded.hear_file", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(UserError, match="stopped"):
        run("--recordings", "rec")
    Path("other.yaml").write_text("gate: {pre_roll_s: 0.7}\n")
    with pytest.raises(UsageError, match=r"gate.pre_roll_s: 0.5 then, 0.7 now\); --new begins another"):
        run("--recordings", "rec", "--config", "other.yaml")


def test_what_is_kept_is_for_this_account_alone(site: Path) -> None:
    run("--recordings", "rec")
    folder = next(Path("station").glob("acceptance/*/"))
    assert stat.S_IMODE(folder.stat().st_mode) == stat.S_IMODE(folder.parent.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {0o600}


@pytest.mark.parametrize(
    "spoil, words, said",
    [
        (lambda: Path("rec/ann.txt").write_text("5.0 call: Ann\n"), (), r"ann.txt: line 1: expected start, end"),
        (lambda: Path("rec/ann.txt").write_text("5.0\t5.0\tcall: Ann\n"), (), r"point in time; mark it from first word to last"),
        (lambda: None, ("--recordings", "none"), r"none: no such folder"),
        (lambda: Path("empty").mkdir(), ("--recordings", "empty"), r"empty: no sound files in it"),
        (lambda: None, ("--channel", "Deck"), r"--channel Deck: the settings have Launch"),
        (lambda: Path("station").write_text("x"), (), r"station/acceptance: "),
        (lambda: (Path("station/acceptance").mkdir(parents=True), Path("station/acceptance/x").touch()), (), r"not this program's"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_one_line_and_leaves_nothing(site: Path, spoil, words, said: str) -> None:
    spoil()
    before = {path: path.read_bytes() for path in site.rglob("*") if path.is_file()}
    with pytest.raises(UserError, match=said) as error:
        run("--recordings", "rec", *words)
    assert "\n" not in str(error.value)
    assert {path: path.read_bytes() for path in site.rglob("*") if path.is_file()} == before


def test_a_file_that_cannot_be_heard_is_left_out_and_told(site: Path) -> None:
    (site / "rec" / "broken.wav").write_text("no sound")
    (site / "rec" / "late.wav").write_bytes((site / "rec" / "ann.wav").read_bytes())
    (site / "rec" / "late.txt").write_text(label(100.0, "call: Ann"))
    said = run("--recordings", "rec", status=1)
    assert "2 of 3 calls" in said
    assert [one["what"] for one in result()["left_out"]] == ["broken.wav", "late.wav"]
    assert "lies outside its 40.00 s of sound" in result()["left_out"][1]["why"]


# --- findings ------------------------------------------------------------------------------------------------


def session_of(parts: list[Part | Judged], how: str = "live") -> Session:
    levels = {"cautious": 7.0, "balanced": 5.0, "eager": 4.0}
    begun = Begun(
        utc="2031-05-01T10:00:00.0Z", how=how, channel="Launch", source="USB Audio", in_force="balanced", alert_levels=levels,
        heard_with={"phrases": [{"words": "suspend", "repeats": 3}]}, engine="ear", model="ear-4", version="1",
    )  # fmt: skip
    return Session(Path("nowhere"), begun, list(parts))


def told(at_s: float) -> Told:
    return Told(phrase="suspend", start_s=at_s, end_s=at_s + 2, raised_s=at_s + 2.1, confidence=0.9)


def made(person: str, found: str) -> MadeCall:
    """found: a letter for each sensitivity that found it."""
    answers = {name: told(1.0) if name[0] in found else None for name in ("cautious", "balanced", "eager")}
    return MadeCall(person=person, start_s=1.0, end_s=3.0, is_marked=True, answers=answers)


def hour(c: int = 0, b: int = 0, e: int = 0, calls: tuple[MadeCall, ...] = (), hours: float = 1.0) -> Part:
    false = {name: tuple(told(60.0 * i) for i in range(n)) for name, n in (("cautious", c), ("balanced", b), ("eager", e))}
    return Part(name="live", seconds=3600 * hours, calls=calls, false=false)


@pytest.mark.parametrize(
    "part, name, why",
    [
        # the same calls at fewer false alerts
        (hour(0, 3, 9, (made("a", "cbe"),) * 4, 10.0), "cautious", "it gave the fewest false alerts of them"),
        # more calls, false alerts within what is allowed
        (hour(0, 1, 4, (*(made("a", "cbe"),) * 3, made("b", "e")), 10.0), "eager", "it found the most calls"),
        # too many false alerts there: the next
        (hour(0, 1, 6, (made("a", "be"), made("b", "e")), 10.0), "balanced", "it found the most calls"),
        # all alike: as it is
        (hour(0, 0, 0, (made("a", "cbe"),), 10.0), "balanced", "as others did with as few false alerts"),
        # none is quiet enough
        (hour(6, 7, 8, (made("a", "cbe"),), 10.0), "cautious", "every sensitivity gave more than 0.5"),
        # nothing to go by
        (hour(0, 0, 0, ()), "balanced", "nothing can be recommended"),
    ],
)  # fmt: skip
def test_the_recommended_sensitivity_follows_the_stated_rule(part: Part, name: str, why: str) -> None:
    best = findings(session_of([part])).recommended
    assert best.name == name and why in best.why


def test_calls_of_one_person_count_for_less_than_of_many() -> None:
    """Half of the people are found always, half never: 20 calls by 4 people tell little, 20 by 20 people more."""
    few = findings(session_of([hour(calls=tuple(made(f"p{i % 4}", "cbe" if i % 2 else "") for i in range(20)))])).now.found
    many = findings(session_of([hour(calls=tuple(made(f"p{i}", "cbe" if i % 2 else "") for i in range(20)))])).now.found
    assert (few.k, few.n) == (many.k, many.n) == (10, 20)
    assert few.worth.design_effect > 4 and few.interval[1] - few.interval[0] > 1.5 * (many.interval[1] - many.interval[0])


def test_a_real_call_in_the_traffic_is_neither_false_nor_found() -> None:
    judged = Judged(utc="2031-05-01T10:10:00.0Z", part="live", raised_s=62.1, who="Ann")
    found = findings(session_of([hour(0, 2, 3), judged]))
    assert [one.false.count for one in found.at] == [0, 1, 2]  # the overlapping alerts of the others go with it
    assert found.real_in_traffic == 1 and found.now.found.n == 0


def test_false_alerts_in_one_burst_widen_the_interval() -> None:
    burst = [hour(0, 8, 8), *[hour()] * 7]
    spread = [hour(0, 1, 1)] * 8
    wide, narrow = (findings(session_of(parts)).now.false for parts in (burst, spread))
    assert wide.count == narrow.count == 8 and wide.hours == narrow.hours
    assert wide.interval[1] > 1.5 * narrow.interval[1]


@pytest.mark.parametrize(
    "parts, said",
    [
        ([hour(calls=(made("a", "cbe"),))], "One person alone"),
        ([hour(calls=tuple(made(n, "cbe") for n in "abc"))], "3 people are few"),
        ([hour(calls=(made("a", "cbe"),))], "1 calls are few"),
        ([hour()], "No call was made"),
        ([hour(hours=2.0)], "2.0 hours are few: 0 false alerts in them are compatible with up to 1.84 an hour"),  # 3.69 / 2
        ([hour()], "calmer than real ones"),
        ([hour(calls=(made("", "cbe"),))], "name nobody"),
    ],
)
def test_the_report_says_what_it_does_not_show(parts: list[Part], said: str) -> None:
    assert any(said in line for line in shows_not(findings(session_of(parts))))


# --- the report, and what the watch makes of it -----------------------------------------------------------------


def test_the_report_says_the_cautions_and_needs_nothing_from_outside(site: Path) -> None:
    run("--recordings", "rec")
    page = next(Path("station").glob("acceptance/*/report.html")).read_text()
    assert unsaid(page) == []
    assert "http" not in page.replace("http-equiv", "") and "<script" not in page
    assert CliRunner().invoke(app, ["acceptance", "--help"]).output.count("never permission to") == 1


def test_a_name_cannot_put_anything_into_the_page() -> None:
    found = findings(session_of([hour(calls=(made("<img src=x onerror=alert(1)>", "cbe"),))]))
    assert "<img src=x" not in report_html(found) and "&lt;img src=x" in report_html(found)


def test_the_watch_learns_when_a_line_was_accepted_and_what_has_changed(site: Path) -> None:
    run("--recordings", "rec")
    accepted = last_accepted(Path("station"), "Launch")
    assert accepted and accepted.is_complete and last_accepted(Path("station"), "Deck") is None
    now = Settings()
    assert changed_since(accepted, now, now.watch.channels[0], model="bursts") == []
    other = Settings.model_validate({"sensitivity": "eager", "watch": {"channels": [{"device": "USB"}]}})
    assert changed_since(accepted, other, other.watch.channels[0], model="ear-4", source="USB Audio") == [
        "sensitivity: balanced then, eager now", "line.device: not set then, USB now", "model: bursts then, ear-4 now",
        "source: recordings then, USB Audio now",
    ]  # fmt: skip


def test_a_report_that_was_spoilt_is_passed_over(site: Path) -> None:
    run("--recordings", "rec")
    next(Path("station").glob("acceptance/*/report.json")).write_text("{")
    assert last_accepted(Path("station"), "Launch") is None


def test_a_session_that_is_none_is_one_line(tmp_path: Path) -> None:
    session = begin(tmp_path, session_of([]).begun)
    (session.folder / "session.jsonl").write_text('{"kind": "begun"}\n')
    with pytest.raises(UserError, match=r"session.jsonl: is no session of an acceptance"):
        read(session.folder)


def test_it_prints_on_two_pages_of_a4(site: Path, need) -> None:
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    has_all = chromium is not None and shutil.which("pdfinfo") is not None
    need(has_all, "chromium or pdfinfo (apt install chromium poppler-utils)")
    for n in range(12):  # a crew, with some files that could not be heard
        recording(site / "rec" / f"Person number {n}" / "x.wav", [3.0, 12.0], 20.0, label(3.0, "call:") + label(12.0, "call:"))
        (site / "rec" / f"broken {n}.wav").write_text("no sound")
    run("--recordings", "rec", status=1)
    page = next(Path("station").glob("acceptance/*/report.html")).resolve()
    command = [str(chromium), "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer", "--print-to-pdf=page.pdf"]
    subprocess.run([*command, page.as_uri()], check=True, capture_output=True, timeout=120)
    info = subprocess.run(["pdfinfo", "page.pdf"], check=True, capture_output=True, text=True).stdout
    assert re.search(r"Pages:\s+2\n", info) and "(A4)" in info, info


def test_the_watch_says_how_old_the_acceptance_is_and_what_has_changed(site: Path) -> None:
    now = Settings()
    known = [("Launch", "bursts", "USB Audio")]
    assert Acceptances(Path("station"), now).line(0.0, known) == "Launch: no acceptance yet"
    run("--recordings", "rec")
    at = last_accepted(Path("station"), "Launch").unix_s
    line = Acceptances(Path("station"), now).line
    assert line(at + 60, known) == "Launch: accepted today, nothing changed since"
    assert line(at + 40 * 86_400, known).startswith("Launch: accepted 40 days ago")
    other = Settings.model_validate({"sensitivity": "eager"})
    assert Acceptances(Path("station"), other).line(at, [("Launch", "ear-9", "")]) == (
        "Launch: accepted today; CHANGED SINCE: sensitivity: balanced then, eager now, model: bursts then, ear-9 now"
    )
