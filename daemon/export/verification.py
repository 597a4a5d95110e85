"""Whether a data package is still what was stored: as much as its tables and its descriptor can tell.

A package bears the hashes that its runs had in the store.  Who rewrites a whole package with hashes that fit is found
out only by a hash that was kept elsewhere.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from luggin.daemon.export.errors import PackageError
from luggin.daemon.export.reading import Told, read_run, resources_of
from luggin.protocol.points import Array


@dataclass(frozen=True)
class Verified:
    """What is known of one run or log: what was found wrong, a sentence each, and its hashes, hexadecimal.

    `chain` are the hashes of the header and of each event, `result` is that of the result and the seal.
    """

    name: str
    findings: tuple[str, ...]
    chain: tuple[str, ...] = ()
    result: str | None = None
    points: int = 0


def verify_package(directory: Path | str) -> list[Verified]:
    """Each run of a package.  Raises PackageError where there is no package."""
    folder = Path(directory)
    return [_verified(folder, name, resource) for name, resource in resources_of(folder).items()]


def _verified(folder: Path, name: str, resource: Told) -> Verified:
    try:
        told, columns = read_run(folder, name, resource)
        chain, findings = told["chain"], list(told["findings"])
        hashes = (chain["header"], *chain["events"])
        altered = [] if chain["seal"] is None else _altered(chain["seal"], told["layouts"], columns)
    except PackageError as error:
        return Verified(name, (str(error),))
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        return Verified(name, (f"the description of the run is damaged ({error})",))
    if altered:
        findings.append(f"the points are not those that were sealed at the end of the run, in {', '.join(altered)}")
    return Verified(name, tuple(findings), hashes, chain["result"], len(columns["index"]))


def _altered(seal: dict[str, Any], layouts: list[dict[str, Any]], columns: Mapping[str, Array]) -> list[str]:
    """Columns whose values at the indices that the seal covers are not those that it was made of."""
    sums: dict[str, Any] = {}
    for first, after in seal["spans"]:
        for layout in layouts:
            low, high = np.searchsorted(columns["index"], [max(first, layout["first"]), min(after, layout["after"])])
            for name, form in layout["columns"].items() if low < high else ():
                values = np.ascontiguousarray(columns[name][low:high], dtype=form)
                sums.setdefault(name, hashlib.sha256()).update(values.data)
    found = {name: each.hexdigest() for name, each in sums.items()}
    return [name for name in {**seal["columns"], **found} if seal["columns"].get(name) != found.get(name)]
