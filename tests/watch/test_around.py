"""Position and caller of a call on watch: journalled about their alert, shown beside it, and there again after a restart."""

from datetime import datetime
from pathlib import Path

from listener.events import Alert, Answer, Hit, Update
from listener.keep.records import Query, Records
from listener.keep.records import words as row_words
from listener.settings import Settings
from listener.speech.spotter import Engine, NearWord
from listener.watch.calls import Calls
from listener.watch.show.picture import call_text
from listener.watch.station import Station
from tests.fakes import AroundEngine
from tests.watch.parts import channel, follow, is_state, running, save, settings, traffic


def load_two(settings: Settings) -> Engine:
    """Behind the call that begins at 3 s, somebody says "two"."""
    return AroundEngine([NearWord("position", "two", 5.3, 5.6, 4.0)])


def station_of(folder: Path, calls_s: list[float]) -> Station:
    file = save(folder / "radio.wav", traffic(12.0, calls_s, 16_000), 16_000)
    given = settings(folder, [{"name": "Launch", "file": str(file)}], evidence_after_s=0.5)
    given = given.model_copy(update={"gate": "off"})
    return Station(
        Settings.model_validate({**dict(given), "positions": ("one", "two")}), folder / "state", load=load_two
    )


def test_the_position_of_a_call_is_journalled_about_it_shown_and_survives_a_restart(tmp_path):
    with running(station_of(tmp_path, [2.0])) as station:
        follow(station, is_state("CALL HEARD"), 25.0)
        follow(station, lambda s: channel(s).unacknowledged[0].position is not None, 10.0)
        (call,) = channel(station).unacknowledged
        assert call.position and (call.position.verdict, call.position.name) == ("heard", "two")
        follow(station, lambda s: s.cursor > call.id, 5.0)
        assert "position two (9" in call_text(call, call.unix_s + 5.0).plain
        records = Records(station.folder)
        (update,) = records.rows(Query(kinds=("update",)))
        (alert,) = records.rows(Query(kinds=("alert",)))
        assert update.about == alert.id == call.id and update.channel == "Launch"
        assert (update.body["phrase"], update.body["start_s"]) == (alert.body["phrase"], alert.body["start_s"])
        assert row_words(update).startswith("position two (9") and update.body["caller"] is None
        later_s = (datetime.fromisoformat(update.utc) - datetime.fromisoformat(alert.utc)).total_seconds()
        assert 0.0 < later_s < 1.5
        assert records.check() == []
    with running(station_of(tmp_path, [])) as station:
        station.tick()
        assert channel(station).unacknowledged[0].position == call.position


def test_an_update_finds_its_alert_also_when_the_sound_was_heard_a_second_time():
    calls = Calls()
    for row, start_s in ((7, 10.0), (9, 30.0)):
        calls.told(Alert(0, "stop", 3, start_s, start_s + 2.0, start_s + 2.1, 0.9, "ear", (Hit("stop", start_s, start_s + 0.4, 2.0),)), row)
    two = Answer("heard", "two", 0.9)
    assert calls.id_of(Update(0, "stop", 10.0, 14.0, two)) == 7
    assert calls.id_of(Update(0, "stop", 29.8, 34.0, two)) == calls.id_of(Update(0, "stop", 30.6, 34.0, two)) == 9
    assert calls.id_of(Update(0, "hold", 10.0, 14.0, two)) is None and calls.id_of(Update(0, "stop", 20.0, 24.0, two)) is None
