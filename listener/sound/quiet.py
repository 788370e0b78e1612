"""Keeps what a C library prints by itself off the terminal."""

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager

_one_at_a_time = threading.Lock()


@contextmanager
def decoder_kept_quiet() -> Iterator[None]:
    """Nothing reaches file descriptor 2 meanwhile. For single calls into a decoder, a few milliseconds each.

    The MP3 decoder inside libsndfile writes its remarks straight to the terminal, and has no switch for it. What
    is really wrong with a file it also returns, and that is told as always: no message of ours is written in here.
    """
    with _one_at_a_time:
        sys.stderr.flush()
        try:
            kept = os.dup(2)
        except OSError:  # there is no standard error: nothing to keep quiet
            yield
            return
        nowhere = os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, 2)
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)
            os.close(nowhere)
