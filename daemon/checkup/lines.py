"""Serial ports of the configuration: there, allowed, free."""

import grp
import os
from collections.abc import Iterator
from pathlib import Path

from luggin.daemon.checkup.finding import Finding, bad, good
from luggin.drivers import ports


def look(instrument: str, port: str, attended: bool) -> Iterator[Finding]:
    """`attended` says that a running daemon has this instrument, so that the port is rightly in use."""
    what, path = f"port of {instrument}", Path(port)
    if not path.exists():
        there = ", ".join(each.lasting for each in ports.serial_ports()) or "none"
        yield bad(what, f"{port} is not there.", f"plug it in and switch it on; ports here: {there}")
    elif not os.access(path, os.R_OK | os.W_OK):
        group = _group(path.stat().st_gid)
        remedy = f"sudo usermod -aG {group} USER for the daemon's user, then restart it"
        yield bad(what, f"This user may not use {port}, which belongs to the group {group}.", remedy)
    elif not attended and (objection := ports.objection(port)):
        yield bad(what, f"{port} can't be used: {objection}.", "end that program, or name the right device file")
    else:
        yield good(what, f"{port} is there, and this user may use it.")


def _group(number: int) -> str:
    try:
        return grp.getgrgid(number).gr_name
    except KeyError:
        return str(number)
