"""Work on a radio and the hand-over: journalled, shown, read back after a restart; and neither silences a call."""

from pathlib import Path

import pytest

from listener.errors import UserError
from listener.keep.records import Query, Records
from listener.keep.records import words as row_words
from listener.watch.duty import open_points
from listener.watch.station import Station
from tests.watch.parts import channel, follow, is_state, load_bursts, running, save, settings, traffic


class Steered:
    """A clock that is put forward by hand."""

    def __init__(self) -> None:
        from listener.watch.clock import SystemClock

        self._real, self.ahead_s = SystemClock(), 0.0

    def unix(self) -> float:
        return self._real.unix() + self.ahead_s

    def monotonic(self) -> float:
        return self._real.monotonic() + self.ahead_s


def station_of(folder: Path, sound, clock=None, names=("Launch",), **watch) -> Station:
    file = folder / "radio.wav"
    if not file.exists():
        save(file, sound, 16_000)
    lines = [{"name": name, "file": str(save(folder / f"{name}.wav", sound, 16_000))} for name in names]
    return Station(settings(folder, lines, **watch), folder / "state", load=load_bursts, clock=clock)


def rows(station: Station, *kinds: str) -> list:
    records = Records(station.folder)
    try:
        return list(records.rows(Query(kinds=kinds)))
    finally:
        records.close()


def what_a_call_does(folder: Path, with_work: bool) -> tuple:
    """All that people get of one call, but for its times."""
    folder.mkdir()
    sounded: list[str] = []

    def follow_signal(signal: str | None, now_s: float) -> None:
        if signal and sounded[-1:] != [signal]:
            sounded.append(signal)

    with running(station_of(folder, traffic(12.0, [5.0], 16_000), tone={"enabled": True})) as station:
        station.tone.follow = follow_signal  # type: ignore[method-assign]
        follow(station, is_state("LISTENING"), 20.0)
        if with_work:
            station.desk.begin_work("Launch", "Bo", 30, "antenna")
            station.desk.take_watch("Ann")
        follow(station, is_state("CALL HEARD"), 20.0)
        view = channel(station)
        assert view.is_worked_on == with_work
        (call,) = view.unacknowledged
        follow(station, lambda s: rows(s, "evidence"), 15.0)
        kinds = [row.kind for row in rows(station, "alert", "partly_heard", "evidence")]
        assert station.desk.acknowledge(call.id, "Ann")
        return view.state, call.phrase, call.words_heard, round(call.confidence, 3), sounded, kinds


def test_a_call_while_the_radio_is_worked_on_alerts_sounds_and_shows_exactly_as_otherwise(tmp_path):
    otherwise, at_work = (what_a_call_does(tmp_path / str(with_work), with_work) for with_work in (False, True))
    assert at_work == otherwise and otherwise[4] == ["alert"] and "alert" in otherwise[5]


def test_blindness_while_worked_on_is_still_blindness_with_its_reason(tmp_path):
    with running(station_of(tmp_path, 0 * traffic(10.0, [], 16_000))) as station:
        station.desk.begin_work("Launch", "Bo", 30)
        follow(station, lambda s: "digital_silence" in [b.code for b in channel(s).because], 20.0)
        assert channel(station).state == "BLIND" and channel(station).work.who == "Bo"
        assert station.duty.is_worked_on("Launch"), "its signal may be quiet"
        assert station.desk.end_work("Launch", "Bo") and not station.desk.end_work("Launch", "Bo")
        assert not station.duty.is_worked_on("Launch")
        station.tick()
        assert channel(station).state == "BLIND" and channel(station).work.ended_by == "Bo"


def test_work_ends_by_itself_and_says_so_and_not_before(tmp_path):
    clock = Steered()
    with running(station_of(tmp_path, traffic(10.0, [], 16_000), clock)) as station:
        station.desk.begin_work("Launch", "Bo", 10, "antenna")
        clock.ahead_s = 598.0
        station.tick()
        assert channel(station).is_worked_on
        clock.ahead_s = 601.0
        station.tick()
        work = channel(station).work
        assert work.ended_unix_s is not None and work.ended_by == ""
        follow(station, lambda s: len(rows(s, "maintenance")) == 2, 5.0)
        assert row_words(rows(station, "maintenance")[1]) == "work ended, its time was over"
        clock.ahead_s = 601.0 + 700.0
        station.tick()
        assert channel(station).work is None, "old news"


