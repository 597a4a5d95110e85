"""A disk that fails to sync: unacknowledged points are told, nothing acknowledged is lost, writing goes on."""

import asyncio
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from luggin.daemon.store import open_store, verify
from support import unsound_disk
from support.stored_runs import same, sweep


@pytest.fixture
def failing_sync(tmp_path: Path) -> dict[str, str]:
    """The environment of a process whose syncs fail when asked to."""
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("needs a C compiler")
    library, source = tmp_path / "failing_sync.so", Path(unsound_disk.__file__).with_name("failing_sync.c")
    subprocess.run([compiler, "-shared", "-fPIC", "-o", library, source, "-ldl"], check=True)
    return {
        "LD_PRELOAD": str(library),
        "SYNC_FAILS": str(tmp_path / "always"),
        "SYNC_FAILS_ONCE": str(tmp_path / "once"),
        "PYTHONPATH": os.pathsep.join(sys.path),
    }


async def test_a_failed_sync(tmp_path: Path, failing_sync: dict[str, str]) -> None:
    path = tmp_path / "store.sqlite"
    child = await asyncio.create_subprocess_exec(
        sys.executable,
        unsound_disk.__file__,
        str(path),
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.DEVNULL,
        env={**os.environ, **failing_sync},
    )
    output, _ = await child.communicate()
    told = json.loads(output.splitlines()[-1])
    assert told["event"] == 0
    assert "could not be written" in told["put"]
    assert told["stored"] == 100
    assert told["again"] == 200
    assert len(told["refusals"]) == 2
    assert told["state"] == "fault"
    assert told["readable"] == 200
    assert told["resumed"] == 300
    assert told["state again"] == "ok"
    with open_store(path) as archive:
        (stored,) = archive.points("run-1")
        assert same(stored, sweep("run-1", 0, 300))
        assert [event.sentence for event in archive.events("run-1")] == ["written beside a batch that fails"]
        assert verify(archive, "run-1") == []
