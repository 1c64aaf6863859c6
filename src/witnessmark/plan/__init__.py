"""A test to be recorded -> what to pick up, how, for how long, and what it should look like; and the hookup's check."""
