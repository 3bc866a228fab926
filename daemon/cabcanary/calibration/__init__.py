"""`cabcanary calibrate`: a channel against a reference; points -> a curve, what is left, how far it can be trusted."""
