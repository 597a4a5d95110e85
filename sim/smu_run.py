"""`luggin simulate --model smu`."""

import argparse
import asyncio
from collections.abc import Callable
from pathlib import Path
from random import Random

from luggin.drivers.errors import SettingsError
from luggin.protocol.problem import Problem
from luggin.sim.cell.load import load_cell
from luggin.sim.serve import PtyLine, TcpLine
from luggin.sim.smu import Quirks, SourceMeasureUnit
from luggin.sim.smu_serve import serve_smu

_FOREIGN: dict[str, object] = {
    "speed": 1.0,
    "battery": 1.0,
    "buffer": None,
    "points_log": None,
    "fault": [],
    "control": False,
    "ble": None,
}
"""Options that mean nothing here, with their defaults."""


def run_smu(args: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Raises SettingsError for options that only other models have."""
    reason, remedy = "a source-measure unit has nothing of that kind", "leave it out, or choose another model"
    given = {
        name.replace("_", "-"): getattr(args, name) for name, usual in _FOREIGN.items() if getattr(args, name) != usual
    }
    if given:
        raise SettingsError([Problem(name, str(value), reason, remedy) for name, value in given.items()])
    quirks, cell = Quirks.parse(args.quirk), load_cell(args.cell, seed=args.seed)
    line = TcpLine(args.tcp, hello=False) if args.tcp is not None else PtyLine(Path(args.pty) if args.pty else None)

    async def live() -> None:
        noise = None if args.ideal else Random(args.seed)
        await serve_smu(SourceMeasureUnit(cell, asyncio.get_running_loop().time(), quirks, noise), line, say)

    asyncio.run(live())
    return 0
