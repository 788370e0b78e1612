"""Running under a service manager: readiness, status and watchdog by the sd_notify protocol.

A datagram to the socket that NOTIFY_SOCKET names (systemd, sd_notify(3)); without it nothing happens.
"""

import os
import socket


class Notifier:
    """Tells the service manager how we are. watchdog_s: how often it wants to hear from us, 0 if never."""

    def __init__(self) -> None:
        address = os.environ.pop("NOTIFY_SOCKET", "")
        usec = os.environ.pop("WATCHDOG_USEC", "")
        mine = os.environ.pop("WATCHDOG_PID", "") in ("", str(os.getpid()))
        self.watchdog_s = int(usec) / 1e6 if usec.isdecimal() and mine else 0.0
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._last_s = -1e9

    def ready(self, status: str) -> None:
        """Tell the service manager that the station listens (READY=1)."""
        self._send(f"READY=1\nSTATUS={status}")

    def alive(self, now_s: float, status: str) -> None:
        """The main loop goes round: at most twice per watchdog time, at least every five seconds a status."""
        every_s = self.watchdog_s / 3 if self.watchdog_s else 5.0
        if now_s - self._last_s >= every_s:
            self._last_s = now_s
            self._send(f"WATCHDOG=1\nSTATUS={status}")

    def stopping(self) -> None:
        """Tell the service manager that this end is meant (STOPPING=1)."""
        self._send("STOPPING=1")

    def _send(self, text: str) -> None:
        if not self._address:
            return
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
                out.setblocking(False)
                out.sendto(text.encode(), self._address)
        except OSError:
            pass  # a service manager that does not listen must not hurt listening
