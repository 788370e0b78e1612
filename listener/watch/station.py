"""The station: captures, recognisers, journal, evidence and tone under one supervisor.

One loop in one thread decides everything; what may wait for a disk, a sound card or a terminal is in
other threads or processes. Nothing is shown to people before it is in the journal, unless the journal
cannot be written: then it is shown, and that it is not journalled is shown too.
"""

import hashlib
import logging
import multiprocessing.connection
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from listener import __version__
from listener.events import Alert, Event, Fault, PartlyHeard
from listener.keep.clips import Clip, Taken
from listener.keep.journal import Journal, Row
from listener.keep.repair import Trouble
from listener.settings import Settings
from listener.speech.engines import load_engine
from listener.watch.channel import Channel
from listener.watch.clock import Clock, JumpWatch, SystemClock
from listener.watch.duty import Duty
from listener.watch.health import Reason
from listener.watch.parts.capture import CaptureSupervisor, Gap
from listener.watch.parts.disk import DiskWork
from listener.watch.parts.recogniser import Turns
from listener.watch.parts.recogniser_process import LoadEngine
from listener.watch.parts.sources import sources_of
from listener.watch.parts.tone import ToneSupervisor
from listener.watch.proof import without_proof
from listener.watch.publication import Publication, unacknowledged
from listener.watch.signals import Signals
from listener.watch.state import HandOver, Shown, StationView, Work

TICK_S = 0.1
_DAMAGE_TOLD_S = 3.0
_REMEMBER_S = 12 * 3600.0

log = logging.getLogger(__name__)


