"""Processes beside the daemon: how a helper is started, fed and ended, and what the machine is asked for."""
