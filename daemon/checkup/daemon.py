"""The daemon that runs on this machine, if one does."""

from collections.abc import Mapping
from importlib.metadata import version
from typing import Any

from luggin.daemon.checkup.finding import Finding, good, remark

_WHAT = "daemon"


def look(node: Mapping[str, Any] | None) -> Finding:
    """`node` is what the daemon says of itself, None when nobody answers."""
    installed = version("luggin")
    if node is None:
        return remark(_WHAT, "No daemon of this name runs here.", "`luggin serve`, or `systemctl start luggin`")
    if node["software"] != installed:
        sentence = f"It runs luggin {node['software']}, installed is {installed}."
        return remark(_WHAT, sentence, "restart it once no run is on, or `luggin shutdown --leave-runs` and start it")
    return good(_WHAT, f"luggin {installed} runs as {node['node']}.")
