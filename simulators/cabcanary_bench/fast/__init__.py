"""Drives without wires: readings as arrays."""
