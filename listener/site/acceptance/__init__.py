"""The acceptance of one line at this site: normal traffic, calls by people who are named, and one report."""
