"""The alert tone's process under supervision. A tone that cannot sound is told and hurts nothing else."""

import time
from collections.abc import Callable

from listener.errors import UserError
from listener.settings.watch import ToneSettings
from listener.sound.source import Lost
from listener.tell.tone import run_tone
from listener.watch.parts.process import Child
from listener.watch.signals import Signal

_AGAIN_S = 5.0


class ToneSupervisor:
    """Sounds the tone. on_fault(what, detail) is called when it cannot be."""

    def __init__(
        self, settings: ToneSettings, monitored: list[str | int | None], on_fault: Callable[[str, str], None]
    ) -> None:
        self._settings = settings
        self._monitored = monitored
        self._on_fault = on_fault
        self._child: Child | None = None
        self._start_at_s = 0.0
        self.sounding: Signal | None = None
        self.trouble = ""

    @property
    def is_sounding(self) -> bool:
        """Whether anything is meant to be sounding now."""
        return self.sounding is not None

    def follow(self, signal: Signal | None, now_s: float) -> None:
        """Let this sound from now on, until told otherwise; None is silence."""
        if self._settings.enabled and signal != self.sounding:
            self.sounding = signal
            if self._child:
                self._child.tell(signal or "silence")
        self.tick(now_s)

    def tick(self, now_s: float) -> None:
        """Look after the tone process at now_s of the steady clock: start it, start it again, say what is wrong."""
        if not self._settings.enabled:
            return
        if self._child is None:
            if now_s >= self._start_at_s:
                self._child = Child("tone", run_tone, self._settings, self._monitored)
                if self.sounding:
                    self._child.tell(self.sounding)
            return
        lost = [message for message in self._child.messages() if isinstance(message, Lost)]
        if lost or not self._child.alive:
            self._say(lost[0].reason if lost else f"tone: its process {self._child.ended}")
            self._child.kill()
            self._child = None
            self._start_at_s = now_s + _AGAIN_S

    def stop(self) -> None:
        """Silence and end the tone process, within half a second."""
        if self._child:
            self._child.stop(0.5)
            self._child = None

    def _say(self, trouble: str) -> None:
        if trouble != self.trouble:
            self.trouble = trouble
            self._on_fault("tone", trouble)


def play_once(settings: ToneSettings, monitored: list[str | int | None], seconds: float) -> None:
    """Play the tone for a test. Raises UserError when it cannot be."""
    child = Child("tone", run_tone, settings, monitored)
    try:
        child.tell("alert")
        ends_s = time.monotonic() + seconds + 1.0
        while time.monotonic() < ends_s:
            for message in child.messages():
                if isinstance(message, Lost):
                    raise UserError(message.reason)
            if not child.alive:
                raise UserError(f"tone: its process {child.ended}")
            time.sleep(0.05)
    finally:
        child.kill()
