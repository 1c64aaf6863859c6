"""Several recordings of one case -> counts, bounds and balance over all of them, each still traceable."""
