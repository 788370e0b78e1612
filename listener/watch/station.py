"""The station: captures, recognisers, journal, evidence and tone under one supervisor.

One loop in one thread decides everything; what may wait for a disk, a sound card or a terminal is in
other threads or processes. Nothing is shown to people before it is in the journal, unless the journal
cannot be written: then it is shown, and that it is not journalled is shown too.
"""

import multiprocessing.connection
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

from listener import __version__
from listener.events import Alert, Event, Fault, PartlyHeard, Update
from listener.keep.clips import Clip
from listener.keep.row import Row
from listener.settings import Settings
from listener.speech.engines import load_engine
from listener.watch.accepted import Acceptances
from listener.watch.channel import Channel
from listener.watch.clock import Clock, JumpWatch, SystemClock
from listener.watch.desk import Desk
from listener.watch.duty import Duty
from listener.watch.health import Reason
from listener.watch.logbook import Logbook
from listener.watch.parts.capture import CaptureSupervisor, source_name
from listener.watch.parts.disk import DiskWork
from listener.watch.parts.recogniser import Turns
from listener.watch.parts.recogniser_process import LoadEngine
from listener.watch.parts.sources import sources_of
from listener.watch.parts.tone import ToneSupervisor
from listener.watch.proof import without_proof
from listener.watch.publication import open_calls
from listener.watch.signals import Signals
from listener.watch.state import ChannelView, Shown, StationView, Step, Strip, WordHeard

TICK_S = 0.1
_REMEMBER_S = 12 * 3600.0


