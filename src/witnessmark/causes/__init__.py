"""From findings to causes with probabilities, and to the test worth doing next."""
