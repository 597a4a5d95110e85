"""A system bus of a test's own: what asks for the system bus gets this one, by the environment."""

import contextlib
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

ADDRESS = "DBUS_SYSTEM_BUS_ADDRESS"
_CONFIGURATION = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-BUS Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd"><busconfig><type>system</type>
 <listen>unix:path={0}/bus</listen><auth>EXTERNAL</auth><policy context="default"><allow user="*"/>
 <allow own="*"/><allow send_destination="*"/><allow receive_sender="*"/></policy></busconfig>"""

has_dbus = pytest.mark.skipif(shutil.which("dbus-daemon") is None, reason="dbus-daemon is missing")


@contextlib.contextmanager
def private_bus() -> Iterator[str]:
    """The address of a running bus, which is also this process's system bus meanwhile."""
    before = os.environ.get(ADDRESS)
    with tempfile.TemporaryDirectory() as folder:
        configuration = Path(folder) / "bus.conf"
        configuration.write_text(_CONFIGURATION.format(folder))
        with subprocess.Popen(
            ["dbus-daemon", "--nofork", f"--config-file={configuration}", "--print-address"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        ) as daemon:
            assert daemon.stdout is not None
            try:
                os.environ[ADDRESS] = daemon.stdout.readline().strip()
                yield os.environ[ADDRESS]
            finally:
                daemon.terminate()
                os.environ.pop(ADDRESS)
                if before is not None:
                    os.environ[ADDRESS] = before