def test_work_and_hand_over_survive_a_restart(tmp_path):
    sound = traffic(10.0, [], 16_000)
    with running(station_of(tmp_path, sound, names=("Launch", "Deck", "Tower"))) as station:
        station.desk.begin_work("Launch", "Bo", 30, "antenna")
        station.desk.begin_work("Deck", "Cy", 10)
        station.desk.begin_work("Tower", "Di", 10)
        station.desk.end_work("Tower", "Di")
        station.desk.take_watch("Ann")
        station.desk.take_watch("Eve", "wind from the left")
    clock = Steered()
    clock.ahead_s = 1_200.0
    with running(station_of(tmp_path, sound, clock, names=("Launch", "Deck", "Tower"))) as station:
        station.tick()
        launch, deck, tower = station.snapshot().channels
        assert launch.is_worked_on and (launch.work.who, launch.work.text) == ("Bo", "antenna")
        assert not deck.is_worked_on and deck.work.ended_by == "", "its time was over while nobody watched"
        assert tower.work is None
        had = station.snapshot().hand_over
        assert (had.who, had.before, had.text) == ("Eve", "Ann", "wind from the left")
        follow(station, lambda s: len(rows(s, "maintenance")) == 5, 5.0)


def test_a_hand_over_names_what_is_open_and_acknowledges_nothing(tmp_path):
    with running(station_of(tmp_path, traffic(12.0, [3.0], 16_000), names=("Launch",))) as station:
        follow(station, is_state("CALL HEARD"), 25.0)
        station.desk.begin_work("Launch", "Bo", 30, "antenna")
        station.tick()
        (call,) = channel(station).unacknowledged
        station.desk.take_watch("Ann")
        follow(station, lambda s: rows(s, "hand_over"), 5.0)
        (row,) = rows(station, "hand_over")
        assert row.body["calls"] == [call.id] and row.body["who"] == "Ann"
        assert row.body["open"][0].startswith("call not acknowledged: Launch, suspend, ")
        assert any(point.startswith("work on Launch: Bo until ") and point.endswith("UTC, antenna") for point in row.body["open"])
        assert row_words(row).startswith("Ann takes the watch: call not acknowledged: Launch")
        assert len(channel(station).unacknowledged) == 1 and not rows(station, "acknowledge")
        assert station.desk.acknowledge(call.id, "Ann")
        station.desk.end_work("Launch", "Bo")
        station.tick()
        (left,) = open_points(station.snapshot())
        assert left.startswith("call not resolved: Launch, suspend, ")
        assert station.desk.resolve(station.logbook.rows.row(call.id), "Ann", "resolved")
        station.tick()
        assert open_points(station.snapshot()) == []


def test_blindness_that_a_person_knows_of_is_theirs_until_it_is_over(tmp_path):
    with running(station_of(tmp_path, 0 * traffic(10.0, [], 16_000))) as station:
        station.tick()
        assert station.desk.acknowledge_blind("Ann", ["Launch"]) == 0, "a start that goes on as it should is not blindness"
        follow(station, lambda s: "digital_silence" in [b.code for b in channel(s).because], 20.0)
        assert station.desk.acknowledge_blind("Ann", ["Launch"]) == 1 and station.desk.acknowledge_blind("Bo") == 0
        station.tick()
        assert channel(station).blind_seen_by == "Ann" and channel(station).state == "BLIND"
        follow(station, lambda s: rows(s, "acknowledge"), 5.0)
        assert row_words(rows(station, "acknowledge")[0]) == "BLIND seen by Ann"


@pytest.mark.parametrize("name, minutes, said", [("Deck", 10, "no channel 'Deck'"), ("Launch", 0, "1 to 720"), ("Launch", 721, "1 to 720")])
def test_work_that_cannot_be_is_one_line_and_no_row(tmp_path, name, minutes, said):
    with running(station_of(tmp_path, traffic(5.0, [], 16_000))) as station:
        with pytest.raises(UserError, match=said):
            station.desk.begin_work(name, "Bo", minutes)
        assert channel(station).work is None
