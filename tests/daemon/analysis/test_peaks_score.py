"""Detection scored on curves whose peaks are known; the generator is in support/peak_truth.py."""

import pytest

from support.peak_truth import FAMILIES, Score, score, table

SEED = 20_240

# Family: least recall, most false peaks per curve, then the largest median errors of potential (mV), height,
# half-width and area (%), and the least share of potentials within two standard uncertainties.
BOUNDS = {
    "single bell on drift": (0.99, 0.02, 0.8, 1.5, 2, 3, 0.85),
    "weak bell (height 3-7 sd)": (0.95, 0.05, 6, 10, 13, 14, 0.8),
    "bell on curved background": (0.98, 0.02, 0.6, 4, 3, 8, 0.8),
    "1-3 stripping peaks": (0.98, 0.04, 0.8, 2, 2, 6, 0.6),
    "two, 1.2-2 half-widths apart": (0.97, 0.03, 1, 1.5, 6, 6, 0.85),
    "two, 0.95-1.2 half-widths apart": (0.95, 0.03, 7, 8, 60, 25, 0.7),
    "the same, resolved": (0.95, 0.04, 0.5, 2.5, 2, 3, 0.65),
    "reversible sweep on slope": (0.99, 0.02, 1.2, 3, 8, None, 0.65),
    "bell with 5 spikes": (0.95, 0.12, 0.6, 1.2, 1.2, 3, 0.8),
    "no peak (waves, bends, noise)": (None, 0.05, None, None, None, None, None),
}


def check(family: str, s: Score) -> None:
    recall, false, potential, height, half_width, area, coverage = BOUNDS[family]
    assert s.false_per_curve <= false
    if recall is not None:
        assert s.recall >= recall
    if coverage is not None:
        assert s.coverage >= coverage
    for name, bound in (("potential", potential), ("height", height), ("half_width", half_width), ("area", area)):
        if bound is not None:
            assert s.error(name, 50) <= bound, name


def test_every_family_has_bounds() -> None:
    assert BOUNDS.keys() == FAMILIES.keys()


@pytest.mark.parametrize("family", FAMILIES)
def test_short(family: str) -> None:
    check(family, score(SEED, 50, [family])[family])


def test_a_seed_gives_one_table() -> None:
    few = list(FAMILIES)[:2]
    assert table(score(SEED, 3, few)) == table(score(SEED, 3, few))


@pytest.mark.long
@pytest.mark.timeout(900)
@pytest.mark.parametrize("family", FAMILIES)
def test_long(family: str) -> None:
    check(family, score(SEED, 2000, [family])[family])
