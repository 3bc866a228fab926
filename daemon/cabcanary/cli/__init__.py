"""The command line: one file for each group of commands, and what they share."""