class Station:
    """Runs the channels of the settings. Call run() in a thread, or tick() yourself.

    folder: for journal and evidence. record: a folder for continuous recording, or None.
    source_of: makes each channel group's Source (tests and exercises put files in place of devices).
    Raises UserError when the journal cannot be kept.
    """

    def __init__(
        self, settings: Settings, folder: Path, record: Path | None = None, load: LoadEngine = load_engine,
        clock: Clock | None = None, speed: float = 1.0, rounds: int = 0,
    ) -> None:  # fmt: skip
        self.settings, self.folder, self.record = settings, folder, record
        self.clock = clock or SystemClock()
        self._now_s, self._began_s = self.clock.monotonic(), self.clock.monotonic()
        self._faults: deque[tuple[float, str]] = deque(maxlen=20)
        self._lock = threading.RLock()  # the state of the channels
        self._jumps = JumpWatch(settings.watch.supervision.clock_jump_s)
        self._damage_until_s = 0.0
        self._recording_trouble = ""
        self.page = ""  # where the watch page is served
        self._rows = Publication(folder, self.clock, self._on_journal_trouble)
        self._remembered = list(unacknowledged(folder, self.clock.unix() - _REMEMBER_S))
        text = settings.model_dump_json()
        self.fingerprint = hashlib.sha256(text.encode()).hexdigest()
        self._journal("settings", {"fingerprint": self.fingerprint, "settings": settings.model_dump(mode="json")})
        self._journal("start", {"version": __version__, "fingerprint": self.fingerprint, "pid": os.getpid()})
        for words in without_proof(settings):
            self.fault("no_proof", f"{words!r} cannot be proved: name a sound file for it in watch.proof.words")
        self.duty = Duty(folder, [channel.name for channel in settings.watch.channels], self.clock, self._journal)
        self._make_channels(load, speed, rounds)
        self._signals = Signals(settings.watch.tone)
        self.tone = ToneSupervisor(
            settings.watch.tone, [c.device for c in settings.watch.channels if c.is_card], self.fault
        )
        self._disk = DiskWork(
            folder, record, self.channels, settings.watch, self._on_clip, self._on_recording, self._on_file
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
        for name, shown in self._remembered:
            for channel in self.channels:
                if channel.name == name:
                    channel.show(shown, self._now_s)

    # -- for whoever shows it: any thread ------------------------------------------------------------------

    @property
    def journal(self) -> Journal:
        """The journal that the station writes to."""
        return self._rows.journal

    @property
    def cursor(self) -> int:
        """The id of the last row that people may see."""
        return self._rows.cursor

    def snapshot(self) -> StationView:
        """How everything is now; a tenth of a second old at most."""
        return self._view

    def strip(self, channel: int, since_unix_s: float = 0.0) -> list[Any]:
        """The last ten minutes of a channel (by number): Strip values newer than since_unix_s."""
        with self._lock:
            strip = list(self.channels[channel].strip)
        return [s for s in strip if s.unix_s > since_unix_s]

    def words_heard(self, channel: int, since_unix_s: float = 0.0) -> list[Any]:
        """Single words the recogniser heard on a channel: WordHeard values newer than since_unix_s."""
        with self._lock:
            words = list(self.channels[channel].words)
        return [w for w in words if w.unix_s > since_unix_s]

    def rows_after(self, cursor: int, wait_s: float = 0.0) -> list[Row]:
        """Journal rows that people may see, with ids above the cursor, in order.

        Waits up to wait_s for the first one. See Publication.rows_after.
        """
        return self._rows.rows_after(cursor, wait_s)

    def acknowledge(self, alert_id: int, who: str) -> bool:
        """A person has seen this alert: silences the tone and is journalled. Gives False if there is none open."""
        with self._lock:
            for channel in self.channels:
                if channel.acknowledge(alert_id, who):
                    self._journal("acknowledge", {"who": who}, channel=channel.name, about=alert_id)
                    return True
        return False

    def acknowledge_all(self, who: str) -> int:
        """Every open alert; gives how many there were."""
        open_ids = [shown.id for channel in self.snapshot().channels for shown in channel.unacknowledged]
        return sum(self.acknowledge(alert_id, who) for alert_id in open_ids)

    def acknowledge_blind(self, who: str, channels: Iterable[str] | None = None) -> int:
        """A person knows that these channels (by name; all that are, by default) are blind; gives of how many that was new.

        Their signal falls silent for this blindness, not for the next. It is journalled and changes nothing else: the
        channels stay BLIND until they are well.
        """
        with self._lock:
            wanted = [c for c in self.channels if channels is None or c.name in channels]
            news = [channel for channel in wanted if channel.blindness.acknowledge(who)]
            for channel in news:
                self._journal("acknowledge", {"who": who, "blind": True}, channel=channel.name)
        return len(news)

    def begin_work(self, channel: str, who: str, minutes: int, text: str = "") -> Work:
        """Somebody works on a channel's radio. Calls are told as ever. Raises UserError for what cannot be."""
        with self._lock:
            return self.duty.begin_work(channel, who, minutes, text)

    def end_work(self, channel: str, who: str) -> bool:
        """It is done before its time; gives False if there was none."""
        with self._lock:
            return self.duty.end_work(channel, who)

    def take_watch(self, who: str, text: str = "") -> HandOver:
        """Somebody takes the watch: journalled with what is open now. It acknowledges nothing."""
        with self._lock:
            return self.duty.take(who, text, self._look())

    def add(self, kind: str, about: int, body: dict[str, Any], channel: str | None = None) -> Row:
        """Journal what a person did about an alert: kind "note", "mark" or "step"."""
        if kind not in ("note", "mark", "step"):
            raise ValueError(f"{kind!r} is not something a person adds")
        return self._journal(kind, body, channel=channel, about=about)

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
                self.fault("clock_jump", f"the computer's clock stepped by {self._jumps.step_s:+.1f} s")
            gaps = {id(capture): capture.tick(self._now_s) for capture in self.captures}
            for channel in self.channels:
                events, missing = channel.tick(self._now_s, unix_s, gaps[id(channel.capture)])
                for gap in missing:
                    self._on_gap(channel, gap, unix_s)
                for event in events:
                    self._on_event(channel, event, unix_s)
                self._on_proof(channel, unix_s)
            self._rows.publish()
            common = self._common_reasons()
            for channel in self.channels:
                if change := channel.decide(self._now_s, unix_s, common):
                    reasons = [asdict(reason) for reason in change.reasons]
                    self._journal("state", {"state": change.state.value, "reasons": reasons}, channel=channel.name)
            self.duty.tick()
            self._signal()
            self._view = self._look()

    def _signal(self) -> None:
        """Let sound what must: calls nobody has acknowledged, and blindness that nobody has and nobody works on."""
        calls = frozenset(call for channel in self.channels for call in channel.unacknowledged)
        blind = frozenset(
            (c.number, c.blindness.count)
            for c in self.channels if c.blindness.wants_signal and not self.duty.is_worked_on(c.name)
        )  # fmt: skip
        self.tone.follow(self._signals.tick(self._now_s, calls, blind), self._now_s)
        if self._signals.held_back:
            self.fault("signal_held_back", f"signal held back: {self._signals.held_back}")

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
        self._journal("stop", {"uptime_s": round(self.clock.monotonic() - self._began_s, 1)})
        if not self._rows.close():
            log.error("not everything could be written to the journal")
        self._view = self._look()

    def _wait(self) -> None:
        links = [link for capture in self.captures for link in capture.links]
        links += [link for channel in self.channels for link in channel.recogniser.links]
        pause_s = 0.01 if self._rows.is_waiting else TICK_S
        if links:
            multiprocessing.connection.wait(links, pause_s)
        else:
            time.sleep(pause_s)

    # -- what happens ----------------------------------------------------------------------------------------

    def _on_event(self, channel: Channel, event: Event, unix_s: float) -> None:
        if isinstance(event, Fault):
            self.fault(event.what, event.detail, channel.name)
        if not isinstance(event, Alert | PartlyHeard):
            return
        ring = channel.capture.ring
        assert ring
        said_unix_s = channel.unix_of(event.end_s, unix_s)
        delay_s = channel.delay_s(event.end_s)
        body = {
            "phrase": event.phrase, "repeats": event.repeats, "start_s": round(event.start_s, 3),
            "end_s": round(event.end_s, 3), "raised_s": round(event.raised_s, 3), "delay_s": round(delay_s, 3),
            "confidence": round(event.confidence, 6), "engine": event.engine, "model": channel.recogniser.model,
            "hits": [{k: round(v, 3) for k, v in asdict(h).items() if k != "phrase"} for h in event.hits],
            "settings": self.fingerprint,
        }  # fmt: skip
        sample = round(event.end_s * ring.rate_hz)

        def show(row: Row) -> None:
            self._show(channel, Shown(
                row.id, event.kind, row.utc, said_unix_s, event.phrase, event.repeats, len(event.hits),
                event.confidence, event.start_s, event.end_s, delay_s,
            ))  # fmt: skip

        row = self._journal(event.kind, body, channel.name, sample, unix_s=said_unix_s, then=show)
        if isinstance(event, Alert):
            watch = self.settings.watch
            first = max(0, sample - round(watch.evidence_before_s * ring.rate_hz))
            after = sample + round(watch.evidence_after_s * ring.rate_hz)
            clip = Clip(row.id, channel.name, row.utc, ring, channel.column, first, after)
            self._disk.want(clip, self._now_s + watch.evidence_after_s + 5.0)

    def _show(self, channel: Channel, shown: Shown) -> None:
        channel.show(shown, self._now_s)

    def _on_gap(self, channel: Channel, gap: Gap, unix_s: float) -> None:
        body = {"seconds": round(gap.seconds, 3), "samples": gap.after - gap.first, "why": gap.why}
        self._journal("gap", body, channel=channel.name, sample=gap.first)

    def _on_proof(self, channel: Channel, unix_s: float) -> None:
        if new := channel.new_proof(unix_s, self._now_s):
            passed, detail, delay_s = new
            body = {"passed": passed, "detail": detail, "delay_s": None if delay_s is None else round(delay_s, 3)}
            model = {"engine": channel.recogniser.engine, "model": channel.recogniser.model}
            self._journal("proof", body | model, channel=channel.name)

    def _on_clip(self, clip: Clip, taken: Taken | None, detail: str) -> None:
        body = asdict(taken) if taken else {"detail": detail}
        first = taken.first_sample if taken else None
        self._journal("evidence", body, channel=clip.channel, sample=first, about=clip.about)
        if taken is None:
            self.fault("evidence", f"no clip of alert {clip.about}: {detail}", clip.channel)

    def _on_recording(self, what: str, detail: str) -> None:
        self._recording_trouble = detail if what == "recording_stopped" else ""
        self.fault(what, detail)

    def _on_file(self, channel: str, path: str) -> None:
        self._journal("recording", {"file": path}, channel=channel)

    def _on_journal_trouble(self, trouble: Trouble | None) -> None:
        if trouble is None:
            return
        if trouble.code == "damaged":
            self._damage_until_s = time.monotonic() + _DAMAGE_TOLD_S
        self._faults.append((self.clock.unix(), trouble.detail))

    def _common_reasons(self) -> list[Reason]:
        """What blinds every channel: the journal, the disk, the clock."""
        found = []
        least_mb = self.settings.watch.least_free_mb
        trouble = self.journal.trouble
        if (trouble and trouble.code == "full") or self._disk.free_mb < least_mb:
            found.append(
                Reason("disk_full", f"{self._disk.free_mb:.0f} MB left for journal and clips; calls are still told")
            )
        elif trouble:
            found.append(Reason("journal", f"{trouble.detail}; calls are still told"))
        elif self._now_s < self._damage_until_s:
            found.append(Reason("journal", "the journal was damaged and a new one was begun"))
        if self._jumps.is_worried(self._now_s):
            found.append(
                Reason("clock_jump", f"the computer's clock stepped by {self._jumps.step_s:+.1f} s: times are in doubt")
            )
        return found

    # -- journal ---------------------------------------------------------------------------------------------

    def _journal(
        self, kind: str, body: dict[str, Any], channel: str | None = None, sample: int | None = None,
        about: int | None = None, unix_s: float | None = None, then: Callable[[Row], None] = lambda row: None,
    ) -> Row:  # fmt: skip
        """Journal a row, from any thread; `then` is called by the loop when it may be shown."""
        return self._rows.append(kind, body, channel, sample, about, unix_s, then)

    def fault(self, what: str, detail: str, channel: str | None = None) -> None:
        """Something is wrong that blinds no channel: it is shown and journalled. From any thread."""
        log.warning("%s: %s", what, detail)
        self._faults.append((self.clock.unix(), f"{channel}: {detail}" if channel else detail))
        self._journal("fault", {"what": what, "detail": detail}, channel=channel)

    def _look(self) -> StationView:
        unix_s = self.clock.unix()
        recording = "" if self.record is None else (self._recording_trouble or f"recording to {self.record}")
        return StationView(
            unix_s=unix_s,
            uptime_s=self.clock.monotonic() - self._began_s,
            cursor=self.cursor,
            channels=tuple(self.duty.on(channel.view()) for channel in self.channels),
            faults=tuple(self._faults),
            journal_trouble=self.journal.trouble.detail if self.journal.trouble else "",
            tone_trouble=self.tone.trouble,
            tone_sounding=self.tone.is_sounding,
            recording=recording,
            page=self.page,
            version=__version__,
            settings_fingerprint=self.fingerprint,
            hand_over=self.duty.hand_over,
            signal=self.tone.sounding or "",
        )

