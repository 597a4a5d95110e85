import asyncio
from pathlib import Path

from luggin.daemon.store import Outstanding, Store
from support.stored_runs import header, result, same, sweep

FAST = 0.01


async def publish_everything(store: Store, most: int = 100) -> list[tuple[str, str, int, int]]:
    """What a publisher does with a broker that takes everything: (run, stream, first, after) in its order."""
    sent = []

    def take(run: str, stream: str, first: int, after: int) -> None:
        sent.append((run, stream, first, after))
        store.advance(run, stream, first, after)  # type: ignore[arg-type]

    while left := await store.unpublished():
        for one in left:
            if one.header:
                take(one.run, "header", 0, 1)
            if one.events is not None:
                for event in await store.events(one.run, one.events):
                    take(one.run, "events", event.number, event.number + 1)
            if one.points is not None:
                for batch in await store.unpublished_points(one.run, most):
                    take(one.run, "points", batch.first, batch.after)
            if one.result and one.points is None:
                take(one.run, "result", 0, 1)
    return sent


async def test_everything_is_published_once_and_in_order(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        await store.begin_run(header("run-1"))
        await store.put(sweep("run-1", 0, 250))
        await store.event("run-1", None, "remark", "a remark", urgent=True)
        sent = await publish_everything(store)
        assert sent == [
            ("run-1", "header", 0, 1),
            ("run-1", "events", 0, 1),
            ("run-1", "points", 0, 100),
            ("run-1", "points", 100, 200),
            ("run-1", "points", 200, 250),
        ]
        await store.finish_run(result("run-1", 250))
        assert await publish_everything(store) == [("run-1", "result", 0, 1)]
        assert await store.unpublished() == []


async def test_what_was_published_is_known_after_a_restart(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    async with Store.open(path, interval=FAST) as store:
        await store.begin_run(header("run-1"))
        await store.put(sweep("run-1", 0, 250))
        store.advance("run-1", "header", 0, 1)
        store.advance("run-1", "points", 0, 100)
    async with Store.open(path, interval=FAST) as store:
        assert await store.unpublished() == [
            Outstanding("run-1", "bench-1", False, 100, None, False, False, 250),
        ]
        assert same((await store.unpublished_points("run-1"))[0], sweep("run-1", 100, 150))
        await store.finish_run(result("run-1", 250))
        await publish_everything(store)
    async with Store.open(path) as store:
        assert await store.unpublished() == []


async def test_a_late_filling_of_a_hole_is_published_too(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        await store.begin_run(header("run-1"))
        store.put(sweep("run-1", 0, 50))
        await store.put(sweep("run-1", 80, 20))
        await publish_everything(store)
        await store.put(sweep("run-1", 50, 10))
        late = [each for each in await publish_everything(store) if each[1] == "points"]
        assert late == [("run-1", "points", 50, 60)]


async def test_points_after_the_end_wake_a_drained_run(tmp_path: Path) -> None:
    path = tmp_path / "store.sqlite"
    async with Store.open(path, interval=FAST) as store:
        await store.begin_run(header("run-1"))
        await store.put(sweep("run-1", 0, 50))
        await store.finish_run(result("run-1", 50))
        await publish_everything(store)
    async with Store.open(path, interval=FAST) as store:
        assert await store.unpublished() == []
        await store.put(sweep("run-1", 50, 10))
        assert ("run-1", "points", 50, 60) in await publish_everything(store)


async def test_live_points_may_overtake_the_backlog(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        await store.begin_run(header("run-1"))
        await store.put(sweep("run-1", 0, 300))
        store.advance("run-1", "points", 200, 300)
        assert (await store.unpublished())[0].points == 0
        (left,) = await store.unpublished_points("run-1")
        assert (left.first, left.after) == (0, 200)


async def test_unfinished_runs_come_first(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        for number in range(4):
            await store.begin_run(header(f"run-{number}"))
            if number != 2:
                await store.finish_run(result(f"run-{number}", 0))
        assert [left.run for left in await store.unpublished(3)] == ["run-2", "run-0", "run-1"]
        assert [left.finished for left in await store.unpublished(3)] == [False, True, True]
        ahead = await store.unpublished(3, ahead={"run-3", "run-of-nobody"})
        assert [left.run for left in ahead] == ["run-2", "run-3", "run-0"]


async def test_a_publisher_sleeps_until_something_is_committed(tmp_path: Path) -> None:
    async with Store.open(tmp_path / "store.sqlite", interval=FAST) as store:
        serial = await store.changed(-1)
        waiting = asyncio.ensure_future(store.changed(serial))
        await store.begin_run(header("run-1"))
        assert await waiting == serial + 1
        assert (await store.unpublished())[0].run == "run-1"
