"""luggin discover: which instruments can be reached from this machine, and what to write for them."""

import argparse
import json
import os
import re
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from luggin.daemon.cli import exits
from luggin.daemon.cli.words import table

if TYPE_CHECKING:
    from luggin.drivers.discovery import Found, Place, Wish

HELP = "find instruments on serial ports and over Bluetooth LE, and what to write into the configuration"
_ADDRESS = re.compile("([0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}")
_EPILOG = """\
Each place is asked by the hello of the instrument link, which moves no relay and disturbs no run. The few bytes may
mean something to other devices, though (pumps, printers, modems): where such are connected, name the places to ask, or
use --list-only. Opening a port for the first time raises its modem lines, as with every program; nothing toggles them.
What another program uses, or a running daemon on this machine is configured for, is listed and left alone."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "places", nargs="*", metavar="PLACE", help="ask only here: device file, Bluetooth address or name"
    )
    parser.add_argument("--list-only", action="store_true", help="ask nobody, only list")
    parser.add_argument("--seconds", type=float, default=3.0, help="how long to listen, and to wait for an answer")
    parser.add_argument("--baud-rate", type=int, default=115200, help="speed of serial ports in baud")
    parser.add_argument("--adapter", metavar="NAME", help="which Bluetooth adapter, e.g. hci1")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    parser.epilog = _EPILOG


def run(args: argparse.Namespace) -> int:
    import asyncio

    from luggin.drivers.discovery import Wish

    if not 0.1 <= args.seconds <= 60:
        raise exits.CliError(f"--seconds {args.seconds:g}: give 0.1 to 60", exits.USAGE)
    places = tuple(
        each.upper() if re.fullmatch("([0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}", each) else each for each in args.places
    )
    claims = _Claims()
    wish = Wish(places, args.seconds, args.baud_rate, args.adapter, not args.list_only, claims.objection)
    found, problems = asyncio.run(_find(wish, claims))
    lines = _configuration(found)
    if args.json:
        print(json.dumps({"found": [_plain(each, lines) for each in found], "problems": problems}, indent=2))
    else:
        _print(found, problems, lines)
    nobody = args.places and not args.list_only and not any(each.identity for each in found)
    return exits.NOT_REACHABLE if nobody else exits.OK


class _Claims:
    """What running daemons of this machine are configured for."""

    def __init__(self) -> None:
        from luggin.daemon import places
        from luggin.daemon.cli.local_socket import ask

        self.problems: list[str] = []
        self.sections: dict[str, Mapping[str, Any]] = {}
        for directory in places.runtime_directories():
            for path in sorted(directory.glob("*.sock")) if os.access(directory, os.R_OK) else ():
                try:
                    reply = ask(path, {"verb": "status"})
                except exits.CliError as error:
                    self.problems.append(str(error))
                    continue
                for name, section in reply.data.get("sections", {}).items() if reply else ():
                    self.sections[f"{path.stem}'s {name}"] = section

    def objection(self, place: "Place") -> str:
        owner = next((owner for owner, each in self.sections.items() if _is(place, each)), None)
        return "" if owner is None else f"a running daemon has it: {owner}"

    def unheard(self, found: "list[Found]") -> "Iterator[Found]":
        """An instrument that a daemon is connected to advertises no more."""
        from luggin.drivers.discovery import Found, Place

        for owner, each in self.sections.items():
            if each.get("driver") == "ble" and not any(_is(known.place, each) for known in found):
                place = Place("ble", {}, str(each.get("address") or each.get("name")), "")
                yield Found(place, reason=f"a running daemon has it: {owner}")


def _is(place: "Place", section: Mapping[str, Any]) -> bool:
    """Whether a section of a configuration means this place."""
    from luggin.drivers.ports import same_port

    if section.get("driver") != place.driver:
        return False
    if place.driver == "serial":
        return same_port(str(section.get("port")), place.name)
    return str(section.get("address")).upper() == place.name or section.get("name") == place.description


async def _find(wish: "Wish", claims: _Claims) -> "tuple[list[Found], list[str]]":
    from luggin.drivers.discovery import find_ble, find_serial
    from luggin.drivers.errors import NotReachable

    found, problems = await find_serial(wish), list(claims.problems)
    if not wish.places or len(wish.ports) < len(wish.places):
        try:
            found += await find_ble(wish)
        except NotReachable as error:
            problems.append(str(error))
    return found + list(claims.unheard(found)), problems


def _configuration(found: "list[Found]") -> dict[str, str]:
    """Lines for the configuration, by the place's name.  The reference is left open: nothing can know it but people."""
    lines: dict[str, str] = {}
    taken: set[str] = set()
    for each in found:
        if each.identity is None:
            continue
        base = re.sub("[^a-z0-9-]+", "-", f"{each.identity.model}-{each.identity.serial}".lower()).strip("-")[:56]
        name = base = base or "instrument"
        while name in taken:
            name = f"{base}-{len(taken) + 1}"
        taken.add(name)
        settings = "".join(f"{key} = {json.dumps(value)}\n" for key, value in each.place.settings.items())
        lines[each.place.name] = (
            f'[instruments.{name}]\ndriver = "{each.place.driver}"\n{settings}'
            'reference = ""  # write which reference electrode stands in the cell\n'
        )
    return lines


def _plain(each: "Found", lines: Mapping[str, str]) -> dict[str, Any]:
    return {
        "driver": each.place.driver,
        "place": each.place.name,
        "settings": dict(each.place.settings),
        "description": each.place.description,
        "signal_strength": each.place.signal_strength,
        "speaks": True if each.identity else False if each.asked else None,
        "identity": each.identity.model_dump() if each.identity else None,
        "reason": each.reason,
        "configuration": lines.get(each.place.name),
    }


def _print(found: "list[Found]", problems: list[str], lines: Mapping[str, str]) -> None:
    rows = [("place", "what the system says", "signal", "instrument link")]
    for each in found:
        identity, strength = each.identity, each.place.signal_strength
        answer = f"yes: {identity.maker} {identity.model}, serial {identity.serial}" if identity else ""
        answer = answer or f"{'no' if each.asked else 'not asked'}: {each.reason}"
        rows.append(
            (each.place.name, each.place.description, "" if strength is None else f"{strength:.0f} dBm", answer)
        )
    if found:
        table(rows)
    else:
        print("Nothing to ask was found.")
    for problem in problems:
        print(problem)
    if lines:
        print("\nFor the configuration:\n")
        print("\n".join(lines.values()), end="")