class Station:
    """Runs the channels of the settings. Call run() in a thread, or tick() yourself.

    folder: for journal and evidence. record: a folder for continuous recording, or None.
    logbook: what is written. desk: what people do. duty: who has the watch, and work on radios.
    drill: "shown" or "hidden" for a drill that is played live: hidden, its alerts are journalled and nobody is told, neither
    by state, words nor tone. Raises UserError when the journal cannot be kept.
    """

    def __init__(
        self, settings: Settings, folder: Path, record: Path | None = None, load: LoadEngine = load_engine,
        clock: Clock | None = None, speed: float = 1.0, rounds: int = 0, drill: str = "",
    ) -> None:  # fmt: skip
        self.settings, self.folder, self.record = settings, folder, record
        self.clock = clock or SystemClock()
        self.drill, self.hides_alerts = drill, drill == "hidden"
        self._now_s = self.clock.monotonic()
        self._lock = threading.RLock()  # the state of the channels
        self._jumps = JumpWatch(settings.watch.supervision.clock_jump_s)
        self._recording_trouble = ""
        self.page = ""  # where the watch page is served
        self.logbook = Logbook(folder, settings, self.clock)
        self._acceptances = Acceptances(folder, settings)
        for words in without_proof(settings):
            self.logbook.fault("no_proof", f"{words!r} cannot be proved: name a sound file for it in watch.proof.words")
        names = [channel.name for channel in settings.watch.channels]
        self.duty = Duty(folder, names, self.clock, self.logbook.append)
        self._make_channels(load, speed, rounds)
        self._show_what_is_open()
        self.desk = Desk(
            settings.watch, self.channels, self.duty, self.logbook, self.clock, self._lock, self._look, self.snapshot,
            settings.phrases[0].words if self.hides_alerts else "",
        )
        self._signals = Signals(settings.watch.tone)
        self.tone = ToneSupervisor(
            settings.watch.tone, [c.device for c in settings.watch.channels if c.is_card], self.logbook.fault
        )
        self._disk = DiskWork(
            folder, record, self.channels, settings.watch, self.logbook.clip, self._on_recording, self.logbook.recording
        )
        self._view = self._look()

    def _make_channels(self, load: LoadEngine, speed: float, rounds: int) -> None:
        own = self.settings.watch.channels
        self.captures: list[CaptureSupervisor] = []
        places: dict[str, tuple[CaptureSupervisor, int]] = {}
        for source, names in sources_of(self.settings.watch, speed, rounds):
            capture = CaptureSupervisor(source, self.settings.watch.supervision, self._now_s)
            self.captures.append(capture)
            places |= {name: (capture, column) for column, name in enumerate(names)}
        turns = Turns()
        self.channels = [
            Channel(number, self.settings, one, *places[one.name], load, turns) for number, one in enumerate(own)
        ]

    def _show_what_is_open(self) -> None:
        """Calls of an earlier watch that have not ended stay."""
        are_resolved = bool(self.settings.watch.resolved_as)
        for name, shown in open_calls(self.folder, self.clock.unix() - _REMEMBER_S, are_resolved):
            for channel in self.channels:
                if channel.name == name:
                    channel.calls.show(shown, self._now_s)

    # -- for whoever shows it: any thread ------------------------------------------------------------------

    @property
    def cursor(self) -> int:
        """The id of the last row that people may see."""
        return self.logbook.rows.cursor

    def snapshot(self) -> StationView:
        """How everything is now; a tenth of a second old at most."""
        return self._view

    def strip(self, channel: int, since_unix_s: float = 0.0) -> list[Strip]:
        """The last ten minutes of a channel (by number): Strip values newer than since_unix_s."""
        with self._lock:
            strip = list(self.channels[channel].trace.strip)
        return [s for s in strip if s.unix_s > since_unix_s]

    def words_heard(self, channel: int, since_unix_s: float = 0.0) -> list[WordHeard]:
        """Single words the recogniser heard on a channel: WordHeard values newer than since_unix_s."""
        with self._lock:
            words = [] if self.hides_alerts else list(self.channels[channel].trace.words)
        return [w for w in words if w.unix_s > since_unix_s]

    def rows_after(self, cursor: int, wait_s: float = 0.0) -> list[Row]:
        """Journal rows that people may see, with ids above the cursor, in order.

        Waits up to wait_s for the first one. See Publication.rows_after.
        """
        rows = self.logbook.rows.rows_after(cursor, wait_s)
        return [_veiled(row) for row in rows] if self.hides_alerts else rows

    # -- the loop --------------------------------------------------------------------------------------------

    def run(self, ended: threading.Event, each_tick: Callable[[float], None] = lambda now_s: None) -> None:
        """Until `ended` is set; then stops everything and flushes."""
        try:
            while not ended.is_set():
                self.tick()
                each_tick(self._now_s)
        finally:
            self.stop()

    def tick(self) -> None:
        """One round: waits up to a tenth of a second for news and follows everything."""
        self._wait()
        with self._lock:
            self._now_s, unix_s = self.clock.monotonic(), self.clock.unix()
            if self._jumps.tick(self._now_s, unix_s):
                self.logbook.fault("clock_jump", f"the computer's clock stepped by {self._jumps.step_s:+.1f} s")
            gaps = {id(capture): capture.tick(self._now_s) for capture in self.captures}
            said = {id(capture): capture.new_transmissions() for capture in self.captures}
            connected = {id(capture): capture.newly_connected() for capture in self.captures}
            for channel in self.channels:
                for source in connected[id(channel.capture)]:
                    self.logbook.connected(channel, source)
                for transmission in said[id(channel.capture)]:
                    self.logbook.transmission(channel, transmission, unix_s)
                events, missing = channel.tick(self._now_s, unix_s, gaps[id(channel.capture)])
                for gap in missing:
                    self.logbook.gap(channel, gap)
                for event in events:
                    self._on_event(channel, event, unix_s)
                if proof := channel.new_proof(unix_s, self._now_s):
                    self.logbook.proof(channel, *proof)
            self.logbook.rows.publish()
            common = self._common_reasons()
            for channel in self.channels:
                if change := channel.decide(self._now_s, unix_s, common):
                    self.logbook.state(channel, change)
            self.duty.tick()
            self._signal()
            self._view = self._look()

    def _signal(self) -> None:
        """Let sound what must: calls nobody has acknowledged, and blindness that nobody has and nobody works on."""
        calls = frozenset(call for channel in self.channels for call in channel.calls.unacknowledged)
        blind = frozenset(
            (c.number, c.blindness.count)
            for c in self.channels if c.blindness.wants_signal and not self.duty.is_worked_on(c.name)
        )  # fmt: skip
        self.tone.follow(self._signals.tick(self._now_s, calls, blind), self._now_s)
        if self._signals.held_back:
            self.logbook.fault("signal_held_back", f"signal held back: {self._signals.held_back}")

    def stop(self) -> None:
        """End every process, take what they still held, write everything down."""
        with self._lock:
            self.tone.stop()
            unix_s = self.clock.unix()
            for channel in self.channels:
                for event in channel.stop():
                    self._on_event(channel, event, unix_s)
        self._disk.close()
        for capture in self.captures:
            capture.stop()
        self.logbook.close()
        self._view = self._look()

    def _wait(self) -> None:
        links = [link for capture in self.captures for link in capture.links]
        links += [link for channel in self.channels for link in channel.recogniser.links]
        pause_s = 0.01 if self.logbook.rows.is_waiting else TICK_S
        if links:
            multiprocessing.connection.wait(links, pause_s)
        else:
            time.sleep(pause_s)

    # -- what happens ----------------------------------------------------------------------------------------

    def _on_event(self, channel: Channel, event: Event, unix_s: float) -> None:
        if isinstance(event, Fault):
            self.logbook.fault(event.what, event.detail, channel.name)
        if isinstance(event, Update) and (about := channel.calls.id_of(event)):
            show = partial(channel.calls.update, about, event.position, event.caller)
            self.logbook.update(channel, about, event, unix_s, show)
        if not isinstance(event, Alert | PartlyHeard):
            return
        row = self.logbook.call(channel, event, unix_s, lambda shown: self._show(channel, shown))
        if isinstance(event, Alert):
            channel.calls.told(event, row.id)
            watch, ring = self.settings.watch, channel.capture.ring
            assert ring, "the call came out of it"
            sample = round(event.end_s * ring.rate_hz)
            first = max(0, sample - round(watch.evidence_before_s * ring.rate_hz))
            after = sample + round(watch.evidence_after_s * ring.rate_hz)
            clip = Clip(row.id, channel.name, row.utc, ring, channel.column, first, after)
            self._disk.want(clip, self._now_s + watch.evidence_after_s + 5.0)

    def _show(self, channel: Channel, shown: Shown) -> None:
        if not self.hides_alerts:
            channel.calls.show(shown, self._now_s)

    def _on_recording(self, what: str, detail: str) -> None:
        self._recording_trouble = detail if what == "recording_stopped" else ""
        self.logbook.fault(what, detail)

    def _shown(self, channel: Channel) -> ChannelView:
        view = self.duty.on(channel.view())
        return replace(view, words=()) if self.hides_alerts else view

    def _common_reasons(self) -> list[Reason]:
        """What blinds every channel: the journal, the disk, the clock."""
        found = []
        least_mb = self.settings.watch.least_free_mb
        trouble = self.logbook.journal.trouble
        if (trouble and trouble.code == "full") or self._disk.free_mb < least_mb:
            found.append(
                Reason("disk_full", f"{self._disk.free_mb:.0f} MB left for journal and clips; calls are still shown")
            )
        elif trouble:
            found.append(Reason("journal", f"{trouble.detail}; calls are still shown"))
        elif self.logbook.was_damaged:
            found.append(Reason("journal", "the journal was damaged and a new one was begun"))
        if self._jumps.is_worried(self._now_s):
            found.append(
                Reason("clock_jump", f"the computer's clock stepped by {self._jumps.step_s:+.1f} s: times are in doubt")
            )
        return found

    def _look(self) -> StationView:
        trouble = self.logbook.journal.trouble
        recording = "" if self.record is None else (self._recording_trouble or f"recording to {self.record}")
        return StationView(
            unix_s=self.clock.unix(),
            uptime_s=self.logbook.uptime_s,
            cursor=self.cursor,
            channels=tuple(self._shown(channel) for channel in self.channels),
            faults=tuple(self.logbook.faults),
            journal_trouble=trouble.detail if trouble else "",
            tone_trouble=self.tone.trouble,
            tone_sounding=self.tone.is_sounding,
            recording=recording,
            page=self.page,
            version=__version__,
            settings_fingerprint=self.logbook.fingerprint,
            hand_over=self.duty.hand_over,
            signal=self.tone.sounding or "",
            steps=tuple(Step(step.name, step.within_s) for step in self.settings.watch.steps),
            resolved_as=self.settings.watch.resolved_as,
            drill=self.drill,
            acceptance="" if self.drill else self._acceptances.line(self.clock.unix(), map(_known, self.channels)),
        )


def _known(channel: Channel) -> tuple[str, str, str]:
    """Name, model and source of a channel, the last two empty while they are not known."""
    return channel.name, channel.recogniser.model, source_name(channel.capture) if channel.capture.ring else ""


def _veiled(row: Row) -> Row:
    """What the machine heard is kept, and not told: the row keeps its place in the order, and nothing else."""
    if row.kind not in ("alert", "partly_heard", "evidence", "update"):
        return row
    return replace(row, kind="kept", channel=None, sample=None, about=None, body={})
