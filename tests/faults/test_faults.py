"""Each kind of fault once: no acknowledged point lost, none doubled, the cell off or said to be unknown, nothing
energised by a stale message.  `run.py` draws as many as one likes."""

from pathlib import Path

import pytest

from faults import town
from faults.account import Account
from faults.kinds import KINDS
from faults.play import play
from faults.scenario import scenario
from support.road import has_mosquitto

QUICK = (
    "linear-sweep-voltammetry",
    "chronoamperometry",
    "current-step-chronopotentiometry",
    "differential-pulse-voltammetry",
    "uncompensated-resistance",
)
"""One technique of each family, and quickly simulated."""


def in_order(account: Account) -> None:
    assert account.wrong == [], f"{account.kind}, seed {account.seed}"
    assert account.lost == account.doubled == 0
    assert account.received == account.stored


@pytest.mark.parametrize("kind", KINDS)
def test_whatever_goes_wrong(kind: str, tmp_path: Path) -> None:
    number = list(KINDS).index(kind)
    account = play(scenario(1000 + number, [kind], [QUICK[number % len(QUICK)]]), tmp_path)
    in_order(account)
    assert account.outcomes


@pytest.mark.long
@pytest.mark.timeout(1800)
def test_a_hundred_at_random(tmp_path: Path) -> None:
    for seed in range(100):
        in_order(play(scenario(seed), tmp_path))


@has_mosquitto
@pytest.mark.long
@pytest.mark.timeout(300)
@pytest.mark.parametrize("kind", town.KINDS)
async def test_among_processes(kind: str, tmp_path: Path) -> None:
    in_order(await town.play(town.KINDS[kind], 3, tmp_path, "cyclic-voltammetry"))


def test_a_scenario_is_a_function_of_its_seed() -> None:
    one, again, other = scenario(5), scenario(5), scenario(6)
    assert one == again
    assert (one.kind, one.method) != (other.kind, other.method)
