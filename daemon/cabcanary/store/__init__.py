"""File formats: the journal of a running drive, the archive of finished ones, and their manifests."""
