"""The transports: what the daemon opens on the bench in place of converters, ports and pins."""
