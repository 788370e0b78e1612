"""Replay: recordings through the Monitor, and what `listener replay` prints of them."""
