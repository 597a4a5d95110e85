"""The serial ports of this machine, and why one had better not be opened.  Nothing here opens a port."""

import os
import stat
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

_BY_ID = Path("/dev/serial/by-id")
_CONSOLE = Path("/sys/class/tty/console/active")
_PROCESSES = Path("/proc")
_PSEUDO_TERMINALS = range(136, 144)  # major numbers of Unix 98 slaves (kernel documentation, admin-guide/devices.txt)


@dataclass(frozen=True)
class Port:
    """A port by its device file, with a name that stays when ports are plugged in another order, where it has one."""

    device: str
    lasting: str
    description: str


def serial_ports(also: tuple[str, ...] = ()) -> list[Port]:
    """The ports that the system knows, sorted, and `also` those that were named."""
    known = {each.device: each for each in list_ports.comports()}
    reached = {os.path.realpath(device) for device in known}
    lasting = {os.path.realpath(link): str(link) for link in sorted(_BY_ID.glob("*"))}
    ports = [
        Port(device, lasting.get(os.path.realpath(device), device), _described(each.description))
        for device, each in known.items()
    ]
    ports += [Port(name, name, "named") for name in also if os.path.realpath(name) not in reached]
    return sorted(ports, key=lambda port: port.device)


def same_port(one: str, other: str) -> bool:
    """Whether both names lead to one device."""
    return os.path.realpath(one) == os.path.realpath(other)


def objection(device: str) -> str:
    """Why this port is not to be opened; empty when nothing is known against it."""
    try:
        status = os.stat(device)
    except OSError as error:
        return f"it can't be looked at: {error.strerror}"
    if not stat.S_ISCHR(status.st_mode):
        return "it is no serial port"
    if Path(os.path.realpath(device)).name in _read(_CONSOLE).split():
        return "it is the system's console"
    # What simulates a port at the other end of a pseudo-terminal holds it open itself.
    if os.major(status.st_rdev) not in _PSEUDO_TERMINALS and (user := _user(status.st_rdev)):
        return f"a program uses it: {user}"
    return ""


def _user(number: int) -> str:
    """Name and number of a process that has this device open, as far as this user may see."""
    for descriptor in _PROCESSES.glob("[0-9]*/fd/*"):
        try:
            if descriptor.stat().st_rdev == number:
                process = descriptor.parent.parent
                return f"{_read(process / 'comm').strip() or 'unknown'} (process {process.name})"
        except OSError:
            continue  # another user's, or gone
    return ""


def _read(path: Path) -> str:
    try:
        return path.read_text(errors="replace")
    except OSError:
        return ""


def _described(text: str | None) -> str:
    return "" if text in (None, "n/a") else str(text)
