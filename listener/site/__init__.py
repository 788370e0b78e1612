"""Making it this site's own: installation, phrase, voices, acceptance."""
