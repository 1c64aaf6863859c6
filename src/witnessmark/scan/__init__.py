"""Trouble codes, readiness and live data of the control units: from frames or answers to findings."""
