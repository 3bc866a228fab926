"""The bench van: simulated sensors on real transports, so that the same daemon runs without a vehicle."""
