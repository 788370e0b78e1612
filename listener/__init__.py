"""An offline, advisory second listener for a spoken abort call on a radio channel.

The package hears, counts and tells people. It cannot move, switch or stop anything.
"""

__version__ = "0.1.0"
