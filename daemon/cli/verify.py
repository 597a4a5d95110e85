"""luggin verify: is what is stored, or what was exported, still what was measured?"""

import argparse
import json
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from luggin.daemon.cli import exits
from luggin.daemon.cli.exits import CliError
from luggin.daemon.cli.source import add_source_arguments, opened_archive, store_path

if TYPE_CHECKING:
    from luggin.daemon.export import Verified
    from luggin.daemon.store import Archive

HELP = "check stored runs, or an export, against their hashes: was anything altered?"
_SHORTEST_HASH = 12


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("targets", nargs="*", metavar="RUN|PATH", help="runs, or exports: folders or zip files")
    parser.add_argument("--all", action="store_true", help="every run, and the logs of the node and the instruments")
    parser.add_argument(
        "--seen",
        action="append",
        default=[],
        metavar="HASH",
        help="a hash of the run that was kept elsewhere, e.g. by a subscriber: it must be in the chain",
    )
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    add_source_arguments(parser)


def run(args: argparse.Namespace) -> int:
    if bool(args.targets) == args.all:
        raise CliError("name runs or folders, or say --all", exits.USAGE)
    if any(len(each) < _SHORTEST_HASH for each in args.seen):
        raise CliError(f"--seen takes a hash, or its first {_SHORTEST_HASH} digits at least", exits.USAGE)
    folders = [each for each in args.targets if "/" in each or Path(each).exists()]
    runs = [each for each in args.targets if each not in folders]
    found = [each for folder in folders for each in _package(folder)]
    if runs or args.all:
        found += _stored(args, runs)
    if args.seen:
        found = _witnessed(found, args.seen)
    if args.json:
        print(json.dumps([_plain(each) for each in found], indent=2))
    else:
        _tell(found)
    return exits.FAILED if any(each.findings for each in found) else exits.OK


def _package(folder: str) -> "list[Verified]":
    from luggin.daemon.export import PackageError, package_folder, verify_package

    try:
        with package_folder(folder) as unpacked:
            return verify_package(unpacked)
    except PackageError as error:
        raise CliError(str(error), exits.BAD_DOCUMENT) from None


def _stored(args: argparse.Namespace, runs: list[str]) -> "list[Verified]":
    if args.all and store_path(args) is None:
        raise CliError("--all needs the store on this machine; name it with --store, or name runs", exits.USAGE)
    with ExitStack() as stack:
        archive = stack.enter_context(opened_archive(args, runs))
        if not args.all:
            return [_run(archive, name) for name in runs]
        return [*_logs(archive), *(_run(archive, name) for name in archive.names())]


def _run(archive: "Archive", name: str) -> "Verified":
    from luggin.daemon.export import Verified
    from luggin.daemon.store import verify

    findings, texts = verify(archive, name), archive.texts(name)
    hashes = (texts.header_hash, *(digest for _, _, digest in texts.events))
    result = None if texts.result_hash is None else texts.result_hash.hex()
    points = sum(after - first for _, first, after in archive.boots(name))
    return Verified(name, tuple(findings), tuple(each.hex() for each in hashes), result, points)


def _logs(archive: "Archive") -> "list[Verified]":
    from luggin.daemon.export import Verified
    from luggin.daemon.store import verify_log

    return [
        Verified(f"log of {instrument or 'the node'}", tuple(verify_log(archive, instrument)))
        for instrument in (None, *archive.instruments())
    ]


def _witnessed(found: "list[Verified]", seen: list[str]) -> "list[Verified]":
    from dataclasses import replace

    if len(found) != 1:
        raise CliError("--seen is for one run", exits.USAGE)
    (one,) = found
    there = [*one.chain, one.result or ""]
    lacking = [each for each in seen if not any(digest.startswith(each.lower()) for digest in there)]
    sentences = [f"the hash {each} is not in the chain: the run was written anew since it was seen" for each in lacking]
    return [replace(one, findings=(*one.findings, *sentences))]


def _plain(each: "Verified") -> dict[str, object]:
    head = each.chain[-1] if each.chain else None
    return {"name": each.name, "findings": each.findings, "points": each.points, "head": head, "result": each.result}


def _tell(found: "list[Verified]") -> None:
    for each in found:
        counted = f", {each.points} points" if each.chain else ""
        print(f"{each.name}: {'ALTERED or damaged' if each.findings else 'as it was stored'}{counted}")
        for sentence in each.findings:
            print(f"  {sentence}")
        if each.chain:
            print(f"  head    {each.chain[-1]}")
        if each.result is not None:
            print(f"  result  {each.result}")
