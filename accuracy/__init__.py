"""Accuracy: simulated cases and edited real recordings with known truth, and the table made from them."""
