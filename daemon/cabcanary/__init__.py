"""cabcanary: an in-cab monitor for an engine that is getting boost, a stage at a time."""

__version__ = "0.2.0.dev0"
