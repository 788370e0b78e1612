"""An offline, advisory second listener for a spoken abort call on a radio channel.

The package hears, counts and tells people. It cannot move, switch or stop anything.

As a library: `from listener import Monitor, Settings, Block`. These are imported when they are asked for, so that
the program starts quickly.
"""

import os
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from listener.events import Alert, Block
    from listener.monitor import Monitor
    from listener.settings import Settings

# One thread for each numerical library: sound is heard in small pieces, which more threads only slow down, and several
# recognisers share one computer. Read when numpy is first loaded, hence here, before anything of ours loads it.
for _library in ("OMP", "OPENBLAS", "MKL"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")

__version__ = "0.1.0"
__all__ = ["Alert", "Block", "Monitor", "Settings"]


def __getattr__(name: str) -> Any:
    """The public names, imported at their first use (PEP 562)."""
    if name == "Monitor":
        from listener import monitor

        return monitor.Monitor
    if name == "Settings":
        from listener import settings

        return settings.Settings
    if name in ("Alert", "Block"):
        from listener import events

        return getattr(events, name)
    raise AttributeError(f"module 'listener' has no attribute {name!r}")
