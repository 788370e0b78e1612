"""Drills: a recorded exercise goes in, a debrief that the crew can look at together comes out.

script  the drill file: what was recorded, called and done     labels  label tracks in open formats
hear    the recordings through the Monitor                     quality what the channel let through
match   calls and alerts, one to one                           score   found, missed, false, delays
record  several drills together, with intervals                debrief the page; charts draws it
draft   a first drill file from a recording                    make    new exercises from voices and noise
"""
