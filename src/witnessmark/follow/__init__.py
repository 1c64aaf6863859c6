"""Follow a recording while it is made: looks now and then at what is there, the whole at the end, events kept."""
