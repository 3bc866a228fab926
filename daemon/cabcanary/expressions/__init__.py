"""Conditions and formulas: one small grammar with units, its tree, and how it is evaluated. No Python evaluation."""
