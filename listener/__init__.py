"""An offline, advisory second listener for a spoken abort call on a radio channel.

The package hears, counts and tells people. It cannot move, switch or stop anything.

As a library: `from listener import Monitor, Settings, Block`. These are imported when they are asked for, so that
the program starts quickly.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from listener.events import Alert, Block
    from listener.monitor import Monitor
    from listener.settings import Settings

__version__ = "0.1.0"
__all__ = ["Alert", "Block", "Monitor", "Settings"]


def __getattr__(name: str) -> Any:
    """The public names, imported at their first use (PEP 562)."""
    if name == "Monitor":
        from listener.monitor import Monitor as found
    elif name == "Settings":
        from listener.settings import Settings as found
    elif name in ("Alert", "Block"):
        from listener import events

        found = getattr(events, name)
    else:
        raise AttributeError(f"module 'listener' has no attribute {name!r}")
    return found
