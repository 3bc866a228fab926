"""Drives to other programs and logs from them."""
