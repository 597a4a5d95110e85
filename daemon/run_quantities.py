"""What the newest evaluations of a run found, by name."""

from collections.abc import Mapping

from pydantic import ValidationError

from luggin.daemon.store import Archive
from luggin.protocol.evaluation.quantities import quantities, unit_of
from luggin.protocol.payloads import Evaluation

_LOOKED_BACK = 100


def newest_of_run(archive: Archive, run: str) -> Mapping[str, Evaluation]:
    """The newest evaluation of each kind, newest first."""
    found: dict[str, Evaluation] = {}
    for each in archive.evaluations(run=run, limit=_LOOKED_BACK):
        if each.kind not in found:
            found[each.kind] = archive.evaluation(each.name)
    return found


def quantities_of_run(archive: Archive, run: str) -> Mapping[str, tuple[float, str]]:
    """(value, SI unit) of what the newest evaluations of this run alone tell; of a name in several kinds the newest."""
    found: dict[str, tuple[float, str]] = {}
    for made in newest_of_run(archive, run).values():
        if len(made.runs) > 1 or made.body is None:
            continue
        try:
            told = quantities(made.kind, made.body)
        except (ValidationError, StopIteration):
            continue  # of another version of this program
        for name, value in told.items():
            found.setdefault(name, (value, unit_of(made.kind, made.body, name)))
    return found
