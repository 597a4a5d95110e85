"""Which broker and which daemon a command talks to."""

import argparse
import os
from collections.abc import AsyncIterator, Callable, Coroutine, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

if TYPE_CHECKING:
    from luggin.daemon.endpoint import Endpoint
    from luggin.daemon.mqtt.remote import Remote
    from luggin.protocol.payloads import NodeStatus, Reply

Result = TypeVar("Result")


def add_broker_arguments(parser: argparse.ArgumentParser) -> None:
    group = parser.add_argument_group("which daemon (default: the one that runs on this machine)")
    group.add_argument("--node", metavar="NAME", help="name of the daemon")
    group.add_argument("--broker", metavar="URL", help="mqtt://user@host:port or mqtts://...")
    group.add_argument("--password-file", metavar="FILE", help="file with the user's password")
    group.add_argument("--ca-file", metavar="FILE", help="certificate of the authority that signed the broker's")
    group.add_argument("--certificate-file", metavar="FILE", help="our certificate, for a broker that asks for one")
    group.add_argument("--key-file", metavar="FILE", help="its key")


def find_endpoint(args: argparse.Namespace) -> "tuple[Endpoint, str | None]":
    """The broker and, where it is known, the node's name.  Raises CliError when there is nothing to talk to."""
    from luggin.daemon.config import BrokerSettings
    from luggin.protocol.problem import from_validation

    url = args.broker or os.environ.get("LUGGIN_BROKER")
    if url is None:
        return _on_this_machine(args.node)
    from pydantic import ValidationError

    fields = {name: getattr(args, name) for name in ("password_file", "ca_file", "certificate_file", "key_file")}
    fields["url"] = url
    try:
        settings = BrokerSettings.model_validate(
            {k: v for k, v in fields.items() if v}, context={"directory": Path.cwd()}
        )
        return settings.endpoint(), args.node
    except ValidationError as error:
        # Without values: an address may hold a password.
        words = "; ".join(problem.reason for problem in from_validation(error))
        raise CliError(f"--broker can't be used: {words}", exits.USAGE) from None


def _on_this_machine(node: str | None) -> "tuple[Endpoint, str | None]":
    from luggin.daemon import config, endpoint, places
    from luggin.protocol.problem import DocumentError

    found: dict[str, Path] = {}
    for directory in reversed(places.runtime_directories()):
        found |= {path.name.removesuffix(".broker.json"): path for path in directory.glob("*.broker.json")}
    if node in found or (node is None and len(found) == 1):
        name, path = (node, found[node]) if node is not None else next(iter(found.items()))
        return endpoint.read(path), name
    if node is None and len(found) > 1:
        raise CliError(f"several daemons run here ({', '.join(sorted(found))}); name one with --node", exits.USAGE)
    if node is not None and (shared := [each for each in map(endpoint.read, found.values()) if each.shared]):
        return shared[0], node  # it runs elsewhere, at the broker of one that runs here
    try:
        settings = config.load(config.find())
    except (DocumentError, OSError):
        settings = None
    if settings is None or settings.broker is None:
        named = f" named {node}" if node else ""
        closed = places.closed_to_us()
        raise CliError(
            f"no running daemon{named} was found on this machine; start one with `luggin serve`, or name a broker"
            f" with --broker{_of_another(closed) if closed else ''}",
            exits.NOT_REACHABLE,
        )
    found_here = settings.broker.endpoint()
    if found_here.user and not found_here.password and not found_here.certificate_file:
        raise CliError(
            f"the password of {found_here.user} is the daemon's own; say who you are with --broker and --password-file",
            exits.NOT_REACHABLE,
        )
    return found_here, node or settings.node.name


def _of_another(directory: Path) -> str:
    try:
        owner = directory.owner()
    except KeyError:
        owner = "another user"
    return f"; where a daemon of {owner} runs ({directory} is closed to you), `sudo -u {owner} luggin ...`"


def found_nodes(args: argparse.Namespace) -> "list[NodeStatus]":
    """The daemons at the broker that was named, else at the brokers of all daemons on this machine, by name."""
    import asyncio

    from luggin.daemon import endpoint, places
    from luggin.daemon.mqtt.remote import nodes_of

    here = {path for directory in places.runtime_directories() for path in directory.glob("*.broker.json")}
    if args.broker or os.environ.get("LUGGIN_BROKER") or not here:
        brokers = [find_endpoint(args)[0]]
    else:
        brokers = [endpoint.read(path) for path in sorted(here)]

    async def ask() -> "list[NodeStatus]":
        found: dict[str, NodeStatus] = {}
        for each in {(one.host, one.port): one for one in brokers}.values():
            with _told(each):
                found |= {status.node: status for status in await nodes_of(each)}
        wanted = [found[name] for name in sorted(found)]
        return [status for status in wanted if args.node in (None, status.node)]

    return asyncio.run(ask())


@asynccontextmanager
async def reached(args: argparse.Namespace) -> "AsyncIterator[Remote]":
    """A connected client; failures to connect and to answer end the command with a sentence."""
    from luggin.daemon.mqtt.remote import open_remote

    endpoint, node = find_endpoint(args)
    with _told(endpoint):
        async with open_remote(endpoint, node) as remote:
            yield remote


@contextmanager
def _told(endpoint: "Endpoint") -> Iterator[None]:
    """What goes wrong with this broker, as an error with a sentence."""
    from luggin.daemon.mqtt.remote import ConnectionLost, NobodyAnswered

    try:
        yield
    except NobodyAnswered as error:
        raise CliError(str(error), exits.NOT_REACHABLE) from None
    except ConnectionLost as error:
        words = "what runs goes on; `luggin status` tells how it stands"
        raise CliError(f"no connection to the broker {endpoint}: {error}; {words}", exits.NOT_REACHABLE) from None
    except OSError as error:
        raise CliError(
            f"the broker {endpoint} can't be reached: {error.strerror or error}", exits.NOT_REACHABLE
        ) from None


def with_remote(args: argparse.Namespace, work: "Callable[[Remote], Coroutine[Any, Any, Result]]") -> Result:
    """Run `work` with a connected client."""
    import asyncio

    async def main() -> Result:
        async with reached(args) as remote:
            return await work(remote)

    return asyncio.run(main())


def ask_daemon(args: argparse.Namespace, instrument: str | None, verb: str, **fields: Any) -> "Reply":
    """One order to one instrument: over the daemon's own socket where there is one, which works without a broker."""
    from luggin.daemon.cli.local_socket import ask_locally

    async def ask(remote: "Remote") -> "Reply":
        return await remote.ask(await pick_instrument(remote, instrument), verb, **fields)

    reply = None if args.broker else ask_locally(args.node, instrument, verb, **fields)
    return with_remote(args, ask) if reply is None else reply


async def pick_instrument(remote: "Remote", wanted: str | None) -> str:
    """The instrument that was named, or the node's only one."""
    known = (await remote.status()).instruments
    if wanted is None and len(known) == 1:
        return known[0]
    listed = ", ".join(known) or "none"
    if wanted is None:
        raise CliError(f"name an instrument with -i; {remote.node} has {listed}", exits.USAGE)
    if wanted not in known:
        raise CliError(f"{remote.node} has no instrument {wanted!r}; it has {listed}", exits.FAILED)
    return wanted
