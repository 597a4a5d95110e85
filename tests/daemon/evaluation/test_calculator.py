"""The child that computes: used, warm, broken, killed and hanging; real processes."""

import asyncio
import os
import signal
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import psutil
import pytest
from structlog.testing import capture_logs

from luggin.daemon.evaluation.calculator import MOST_ANSWER_BYTES, Calculator
from luggin.daemon.evaluation.child import NICENESS
from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.store import Store
from support.voltammograms import pulse_columns, store_voltammogram

ANSWER = '{"body": {"pid": %d}, "warnings": [], "subject": "node", "valid_for": null}'


@pytest.fixture
async def store(tmp_path: Path) -> AsyncIterator[Store]:
    async with Store.open(tmp_path / "store.sqlite", interval=0.01, slow_interval=0.01) as store:
        await store_voltammogram(store, "run-1", "square-wave-voltammetry", pulse_columns())
        yield store


def scripted(script: str, path: Path = Path("unused"), **more: Any) -> Calculator:
    return Calculator(path, command=(sys.executable, "-c", script), **more)


async def refusal(calculator: Calculator) -> str:
    with pytest.raises(EvaluationError) as caught:
        await calculator.evaluate("peaks", ["run-1"], {})
    return str(caught.value)


async def test_a_run_is_evaluated_by_a_patient_child_that_stays_for_a_while(store: Store) -> None:
    calculator = Calculator(store.path)
    found = await calculator.evaluate("peaks", ["run-1"], {"kind": "peaks"})
    assert found.subject == "run/run-1"
    assert len(found.body["sweeps"][0]["peaks"]) == 1
    first = calculator.pid
    assert first is not None
    assert psutil.Process(first).nice() == min(19, os.nice(0) + NICENESS)
    assert psutil.Process(first).environ()["OPENBLAS_NUM_THREADS"] == "1"
    with pytest.raises(EvaluationError, match="no run run-9 is stored"):
        await calculator.evaluate("peaks", ["run-9"], {"kind": "peaks"})
    with pytest.raises(EvaluationError, match="significance = 1"):
        await calculator.evaluate("peaks", ["run-1"], {"significance": 1})
    assert calculator.pid == first
    await calculator.close()
    assert not psutil.pid_exists(first)


async def test_an_idle_child_goes() -> None:
    calculator = scripted(f"for _ in open(0): print('{ANSWER}' % 0, flush=True)", kept=0.0)
    await calculator.evaluate("peaks", ["run-1"], {})
    child = calculator._child
    assert child is not None
    assert await child.wait() == 0
    assert calculator.pid is None
    await calculator.evaluate("peaks", ["run-1"], {})
    await calculator.close()


async def test_one_at_a_time_by_the_same_child() -> None:
    script = f"import os\nfor line in open(0): print('{ANSWER}' % os.getpid(), flush=True)"
    calculator = scripted(script)
    found = await asyncio.gather(*(calculator.evaluate("peaks", ["run-1"], {}) for _ in range(5)))
    assert len({each.body["pid"] for each in found}) == 1
    await calculator.close()


async def test_a_child_killed_in_mid_work_is_a_sentence_and_the_next_one_works(tmp_path: Path) -> None:
    fifo = tmp_path / "begun"
    os.mkfifo(fifo)
    script = f"""
import os, time
for line in open(0):
    if b"first" in line.encode():
        open({str(fifo)!r}, "w").write("x")
        time.sleep(1000)
    print('{ANSWER}' % os.getpid(), flush=True)
"""
    calculator = scripted(script)
    task = asyncio.create_task(calculator.evaluate("peaks", ["first"], {}))
    await asyncio.to_thread(fifo.read_text)
    assert calculator.pid is not None
    os.kill(calculator.pid, signal.SIGKILL)
    with pytest.raises(EvaluationError, match=r"could not be used \(it ended by signal 9\); try again"):
        await task
    assert (await calculator.evaluate("peaks", ["second"], {})).subject == "node"
    await calculator.close()


async def test_a_child_that_hangs_is_ended() -> None:
    calculator = scripted("import time\nfor line in open(0): time.sleep(1000)", within=0.5)
    assert await refusal(calculator) == "it took longer than 0.5 s and was ended; evaluate fewer points"
    assert calculator.pid is None
    await calculator.close()


@pytest.mark.parametrize(
    ("script", "sentence"),
    [
        ("raise SystemExit(3)", "it ended with exit code 3"),
        ("print('Segmentation fault')", "the answer is no JSON"),
        ("print([1])", "the answer is no JSON"),
        (f"print('x' * {MOST_ANSWER_BYTES + 100_000})", "longer than 8388608 bytes"),
    ],
)
async def test_nonsense_is_a_sentence(script: str, sentence: str) -> None:
    calculator = scripted(script)
    assert sentence in await refusal(calculator)
    assert calculator.pid is None
    await calculator.close()


async def test_a_child_that_cannot_start_is_a_sentence() -> None:
    calculator = Calculator(Path("unused"), command=("/nowhere/python",))
    assert "No such file or directory" in await refusal(calculator)
    await calculator.close()


async def test_a_mistake_of_this_program_goes_to_the_log() -> None:
    script = (
        """for _ in open(0): print('{"sentence": "an unforeseen KeyError", "fault": "Traceback of it"}', flush=True)"""
    )
    calculator = scripted(script)
    with capture_logs() as logs:
        assert await refusal(calculator) == "an unforeseen KeyError"
    assert [entry["fault"] for entry in logs] == ["Traceback of it"]
    await calculator.close()


async def test_giving_up_on_an_answer_ends_the_child(tmp_path: Path) -> None:
    fifo = tmp_path / "begun"
    os.mkfifo(fifo)
    calculator = scripted(f"import time\nopen({str(fifo)!r}, 'w').write('x')\ntime.sleep(1000)")
    task = asyncio.create_task(calculator.evaluate("peaks", ["run-1"], {}))
    await asyncio.to_thread(fifo.read_text)
    pid = calculator.pid
    assert pid is not None
    task.cancel()
    await asyncio.wait({task})
    assert not psutil.pid_exists(pid)
    await calculator.close()
