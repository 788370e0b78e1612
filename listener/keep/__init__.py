"""What is kept: the journal and how it is read, clips of calls, and continuous recording."""
