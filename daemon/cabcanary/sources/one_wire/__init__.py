"""Thermometers on a 1-wire bus, through the kernel."""
