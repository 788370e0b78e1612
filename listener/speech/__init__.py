"""Speech: blocks of samples become hits, single words of the configured phrases with a score."""
