"""Telling people: events become JSON lines and a console view. Displays only, nothing that acts."""
