"""Scenarios: the drive, its faults, and the alerts that must be heard."""
