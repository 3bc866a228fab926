"""Data files of the bench: the speed trace and the van's parameters."""
