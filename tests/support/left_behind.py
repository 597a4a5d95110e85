"""A store and an instrument as a daemon leaves them behind that was killed during a run."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from luggin.daemon.store import Store
from luggin.protocol.instrument import Activity, Cell
from luggin.protocol.points import batch
from support.method_header import header
from support.scripted import Instrument

RUN = "20261125-104512-left-3f9c"


async def left_behind(path: Path, *events: tuple[str, Mapping[str, Any]], points: int = 10, **made: Any) -> None:
    """A store as a daemon leaves it that was killed during a run."""
    async with Store.open(path / "store.sqlite", interval=0.01, slow_interval=0.01) as store:
        await store.begin_run(header(RUN, **made))
        index = np.arange(points)
        columns = {
            "time": (index + 1) * 0.1,
            "phase": index * 0,
            "cycle": index * 0 + 1,
            "potential": index * 0.0,
            "current": np.full(points, 1e-3),
        }
        if points:
            await store.put(batch(RUN, "boot-1", 0, columns))
        for kind, data in events:
            await store.event(RUN, "left", kind, kind, data)


def executing(points: int, **changes: Any) -> Instrument:
    """An instrument that went on executing the run while no daemon was there."""
    driver = Instrument()
    driver.state = replace(
        driver.state, **{"activity": Activity.RUNNING, "cell": Cell.ON, "run": RUN, "silence": 3.0, **changes}
    )
    driver.measure(points)
    return driver


EXECUTE = ("state", {"from": "Starting", "to": "Execute"})
