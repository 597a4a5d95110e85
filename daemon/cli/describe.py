"""luggin describe: what goes over MQTT, for those who write other software, and access control for their broker."""

import argparse
import json
import sys
from pathlib import Path

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError

HELP = "print the AsyncAPI description of all MQTT messages, their JSON Schemas, or access control for a broker"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--schemas", metavar="FOLDER", help="write a JSON Schema for each message into this folder")
    what.add_argument(
        "--acl",
        nargs="*",
        metavar="USER=ROLE",
        help="print an access control file for mosquitto; roles are view, operate, maintain and daemon",
    )
    parser.add_argument("-o", "--output", metavar="FILE", help="write to this file instead of printing")


def run(args: argparse.Namespace) -> int:
    if args.schemas is not None:
        _write_schemas(Path(args.schemas))
        return exits.OK
    text = _messages() if args.acl is None else _acl(args.acl)
    if args.output is None:
        print(text, end="")
    else:
        Path(args.output).write_text(text, encoding="utf-8")
    return exits.OK


def _messages() -> str:
    from luggin.protocol.asyncapi import document

    return _json(document())


def _acl(users: list[str]) -> str:
    from luggin.daemon import acl

    if not users:
        return acl.example()
    try:
        return acl.text([acl.user(each) for each in users])
    except ValueError as error:
        raise CliError(str(error), exits.USAGE) from None


def _write_schemas(folder: Path) -> None:
    from luggin.protocol.schemas import sent_schemas, taken_schemas

    for name, schemas in (("sent", sent_schemas()), ("taken", taken_schemas())):
        (folder / name).mkdir(parents=True, exist_ok=True)
        for each, schema in schemas.items():
            (folder / name / f"{each}.json").write_text(_json(schema), encoding="utf-8")
    print(f"{folder}: sent/ by kind of topic, taken/ by verb", file=sys.stderr)


def _json(data: object) -> str:
    return json.dumps(data, indent=2, ensure_ascii=False) + "\n"
