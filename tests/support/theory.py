"""What tests against theory have in common: constants, and a cell with the round numbers of textbooks."""

from scipy.constants import N_A, e

F = N_A * e
T = 298.15
CELL = """
title = "One reversible couple as in theory"
source = "invented: the round numbers of textbooks"

[electrode]
shape = "plane"
area = "1 cm2"

[[couples]]
formal_potential = "0 V"
rate_constant = "1000 m/s"
oxidised = { kind = "dissolved", name = "o", concentration = "0 M", diffusion = "1e-5 cm2/s" }
reduced = { kind = "dissolved", name = "r", concentration = "1 mM", diffusion = "1e-5 cm2/s" }
"""
