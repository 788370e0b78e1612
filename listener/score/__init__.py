"""What was right and what was wrong, with one meaning of each: labels, matching, intervals, measures, curves."""
