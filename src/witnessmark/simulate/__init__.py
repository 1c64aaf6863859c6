"""Simulated engines, sensors, control units and faults, with their truth."""
