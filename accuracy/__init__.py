"""Accuracy on simulated truth: named cases drawn from declared ranges, and the table made from them."""
