"""Switches and buttons on the pins of this computer."""
