"""The command `luggin simulate`."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from luggin.sim.fault_kinds import KINDS
from luggin.sim.smu_quirks import QUIRKS

if TYPE_CHECKING:
    from luggin.sim.serve import Line

HELP = "run a simulated instrument with a cell, on a pseudo-terminal, a TCP port or over Bluetooth LE"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--cell", default="redox-probe", help="name of a cell that comes with luggin, or a TOML file")
    line = parser.add_mutually_exclusive_group()
    line.add_argument(
        "--pty",
        nargs="?",
        const="",
        metavar="PATH",
        help="offer a serial port (the default); PATH becomes a symbolic link to it",
    )
    line.add_argument("--tcp", type=_port, metavar="PORT", help="listen on this port of 127.0.0.1; 0 picks a free one")
    line.add_argument(
        "--ble",
        nargs="?",
        const="luggin-sim",
        metavar="NAME",
        help="be a Bluetooth LE peripheral of this name (default: luggin-sim); needs BlueZ and an adapter",
    )
    parser.add_argument(
        "--model",
        default="bench",
        help="which instrument: bench, field (potentials only, battery), or smu (source-measure unit that speaks SCPI)",
    )
    parser.add_argument("--quirk", action="append", default=[], metavar="QUIRK", help="something odd about the smu")
    parser.add_argument("--speed", type=float, default=1.0, help="how many times faster than real time programs run")
    parser.add_argument("--seed", type=int, default=1, help="the same seed gives the same points")
    parser.add_argument("--ideal", action="store_true", help="no noise, no resolution, no settling")
    parser.add_argument("--battery", type=float, default=1.0, metavar="SHARE", help="share of full of the battery")
    parser.add_argument("--buffer", type=int, metavar="POINTS", help="points kept until they are acknowledged")
    parser.add_argument("--points-log", type=Path, metavar="FILE", help="append every point, as made, as JSON lines")
    parser.add_argument("--fault", action="append", default=[], metavar="FAULT", help="something that goes wrong")
    parser.add_argument("--control", action="store_true", help="read further faults from standard input, one a line")
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    kinds = "\n".join(
        f"  {kind + ('' if unit is None else '=SHARE' if unit == '1' else '=' + unit):18} {words}"
        for kind, (unit, words) in KINDS.items()
    )
    quirks = "\n".join(f"  {name:18} {words}" for name, words in QUIRKS.items())
    parser.epilog = (
        "faults, each at once or, with @TIME, at that run time (stall=3@20, or stall='3 s@20 s'):\n"
        f"{kinds}\n\n"
        f"quirks of the smu, which keeps real time and knows no faults:\n{quirks}\n\n"
        "The first line of output says where the instrument is: `pty PATH`, `tcp HOST PORT` or `ble ADDRESS NAME`.\n"
        "Everything about it is invented. Its port knows no passwords, and over Bluetooth it asks nobody to pair."
    )


def run(args: argparse.Namespace) -> int:
    if args.model == "smu":
        from luggin.sim.smu_run import run_smu

        return run_smu(args, _say)
    import asyncio

    from luggin.sim.faults import parse_fault
    from luggin.sim.log import JsonLog
    from luggin.sim.rig import Rig
    from luggin.sim.serve import serve
    from luggin.sim.settings import Settings

    names = ("cell", "model", "speed", "seed", "ideal", "battery", "buffer")
    settings = Settings.parse({name: getattr(args, name) for name in names})
    faults = [parse_fault(text) for text in args.fault]
    line = _line(args)
    log = JsonLog(args.points_log) if args.points_log else None

    async def live() -> None:
        rig = Rig(settings, asyncio.get_running_loop().time(), faults, log)
        await serve(rig, line, _say, args.control)

    try:
        asyncio.run(live())
    finally:
        if log is not None:
            log.close()
    return 0


def _line(args: argparse.Namespace) -> "Line":
    from luggin.sim.serve import PtyLine, TcpLine

    if args.ble is not None:
        from luggin.sim.ble_peripheral import BleLine

        return BleLine(args.ble)
    return TcpLine(args.tcp) if args.tcp is not None else PtyLine(Path(args.pty) if args.pty else None)


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no port; give 0 to 65535")
    return int(text)


def _say(words: str) -> None:
    sys.stdout.write(words + "\n")
    sys.stdout.flush()
