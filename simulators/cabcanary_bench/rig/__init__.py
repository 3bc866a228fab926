"""The van on real transports with the installed daemon beside it: driven, followed, graded."""
