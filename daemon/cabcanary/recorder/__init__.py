"""Every drive on disk, whatever happens to the power; nothing here is waited for by a warning."""
