"""Recorded drives over simulated wires into the daemon."""
