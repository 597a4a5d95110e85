import gc
from pathlib import Path

import numpy as np
import psutil
import pytest

from luggin.daemon.store import Store
from luggin.protocol.points import Batch
from support.stored_runs import header, result

TOTAL, PIECE = 5_000_000, 5_000


@pytest.mark.long
@pytest.mark.timeout(600)
async def test_memory_stays_flat_over_five_million_points(tmp_path: Path) -> None:
    """Writing, then sealing, then publishing a backlog: none of them may hold more than a piece at a time."""
    noise = np.random.default_rng(5).normal(size=PIECE)
    process = psutil.Process()
    async with Store.open(tmp_path / "store.sqlite", interval=0.01) as store:
        await store.begin_run(header("run-1", points=TOTAL, columns=["time", "charge"]))
        sizes = []
        for first in range(0, TOTAL, PIECE):
            await store.put(Batch("run-1", "boot-1", first, {"time": noise, "charge": noise}))
            if first % 500_000 == 0:
                gc.collect()
                sizes.append(process.memory_info().rss)
        await store.finish_run(result("run-1", TOTAL))
        sizes.append(process.memory_info().rss)
        published = 0
        while batches := await store.unpublished_points("run-1"):
            for batch in batches:
                store.advance("run-1", "points", batch.first, batch.after)
                published += batch.count
        sizes.append(process.memory_info().rss)
        assert published == TOTAL
        assert max(sizes) - sizes[1] < 30_000_000
