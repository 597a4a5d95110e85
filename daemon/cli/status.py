"""luggin status and luggin instruments: how things stand, over the local socket or over MQTT."""

import argparse
import json
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.reach import add_broker_arguments, with_remote
from luggin.daemon.cli.words import table

if TYPE_CHECKING:
    from luggin.daemon.mqtt.remote import Remote


_KINDS = ("state", "health", "alarm", "sequence")


@dataclass(frozen=True)
class Overview:
    """A subcommand that shows every instrument of a node: how they stand or, with `identities`, what they are."""

    identities: bool
    HELP: str

    def add_arguments(self, parser: argparse.ArgumentParser) -> None:
        parser.add_argument("--json", action="store_true", help="print the result as JSON")
        add_broker_arguments(parser)

    def run(self, args: argparse.Namespace) -> int:
        found = (None if args.broker else _locally(args.node)) or with_remote(args, _remotely)
        if args.json:
            print(json.dumps(found, indent=2))
        elif self.identities:
            _print_identities(found)
        else:
            _print_states(found)
        return exits.OK


def _locally(node: str | None) -> dict[str, Any] | None:
    from luggin.daemon.cli.local_socket import ask, find_socket

    path = find_socket(node)
    reply = ask(path, {"verb": "status"}) if path else None
    if reply is None:
        return None
    kinds: dict[str, dict[str, Any]] = {kind: {} for kind in _KINDS}
    for topic, payload in reply.data["board"].items():
        parts = topic.split("/")
        if parts[-1] in kinds:
            kinds[parts[-1]][parts[2]] = payload
    return {"node": reply.data["node"], "broker": reply.data["broker"], **kinds}


async def _remotely(remote: "Remote") -> dict[str, Any]:
    status = await remote.status()
    if status.online:
        for name in status.instruments:
            await remote.state(name)
    kinds = {kind: {n: json.loads(raw) for n, raw in remote.payloads(kind).items()} for kind in _KINDS}
    return {"node": status.model_dump(mode="json"), **kinds}


def _print_states(found: dict[str, Any]) -> None:
    node = found["node"]
    print(f"{node['node']}: {'online' if node['online'] else 'OFFLINE'}, luggin {node['software']}")
    if trouble := found.get("broker"):
        print(f"no broker: {trouble}")
    rows = [("instrument", "state", "cell", "link", "run", "")]
    for name, state in sorted(found["state"].items()):
        age = "" if state.get("cell_read") is None else f" ({time.time() - state['cell_read']:.0f} s ago)"
        rows.append(
            (name, state["state"], state["cell"] + age, state["link"], state.get("run") or "-", state.get("reason", ""))
        )
    table(rows)
    for name, alarm in sorted(found["alarm"].items()):
        if alarm["active"]:
            known = alarm.get("acknowledged_by")
            print(f"ALARM {name}: {alarm['sentence']}" + (f" ({known} knows of it)" if known else ""))
    for name, sequence in sorted(found["sequence"].items()):
        if sequence.get("status") in ("Execute", "Holding", "Held", "Stopping", "Aborting"):
            print(f"sequence on {name}: {sequence['name']}, {sequence['status']}. {sequence['reason']}")


def _print_identities(found: dict[str, Any]) -> None:
    rows = [("instrument", "maker", "model", "serial", "firmware", "battery", "temperature")]
    for name in sorted(found["state"]):
        health = found["health"].get(name, {})
        battery, temperature = health.get("battery"), health.get("temperature")
        rows.append(
            (
                name,
                *(health.get(key) or "-" for key in ("maker", "model", "serial", "firmware")),
                "-" if battery is None else f"{battery:.0%}",
                "-" if temperature is None else f"{temperature - 273.15:.1f} °C",
            )
        )
    table(rows)


STATUS = Overview(identities=False, HELP="how every instrument stands: state, cell, link, run, alarms")
INSTRUMENTS = Overview(identities=True, HELP="which instruments there are and what they say of themselves")
