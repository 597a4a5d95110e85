"""Computes in a process of its own, at low priority; it ends with its daemon.

python -m luggin.daemon.evaluation.child PARENT_PID

Reads one request a line from stdin and writes one answer a line to stdout, both JSON, until stdin ends.

    {"store": PATH, "kind": KIND, "runs": [RUN, ...], "settings": {...}}
    {"body": {...}, "warnings": [...], "subject": SUBJECT, "valid_for": SECONDS or null}      or
    {"sentence": why not, "fault": traceback of a mistake in this program or null}

Points go no way through pipes: the store is read, by its path, beside the daemon that writes it.
"""

import ctypes
import json
import os
import signal
import sys
import traceback
from contextlib import suppress
from pathlib import Path
from typing import Any

from luggin.daemon.broker_child import PR_SET_PDEATHSIG

NICENESS = 15


def main(parent: int) -> None:
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:  # it died before the kernel was asked
        return
    os.nice(NICENESS)
    with suppress(OSError):  # when memory runs out it is this process that goes, not the daemon
        Path("/proc/self/oom_score_adj").write_text("1000")
    # What a library prints must not come between the answers.
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    for line in sys.stdin:
        answers.write(json.dumps(_answer(json.loads(line)), allow_nan=False, separators=(",", ":")) + "\n")
        answers.flush()


def _answer(request: dict[str, Any]) -> dict[str, Any]:
    from luggin.daemon.evaluation.errors import EvaluationError
    from luggin.daemon.evaluation.functions import evaluate
    from luggin.daemon.evaluation.run_data import load_runs
    from luggin.daemon.store import StoreError, open_store
    from luggin.daemon.store.chain import plain
    from luggin.protocol.problem import DocumentError

    try:
        with open_store(request["store"]) as archive:
            found = evaluate(request["kind"], load_runs(archive, request["runs"]), request["settings"])
        return {
            "body": plain(found.body),
            "warnings": list(found.warnings),
            "subject": found.subject,
            "valid_for": found.valid_for,
        }
    except (EvaluationError, StoreError, DocumentError) as error:
        return {"sentence": str(error), "fault": None}
    except Exception as error:
        sentence = f"an unforeseen {type(error).__name__} came up while computing; the daemon's log has the details"
        return {"sentence": sentence, "fault": traceback.format_exc()}


if __name__ == "__main__":
    main(int(sys.argv[1]))
