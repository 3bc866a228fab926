"""A recording again, tick by tick."""
