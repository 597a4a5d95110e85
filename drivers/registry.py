"""The drivers that are installed: entry points of the group `luggin.drivers`, imported when they are asked for."""

from importlib.metadata import EntryPoint, entry_points
from typing import cast

from luggin.drivers.api import Driver
from luggin.drivers.errors import SettingsError
from luggin.protocol.problem import Problem

GROUP = "luggin.drivers"


def names() -> list[str]:
    """Names of all installed drivers, sorted.  Imports none of them."""
    return sorted({entry.name for entry in entry_points(group=GROUP)})


def load(name: str) -> type[Driver]:
    """The driver class of this name.  Raises SettingsError for an unknown one and for one that can't be imported."""
    found = entry_points(group=GROUP, name=name)
    if not found:
        known = ", ".join(names()) or "none"
        raise _refused(name, "there is no such driver", f"installed are: {known}")
    origins = sorted({_origin(entry) for entry in found})
    if len(origins) > 1:
        raise _refused(name, f"{' and '.join(origins)} bring a driver of this name", "remove one of them")
    entry = next(iter(found))
    try:
        return cast(type[Driver], entry.load())
    except (ImportError, AttributeError) as error:
        reason = f"it is installed but can't be imported: {error}"
        raise _refused(name, reason, f"install {_origin(entry)} anew") from error


def _origin(entry: EntryPoint) -> str:
    return entry.dist.name if entry.dist is not None else entry.module


def _refused(name: str, reason: str, remedy: str) -> SettingsError:
    return SettingsError([Problem("driver", name, reason, remedy)])
