"""luggin acknowledge: a person has taken note of an alarm."""

import argparse
import getpass
import json

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.reach import add_broker_arguments, ask_daemon

HELP = "say that you know of an alarm; it is repeated until somebody does"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("-i", "--instrument", metavar="NAME", help="which instrument; its only one by default")
    parser.add_argument("--person", metavar="NAME", help="who you are; your user name by default")
    parser.add_argument("--json", action="store_true", help="print the reply as JSON")
    add_broker_arguments(parser)


def run(args: argparse.Namespace) -> int:
    reply = ask_daemon(args, args.instrument, "acknowledge", person=args.person or getpass.getuser())
    if args.json:
        print(json.dumps(reply.model_dump(mode="json"), indent=2))
    elif reply.accepted:
        print(reply.sentence)
    if not reply.accepted:
        raise CliError(reply.sentence, exits.FAILED)
    return exits.OK
