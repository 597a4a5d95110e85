"""Faraday's law and the constants behind it (CODATA, as scipy has them)."""

from scipy import constants

from luggin.daemon.analysis.arrays import positive

FARADAY = float(constants.physical_constants["Faraday constant"][0])
"""Charge of a mole of electrons, C/mol."""
GAS_CONSTANT = float(constants.R)
"""J/(mol K)."""


def thermal_voltage(temperature: float) -> float:
    """RT/F in V at a temperature in K: 25.69 mV at 298.15 K."""
    return GAS_CONSTANT * positive("temperature", temperature) / FARADAY


def amount(charge: float, electrons: float) -> float:
    """Faraday's law: amount converted in mol, |Q| / (n F), for a charge in C."""
    return abs(charge) / (positive("electrons", electrons) * FARADAY)


def deposited_mass(charge: float, electrons: float, molar_mass: float) -> float:
    """Faraday's law: mass converted in kg, for a molar mass in kg/mol."""
    return amount(charge, electrons) * positive("molar_mass", molar_mass)
