"""Accuracy: simulated cases and edited real recordings with known truth, and the table made from them."""

from witnessmark.startup import set_environment

set_environment()  # as every process of the program's own
