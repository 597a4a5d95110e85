"""Everything that is looked at, in the order in which one thing needs the other."""

from collections.abc import Mapping
from typing import Any

from luggin.daemon.checkup import broker, daemon, instruments, lines, machine, storage
from luggin.daemon.checkup.finding import Finding
from luggin.daemon.config import Config


async def check_up(config: Config, status: Mapping[str, Any] | None) -> list[Finding]:
    """`status` is the answer of a running daemon to that question, None when none answers."""
    found = [*machine.look(), *storage.look(config.store.path)]
    found.append(daemon.look(None if status is None else status["node"]))
    trouble = None if status is None else status["broker"]
    found += [each async for each in broker.look(config.broker, config.node.name, trouble)]
    board = {} if status is None else status["board"]
    for name, (driver, _) in config.instruments.items():
        port = getattr(driver, "port", None)
        usable = True
        if isinstance(port, str):
            looked_at = list(lines.look(name, port, attended=status is not None))
            usable = all(each.grade != "bad" for each in looked_at)
            found += looked_at
        if status is not None:
            found.append(instruments.told(name, board.get(f"luggin/{config.node.name}/{name}/state")))
        elif usable:
            found.append(await instruments.ask(name, driver))
    return found
