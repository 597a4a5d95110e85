"""Logs, each kind in a process of its own since the settings are the process's."""

import json
import subprocess
import sys

import pytest

_SCRIPT = """
import io, logging, sys
from luggin.daemon import logs
import structlog

class Terminal(io.StringIO):
    def isatty(self):
        return sys.argv[1] == "terminal"

stream = Terminal()
logs.configure("info", stream)
log = structlog.get_logger("luggin.test")

def fail(password):
    raise ValueError("planned")

log.debug("too detailed")
log.info("started", node="bench")
try:
    fail("hunter2")
except ValueError:
    log.exception("a part failed")
logging.getLogger("some.library").warning("of theirs")
logging.getLogger("some.library").info("too detailed")
print(stream.getvalue())
"""


def logged(where: str) -> str:
    done = subprocess.run([sys.executable, "-c", _SCRIPT, where], capture_output=True, text=True, check=True)
    return done.stdout.strip()


def test_one_json_object_a_line_where_logs_are_collected() -> None:
    started, failed, theirs = map(json.loads, logged("collected").splitlines())
    assert (started["event"], started["level"], started["node"]) == ("started", "info", "bench")
    assert started["timestamp"].endswith("Z")
    assert failed["exception"][0]["exc_value"] == "planned"
    assert (theirs["event"], theirs["level"]) == ("of theirs", "warning")


def test_readable_on_a_terminal() -> None:
    text = logged("terminal")
    assert "started" in text
    assert "node" in text
    assert "ValueError: planned" in text
    assert "of theirs" in text


@pytest.mark.parametrize("where", ["collected", "terminal"])
def test_local_variables_stay_out_of_the_log(where: str) -> None:
    text = logged(where)
    assert "hunter2" not in text.replace('fail("hunter2")', "")
    assert "too detailed" not in text
