"""The vehicle's physics and its driver."""
