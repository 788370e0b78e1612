"""The parts of a watch that run in processes and threads of their own, and what supervises each."""
