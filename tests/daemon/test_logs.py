"""Logs, each kind in a process of its own since the settings are the process's."""

import json
import subprocess
import sys

import pytest

from luggin.daemon.repeats import MOST, WITHIN, Repeats

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
logging.getLogger("another.logger").warning("of theirs")
logging.getLogger("another.logger").info("too detailed")
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


def test_what_repeats_itself_is_left_out_and_counted() -> None:
    now = 0.0
    counted = Repeats(lambda: now)
    assert [counted.take("not connected") for _ in range(MOST + 30)] == [0] * MOST + [None] * 30
    assert counted.take("something else") == 0
    now = WITHIN
    assert [counted.take("not connected") for _ in range(2)] == [30, 0]


def test_kinds_without_end_take_no_room() -> None:
    counted = Repeats(lambda: 0.0)
    for number in range(5000):
        assert counted.take(f"kind {number}") == 0
    assert len(counted._kinds) <= 1000


_WEEKS = """
import io, logging
from luggin.daemon import logs
import structlog

stream = io.StringIO()
logs.configure("info", stream)
log = structlog.get_logger("luggin.test")
for number in range(1000):
    log.warning("not connected", instrument="left", reason=f"attempt {number}")
    log.warning("not connected", instrument="right", reason="no such port")
    logging.getLogger("another.logger").warning("attempt %d", number)
print(stream.getvalue())
"""


def test_weeks_of_the_same_warning_stay_small() -> None:
    done = subprocess.run([sys.executable, "-c", _WEEKS], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    lines = [json.loads(line) for line in done.stdout.strip().splitlines()]
    assert len(lines) == 3 * MOST
    assert {each.get("instrument") for each in lines} == {"left", "right", None}
