"""A few hundred wrong inputs to everything that reads something from outside; `fuzz.py` makes millions."""

import pytest

from faults.fuzz import by_hypothesis
from faults.targets import TARGETS


@pytest.mark.parametrize("name", TARGETS)
def test_wrong_input_breaks_no_promise(name: str) -> None:
    by_hypothesis(name, 300, 1)


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("name", TARGETS)
def test_much_wrong_input_breaks_no_promise(name: str) -> None:
    by_hypothesis(name, 100_000, 2)
