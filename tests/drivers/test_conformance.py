"""The bundled simulator over every line passes the checks that every driver passes."""

import asyncio
from pathlib import Path

import pytest

from luggin.drivers.conformance import CHECKS, Check, ContractBroken, DoesNotApply, carry_out
from support.lines import LINES, simulated_over


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
async def test_conformance(check: Check, tmp_path: Path) -> None:
    """On all lines at once, to save time."""
    async with asyncio.TaskGroup() as group:
        checking = [group.create_task(_checked(check, name, tmp_path), name=name) for name in LINES]
    if reasons := {reason for each in checking if (reason := each.result())}:
        pytest.skip("; ".join(reasons))


async def _checked(check: Check, line: str, folder: Path) -> str:
    """Why there was nothing to check, if that was so."""
    async with simulated_over(line, folder, cell="dummy-resistor", speed=4.0) as driver:
        try:
            await carry_out(check, lambda: driver.open(5.0))
        except ContractBroken as broken:
            broken.add_note(f"over {line}")
            raise
        except DoesNotApply as reason:
            return str(reason)
    return ""
