"""Rules tried on drives of the past."""
