"""After the drive: what was recorded."""
