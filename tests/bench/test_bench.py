"""The measurements run; what they measure is not judged here."""

import asyncio
import json
import math
import sys
from pathlib import Path

import pytest

from support.road import has_mosquitto


@has_mosquitto
@pytest.mark.long
async def test_one_command_measures_everything(tmp_path: Path) -> None:
    process = await asyncio.create_subprocess_exec(
        sys.executable, str(Path(__file__).parent), "--quick", "-o", str(tmp_path / "bench.json"),
        stdout=asyncio.subprocess.DEVNULL,
    )  # fmt: skip
    assert await process.wait() == 0
    results = json.loads((tmp_path / "bench.json").read_text())["results"]
    rows = [row for each in results.values() for row in each["rows"]]
    assert all(each["rows"] for each in results.values())
    assert all(math.isfinite(row["value"]) for row in rows)
    assert {row["what"] for row in rows} >= {"serial line to subscriber", "over-limit batch to cell-off, p99", "growth"}
