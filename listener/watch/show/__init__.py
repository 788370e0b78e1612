"""The watch on a terminal: a pure picture of the station's view, and the thread that draws it."""
