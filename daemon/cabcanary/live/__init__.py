"""The running daemon, looked at from beside it: asks its feed, judges the answer, writes it for a person."""
