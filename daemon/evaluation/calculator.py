"""The child that computes, seen from the daemon: one request at a time, bounded in time, replaced when it fails."""

import asyncio
import json
import os
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import structlog

from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding

log = structlog.get_logger(__name__)

COMMAND = (sys.executable, "-P", "-m", "luggin.daemon.evaluation.child", str(os.getpid()))
WITHIN = 120.0
"""Seconds that one evaluation may take."""
KEPT = 30.0
"""Seconds that an idle child is kept: starting one takes a second or more on a small computer."""
MOST_ANSWER_BYTES = 8 * 1024 * 1024
"""Reading an answer takes the event loop's time: some 10 ms a megabyte, several times that on a small computer."""
_NOT_FOR_CHILDREN = {"NOTIFY_SOCKET", "WATCHDOG_USEC", "WATCHDOG_PID"}


class Calculator:
    """`store` is the path of the store that the child reads; `command` starts the child."""

    def __init__(
        self, store: Path, *, within: float = WITHIN, kept: float = KEPT, command: Sequence[str] = COMMAND
    ) -> None:
        self._store, self._within, self._kept, self._command = store, within, kept, command
        self._turn = asyncio.Lock()
        self._child: asyncio.subprocess.Process | None = None
        self._farewell: asyncio.TimerHandle | None = None

    @property
    def pid(self) -> int | None:
        """Of the child, while there is one."""
        return self._child.pid if self._child is not None and self._child.returncode is None else None

    async def evaluate(self, kind: str, runs: Sequence[str], settings: Mapping[str, Any]) -> Finding:
        """Compute, after what was asked for before.  Raises EvaluationError."""
        request = {"store": str(self._store), "kind": kind, "runs": list(runs), "settings": dict(settings)}
        async with self._turn:
            if self._farewell is not None:
                self._farewell.cancel()
            answer = await self._ask(json.dumps(request).encode() + b"\n")
            self._farewell = asyncio.get_running_loop().call_later(self._kept, self._part)
        if answer.get("fault"):
            log.error("an evaluation failed", kind=kind, runs=list(runs), fault=answer["fault"])
        if "sentence" in answer:
            raise EvaluationError(str(answer["sentence"]))
        return Finding(answer["body"], tuple(answer["warnings"]), answer["subject"], answer["valid_for"])

    async def close(self) -> None:
        """End the child, whatever it is doing."""
        if self._farewell is not None:
            self._farewell.cancel()
        await self._end()

    async def _ask(self, request: bytes) -> dict[str, Any]:
        done = False
        try:
            async with asyncio.timeout(self._within):
                answer = await self._exchange(request)
            done = True
            return answer
        except TimeoutError:
            words = f"it took longer than {self._within:g} s and was ended; evaluate fewer points"
        except ValueError:
            words = f"the answer is no JSON or longer than {MOST_ANSWER_BYTES} bytes; evaluate fewer points"
        except OSError as error:
            words = f"the process that computes could not be used ({error.strerror or error}); try again"
        finally:
            if not done:
                await self._end()
        raise EvaluationError(words)

    async def _exchange(self, request: bytes) -> dict[str, Any]:
        child = await self._living()
        assert child.stdin is not None
        assert child.stdout is not None
        child.stdin.write(request)
        with suppress(ConnectionError):
            await child.stdin.drain()
        line = await child.stdout.readline()
        if not line:
            code = await child.wait()
            how = f"by signal {-code}" if code < 0 else f"with exit code {code}"
            raise OSError(0, f"it ended {how}")
        answer = json.loads(line)
        if not isinstance(answer, dict):
            raise ValueError(line[:100])
        return answer

    async def _living(self) -> asyncio.subprocess.Process:
        if self.pid is None:
            self._child = await asyncio.create_subprocess_exec(
                *self._command,
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.PIPE,
                limit=MOST_ANSWER_BYTES,
                env={name: value for name, value in os.environ.items() if name not in _NOT_FOR_CHILDREN}
                | {"OPENBLAS_NUM_THREADS": "1"},
                start_new_session=True,  # Ctrl-C in a terminal is for the daemon, which ends this child
            )
        assert self._child is not None
        return self._child

    def _part(self) -> None:
        """An idle child goes by itself when nothing more can come."""
        if self._child is not None and self._child.stdin is not None:
            self._child.stdin.close()
            self._child = None

    async def _end(self) -> None:
        child, self._child = self._child, None
        if child is None:
            return
        if child.returncode is None:
            with suppress(ProcessLookupError):
                child.kill()
        await child.wait()
        if child.stdin is not None:
            child.stdin.close()
