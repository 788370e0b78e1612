"""What becomes a row of the journal, in which words, and the faults that people are shown beside."""

import hashlib
import logging
import os
from collections import deque
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from listener import __version__
from listener.events import Answer, Call, Update
from listener.keep.clips import Clip, Taken
from listener.keep.journal import Journal
from listener.keep.repair import Trouble
from listener.keep.row import Row
from listener.settings import Settings
from listener.sound.inputs import Identity
from listener.sound.source import Transmission
from listener.watch.channel import Change, Channel
from listener.watch.clock import Clock
from listener.watch.parts.capture import Gap
from listener.watch.publication import Publication
from listener.watch.state import Shown

_DAMAGE_SHOWN_S = 3.0
_MOST_FAULTS = 20

log = logging.getLogger(__name__)


class Logbook:
    """Writes what the station has to say. Every method may be called from any thread.

    folder: of the journal. Its first rows are the settings and the start. fingerprint: SHA-256 of the settings, which
    every call names. faults: the newest ones, as (unix seconds, text). Raises UserError when no journal can be kept.
    """

    def __init__(self, folder: Path, settings: Settings, clock: Clock) -> None:
        self._clock = clock
        self._began_s = clock.monotonic()
        self._damage_until_s = 0.0
        self.faults: deque[tuple[float, str]] = deque(maxlen=_MOST_FAULTS)
        self.rows = Publication(folder, clock, self._on_trouble)
        self.fingerprint = hashlib.sha256(settings.model_dump_json().encode()).hexdigest()
        self.append("settings", {"fingerprint": self.fingerprint, "settings": settings.model_dump(mode="json")})
        self.append("start", {"version": __version__, "fingerprint": self.fingerprint, "pid": os.getpid()})

    @property
    def journal(self) -> Journal:
        """The journal that the rows go to."""
        return self.rows.journal

    @property
    def uptime_s(self) -> float:
        """How long it has been open."""
        return self._clock.monotonic() - self._began_s

    @property
    def was_damaged(self) -> bool:
        """The journal was damaged and begun anew within the last seconds."""
        return self._clock.monotonic() < self._damage_until_s

    def append(
        self, kind: str, body: dict[str, Any], channel: str | None = None, sample: int | None = None,
        about: int | None = None, unix_s: float | None = None, then: Callable[[Row], None] = lambda row: None,
    ) -> Row:  # fmt: skip
        """Journal a row; never waits. `then` is called by the station's loop when it may be shown."""
        return self.rows.append(kind, body, channel, sample, about, unix_s, then)

    def connected(self, channel: Channel, source: Identity) -> None:
        """What the channel's stream is connected to, as the sound server says."""
        self.append("connected", asdict(source), channel=channel.name)

    def fault(self, what: str, detail: str, channel: str | None = None) -> None:
        """Something is wrong that blinds no channel: it is shown and journalled."""
        log.warning("%s: %s", what, detail)
        self.faults.append((self._clock.unix(), f"{channel}: {detail}" if channel else detail))
        self.append("fault", {"what": what, "detail": detail}, channel)

    def call(self, channel: Channel, event: Call, unix_s: float, show: Callable[[Shown], None]) -> Row:
        """A call, or a part of one, as heard by unix_s. `show` is called when people may see it."""
        ring = channel.capture.ring
        assert ring, "what was heard came out of it"
        said_unix_s, delay_s = channel.unix_of(event.end_s, unix_s), channel.delay_s(event.end_s)
        body = {
            "phrase": event.phrase, "repeats": event.repeats, "start_s": round(event.start_s, 3),
            "end_s": round(event.end_s, 3), "raised_s": round(event.raised_s, 3), "delay_s": round(delay_s, 3),
            "confidence": round(event.confidence, 6), "engine": event.engine, "model": channel.recogniser.model,
            "chance_per_h": None if event.chance_per_h is None else round(event.chance_per_h, 4),
            "hits": [{k: round(getattr(h, k), 3) for k in ("start_s", "end_s", "score")} for h in event.hits],
            "settings": self.fingerprint,
        }  # fmt: skip

        def then(row: Row) -> None:
            show(Shown(
                row.id, event.kind, row.utc, said_unix_s, event.phrase, event.repeats, len(event.hits),
                event.confidence, event.start_s, event.end_s, delay_s, chance_per_h=event.chance_per_h,
            ))  # fmt: skip

        sample = round(event.end_s * ring.rate_hz)
        return self.append(event.kind, body, channel.name, sample, unix_s=said_unix_s, then=then)

    def update(self, channel: Channel, about: int, event: Update, unix_s: float, show: Callable[[], None]) -> None:
        """What is known about an alert of this row by unix_s. `show` is called when people may see it."""
        body = {
            "phrase": event.phrase, "start_s": round(event.start_s, 3), "raised_s": round(event.raised_s, 3),
            "position": _values(event.position), "caller": _values(event.caller),
        }  # fmt: skip
        self.append("update", body, channel.name, about=about, unix_s=unix_s, then=lambda row: show())

    def gap(self, channel: Channel, gap: Gap) -> None:
        """Sound of a channel is missing."""
        body = {"seconds": round(gap.seconds, 3), "samples": gap.after - gap.first, "why": gap.why}
        self.append("gap", body, channel.name, gap.first)

    def transmission(self, channel: Channel, said: Transmission, unix_s: float) -> None:
        """The radio says that a transmission begins or has ended, at the time of that sound."""
        ring = channel.capture.ring
        at = channel.unix_of(said.frame / ring.rate_hz, unix_s) if ring else unix_s
        body = {"by": said.what, "begins": said.begins, "detail": said.detail}
        self.append("transmission", body, channel.name, said.frame, unix_s=at)

    def state(self, channel: Channel, change: Change) -> None:
        """A channel's state, or its reasons, have changed."""
        reasons = [asdict(reason) for reason in change.reasons]
        self.append("state", {"state": change.state.value, "reasons": reasons}, channel.name)

    def proof(self, channel: Channel, passed: bool, detail: str, delay_s: float | None) -> None:
        """A proof test of a channel's recogniser has ended. delay_s: from the last word's end to the alert."""
        body = {"passed": passed, "detail": detail, "delay_s": None if delay_s is None else round(delay_s, 3)}
        body |= {"engine": channel.recogniser.engine, "model": channel.recogniser.model}
        self.append("proof", body, channel.name)

    def clip(self, clip: Clip, taken: Taken | None, detail: str) -> None:
        """The sound around an alert was kept; or not, and `detail` says why."""
        body = asdict(taken) if taken else {"detail": detail}
        first = taken.first_sample if taken else None
        self.append("evidence", body, clip.channel, first, clip.about)
        if taken is None:
            self.fault("evidence", f"no clip of alert {clip.about}: {detail}", clip.channel)

    def recording(self, channel: str, path: str) -> None:
        """A file of the continuous recording was begun."""
        self.append("recording", {"file": path}, channel)

    def close(self) -> None:
        """The last row; then everything that waits is published and written."""
        self.append("stop", {"uptime_s": round(self.uptime_s, 1)})
        if not self.rows.close():
            log.error("not everything could be written to the journal")

    def _on_trouble(self, trouble: Trouble | None) -> None:
        if trouble is None:
            return
        if trouble.code == "damaged":
            self._damage_until_s = self._clock.monotonic() + _DAMAGE_SHOWN_S
        self.faults.append((self._clock.unix(), trouble.detail))


def _values(answer: Answer | None) -> dict[str, Any] | None:
    """An answer as plain values, to the tenth of a millisecond."""
    if answer is None:
        return None
    return {key: round(value, 4) if isinstance(value, float) else value for key, value in asdict(answer).items()}
