"""From the crank line's edges to the wheel, crank angle over time, and each tooth as it was seen."""
