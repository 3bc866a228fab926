"""Rules looked at through recorded drives and examples, and baselines measured on drives."""
