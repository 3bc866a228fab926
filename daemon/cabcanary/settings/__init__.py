"""The TOML files -> validated settings; every error at once, each with its line and the likely fix."""
