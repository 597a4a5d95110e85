"""Backups: complete while a daemon writes, and never there by half."""

import asyncio
import os
import resource
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from luggin.daemon.store import Store, StoreError, backup, open_store, verify
from luggin.daemon.store.backup import back_up
from support.runs import store_run
from support.simulate import LUGGIN
from support.stored_runs import header, sweep


async def stored(path: Path, points: int = 3000) -> None:
    async with Store.open(path, interval=0.01, slow_interval=0.01) as store:
        await store_run(store, "run-1", points)


def copies(folder: Path) -> list[str]:
    return sorted(each.name for each in folder.glob("copy*"))


async def test_a_backup_is_complete_while_the_store_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Between any two pages of the copy the store commits; the copy is of the moment at which it began."""
    monkeypatch.setattr(backup, "_PAGES", 1)
    path, target = tmp_path / "store.sqlite", tmp_path / "copy.sqlite"
    async with Store.open(path, interval=0.001, slow_interval=0.001) as store:
        await store_run(store, "run-1", 20_000)
        await store.begin_run(header("run-2", points=10**6))
        loop, first, looks = asyncio.get_running_loop(), 0, 0

        def commit(_: float) -> None:
            nonlocal first, looks
            looks += 1
            if looks <= 10:
                future = asyncio.run_coroutine_threadsafe(put(first), loop)
                future.result()
                first += 100

        async def put(index: int) -> None:
            await store.put(sweep("run-2", index, 100))

        await put(0)
        first = 100
        await asyncio.to_thread(back_up, path, target, commit)
        assert await store.stored_after("run-2") == first > 100
    assert copies(tmp_path) == ["copy.sqlite"]
    with open_store(target) as copy, open_store(path) as original:
        assert verify(copy, "run-1") == verify(copy, "run-2") == []
        assert copy.stored_after("run-2") == 100, "what was committed after it began is not in it"
        assert copy.result("run-1") == original.result("run-1")
    async with Store.open(target) as restored:  # and a daemon goes on with it
        assert await restored.unfinished() == ["run-2"]
        await store_run(restored, "run-3", 10)


async def test_nothing_is_overwritten(tmp_path: Path) -> None:
    path, target = tmp_path / "store.sqlite", tmp_path / "copy.sqlite"
    await stored(path, 10)
    target.write_text("something dear")
    with pytest.raises(StoreError, match="not overwritten"):
        back_up(path, target)
    assert target.read_text() == "something dear"
    with pytest.raises(StoreError, match="no store"):
        back_up(tmp_path / "none.sqlite", tmp_path / "other.sqlite")
    with pytest.raises(StoreError, match="can't be made"):
        back_up(path, tmp_path / "nowhere" / "copy.sqlite")


async def test_an_interruption_leaves_nothing_behind(tmp_path: Path) -> None:
    path, target = tmp_path / "store.sqlite", tmp_path / "copy.sqlite"
    await stored(path)

    def interrupt(_: float) -> None:
        assert (tmp_path / "copy.sqlite.part").exists()
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        back_up(path, target, interrupt)
    assert copies(tmp_path) == []
    (tmp_path / "copy.sqlite.part").write_text("left by one that was killed")
    back_up(path, target)
    assert copies(tmp_path) == ["copy.sqlite"]


async def test_a_damaged_copy_does_not_get_its_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, target = tmp_path / "store.sqlite", tmp_path / "copy.sqlite"
    await stored(path)
    check = backup._check

    def damaged(part: Path) -> None:
        with part.open("r+b") as file:
            file.seek(8192 + 100)
            file.write(os.urandom(4000))
        check(part)

    monkeypatch.setattr(backup, "_check", damaged)
    with pytest.raises(StoreError, match="the copy is damaged"):
        back_up(path, target)
    assert copies(tmp_path) == []


def _little_room() -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, resource.RLIM_INFINITY))


async def test_a_full_disk_and_a_signal_leave_nothing_behind(tmp_path: Path) -> None:
    path, target = tmp_path / "store.sqlite", tmp_path / "copy.sqlite"
    await stored(path)
    command = (*LUGGIN, "backup", str(target), "--store", str(path))
    full = await asyncio.to_thread(
        subprocess.run, command, capture_output=True, text=True, check=False, preexec_fn=_little_room
    )
    assert (full.returncode, full.stdout) == (1, "")
    assert "no room for the backup" in full.stderr
    slow = (
        "import os, signal, sys; from luggin.daemon.store import backup; from luggin.daemon.cli import main\n"
        "backup._check = lambda part: os.kill(os.getpid(), signal.SIGTERM)\n"
        f"sys.exit(main.main(['backup', {str(target)!r}, '--store', {str(path)!r}]))"
    )
    ended = await asyncio.to_thread(
        subprocess.run, (sys.executable, "-c", slow), capture_output=True, text=True, check=False
    )
    assert "ended by " + signal.SIGTERM.name in ended.stderr
    assert copies(tmp_path) == []
