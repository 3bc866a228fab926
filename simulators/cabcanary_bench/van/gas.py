"""Air as a gas: its constants, and what compressing it does to its temperature."""

from __future__ import annotations

GAMMA = 1.4
GAS_J_KG_K = 287.05
KELVIN = 273.15
CP_J_KG_K = GAMMA / (GAMMA - 1) * GAS_J_KG_K
_EXPONENT = (GAMMA - 1) / GAMMA


def compressed_k(inlet_k: float, ratio: float, efficiency: float) -> float:
    """Temperature after compression, K: T1 + T1 (ratio^((k-1)/k) - 1) / isentropic efficiency."""
    rise: float = (ratio**_EXPONENT - 1) / efficiency
    return inlet_k * (1 + rise)
