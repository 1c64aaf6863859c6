"""Two analyses of one engine, before and after a repair, held against each other."""
