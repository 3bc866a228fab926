"""Scenarios: what is driven, what goes wrong when, and what must be heard."""
