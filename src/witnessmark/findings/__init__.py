"""From all measurements to findings: what is odd, with numbers, ranges and what it repeats with."""
