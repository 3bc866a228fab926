"""The running daemon: opens the sources, supervises, ticks, and answers what people ask of it."""
