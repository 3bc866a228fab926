"""Blends of gasoline and ethanol: how much air they want."""

from __future__ import annotations

#: Stoichiometric air-fuel ratios by mass (Heywood, ch. 3, by composition: CH1.87 and C2H6O) and densities, kg/L.
GASOLINE_RATIO, ETHANOL_RATIO = 14.600, 9.003
_GASOLINE_KG_L, _ETHANOL_KG_L = 0.745, 0.789


def stoichiometric_ratio(ethanol: float) -> float:
    """Air-fuel ratio by mass of a blend with this share of ethanol by volume, 0 to 1: air and mass both add."""
    mass = ethanol * _ETHANOL_KG_L
    share = mass / (mass + (1 - ethanol) * _GASOLINE_KG_L)
    return ETHANOL_RATIO * share + GASOLINE_RATIO * (1 - share)


def stoichiometric_share(ethanol: float) -> float:
    """The blend's ratio against gasoline's: what lambda is divided by, in a tune for gasoline."""
    return stoichiometric_ratio(ethanol) / GASOLINE_RATIO
