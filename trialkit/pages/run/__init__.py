"""A trial as it was run, against what was meant and what was planned."""
