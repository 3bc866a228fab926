"""The monitor's own computer as a source."""
