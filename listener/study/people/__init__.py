"""People in a study: they hear the machines' sounds in a browser, and become rows of an engine called "people"."""
