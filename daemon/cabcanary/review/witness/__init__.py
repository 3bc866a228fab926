"""A second witness: what a vehicle's drives say of its gauges, belt, leaks and delays, each with an interval."""
