"""An offline, advisory second listener for a spoken abort call on a radio channel.

The package hears, counts and tells people. It cannot move, switch or stop anything.
"""

import os

# One thread for each numerical library: sound is heard in small pieces, which more threads only slow down, and several
# recognisers share one computer. Read when numpy is first loaded, hence here, before anything of ours loads it.
for _library in ("OMP", "OPENBLAS", "MKL"):
    os.environ.setdefault(f"{_library}_NUM_THREADS", "1")

__version__ = "0.1.0"
