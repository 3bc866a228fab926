"""The recorded drives: found, listed, and opened as columns."""
