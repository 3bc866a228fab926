"""The stages of a build: shown, begun and ended, their joints confirmed, their boost raised step by step."""
