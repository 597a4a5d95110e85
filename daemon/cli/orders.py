"""hold, unhold, stop, abort and clear: one order to one instrument."""

import argparse
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.reach import add_broker_arguments, pick_instrument, with_remote

if TYPE_CHECKING:
    from luggin.daemon.mqtt.remote import Remote
    from luggin.protocol.payloads import Reply


@dataclass(frozen=True)
class Order:
    """A subcommand that sends one verb."""

    verb: str
    HELP: str

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument("-i", "--instrument", metavar="NAME", help="which instrument; its only one by default")
        parser.add_argument("--json", action="store_true", help="print the reply as JSON")
        add_broker_arguments(parser)

    def run(self, args: argparse.Namespace) -> int:
        reply = self._locally(args) or with_remote(args, lambda remote: self._send(remote, args.instrument))
        if args.json:
            print(json.dumps(reply.model_dump(mode="json"), indent=2))
        elif reply.accepted:
            print(reply.sentence or f"{self.verb}: accepted")
        if not reply.accepted:
            raise CliError(reply.sentence, exits.FAILED)
        return exits.OK

    def _locally(self, args: argparse.Namespace) -> "Reply | None":
        """Stop and abort go over the daemon's own socket where there is one: it works without a broker."""
        if self.verb not in ("stop", "abort") or args.broker:
            return None
        from luggin.daemon.cli.local_socket import ask_locally

        return ask_locally(args.node, args.instrument, self.verb)

    async def _send(self, remote: "Remote", wanted: str | None) -> "Reply":
        instrument = await pick_instrument(remote, wanted)
        fields: dict[str, Any] = {}
        if self.verb == "unhold":
            fields["token"] = (await remote.state(instrument)).token
        return await remote.ask(instrument, self.verb, **fields)


HOLD = Order("hold", "pause a run where its technique allows it")
UNHOLD = Order("unhold", "go on with a held run")
STOP = Order("stop", "end a run in order: what the method foresees for a stop, then cell off")
ABORT = Order("abort", "cell off at once")
CLEAR = Order("clear", "release an instrument after an abort or a fault, once its cell is confirmed off")
