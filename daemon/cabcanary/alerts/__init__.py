"""Alert states -> sounds, lamp patterns and texts."""
