"""A start that the store does not confirm: nothing is touched, and no run that was stored all the same stays open."""

from pathlib import Path

import pytest

from luggin.daemon.store import StoreFault
from luggin.protocol.payloads import RunHeader
from support import scripted
from support.attended import METHOD, attended


async def test_a_run_whose_beginning_was_not_confirmed_is_closed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    driver = scripted.Instrument()
    async with attended(tmp_path, driver) as bench:
        begin = bench.store.begin_run

        async def reaches_the_disk_and_fails(header: RunHeader) -> None:
            await begin(header)
            raise StoreFault("the disk failed to sync")

        monkeypatch.setattr(bench.store, "begin_run", reaches_the_disk_and_fails)
        state = await bench.ready()
        reply = await bench.order("start", token=state.token, method=METHOD)
        assert not reply.accepted
        assert "failed to sync" in reply.sentence
        assert "arm" not in driver.calls
        (run,) = await bench.store.runs()
        while (result := await bench.store.result(run.run)) is None:
            await bench.store.changed(bench.store.serial)
        assert (result.state, result.outcome, result.points) == ("Aborted", "not-begun", 0)
        assert await bench.store.unfinished() == []
        monkeypatch.undo()
        assert await bench.start()


async def test_a_run_that_the_store_never_had_needs_no_closing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with attended(tmp_path) as bench:

        async def fails(header: RunHeader) -> None:
            raise StoreFault("the disk failed to sync")

        monkeypatch.setattr(bench.store, "begin_run", fails)
        state = await bench.ready()
        assert not (await bench.order("start", token=state.token, method=METHOD)).accepted
        assert await bench.store.runs() == []
