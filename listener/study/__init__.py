"""Studies: how well detection holds up in noise. A plan goes in, measured curves with intervals come out.

The parts, in the order in which they work: plan (what is asked), bank (all speech and noise it needs),
design (which trial is which), sound and trials (one trial, a pure function), run and cluster (all of
them), results and metrics (what they say), report and compare (for people).
"""
