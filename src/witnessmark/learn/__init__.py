"""From the analysis of a good recording to a setup for engines of its kind."""
