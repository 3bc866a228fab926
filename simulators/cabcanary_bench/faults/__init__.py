"""Faults, ordinary events that look like faults, and the effects of each."""
