"""What quantification reads of each run: its signal, which solution it measured, and what is to be said of it."""

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import evaluate
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation import KINDS, after_run
from luggin.protocol.evaluation.peak_results import PeaksBody
from luggin.protocol.evaluation.quantification_results import Reading
from luggin.protocol.evaluation.quantification_settings import Quantification
from luggin.protocol.evaluation.quantities import quantities
from luggin.protocol.points import Flag

_UNITS = {"height": "A", "area": "A V", "potential": "V", "half-width": "V", "charge": "C"}
_NOT_OF_THE_FINDING = ("edits", "analytes")
_FEWEST_POINTS = 20
"""A sweep of fewer usable points says nothing of a peak that is not found in it."""


@dataclass(frozen=True)
class _Source:
    """An evaluation of a run, stored (then it has a name) or made for the purpose."""

    kind: str
    name: str | None
    settings: Mapping[str, Any]
    body: Mapping[str, Any]


@dataclass(frozen=True)
class _Signal:
    """`absent`: the analyte was looked for in a whole curve, and no peak is there.  `note`: what is odd about it."""

    value: float | None
    source: _Source
    note: str = ""
    absent: bool = False


@dataclass(frozen=True)
class Readings:
    """Of every run in order; `absent` are the runs in whose curves the analyte has no peak, `found_by` tells how the
    signals that count were found."""

    each: tuple[Reading, ...]
    absent: frozenset[str]
    unit: str
    found_by: str
    warnings: tuple[str, ...]

    def used(self, label: str) -> list[Reading]:
        return [reading for reading in self.each if reading.used and reading.label == label]


def signals(readings: Sequence[Reading]) -> list[float]:
    return [reading.value for reading in readings if reading.value is not None]


def read_runs(
    runs: Sequence[RunData], wanted: Quantification, labels: Mapping[str, str], empty: Sequence[str] = ()
) -> Readings:
    """Read the wanted signal of every run.

    `labels` says by run which solution it measured; a run without one doesn't count.  In solutions of the labels
    `empty` there need be no peak: none is then a signal of 0.  Raises EvaluationError where a run was not evaluated
    for such a signal at all.
    """
    names = [run.run for run in runs]
    if (twice := next((name for name in names if names.count(name) > 1), None)) is not None:
        raise EvaluationError(f"run {twice} is named twice; name each run once")
    read: list[Reading] = []
    absent: set[str] = set()
    units: dict[str, str] = {}
    ways: dict[str, list[str]] = {}
    for run in runs:
        label = labels.get(run.run, "")
        if (why := _not_counted(run, wanted, label)) is not None:
            read.append(Reading(run=run.run, label=label, value=None, used=False, note=why))
            continue
        signal = _signal(run, wanted)
        value, source = signal.value, signal.source
        notes = [signal.note] if signal.note else []
        if signal.absent:
            absent.add(run.run)
            if label in empty:
                value = 0.0
                notes.append("its signal counts as 0")
        notes += _doubts(run, source)
        if value is not None:
            units[_unit(wanted.quantity, source)] = run.run
            ways.setdefault(_digest(source), []).append(run.run)
        read.append(
            Reading(
                run=run.run,
                label=label,
                value=value,
                evaluation=source.name,
                used=value is not None,
                note="; ".join(notes),
            )
        )
    warnings = [f"Run {reading.run}: {reading.note}." for reading in read if reading.note]
    if len(ways) > 1:
        odd = ", ".join(sorted(ways.values(), key=len)[0])
        warnings.append(f"The signals of {odd} were found with other settings than those of the other runs.")
    found_by = max(ways, key=lambda way: len(ways[way]), default="")
    return Readings(tuple(read), frozenset(absent), next(iter(units), ""), found_by, tuple(warnings))


def method(run: RunData) -> str:
    return str(run.header.method.get("name", ""))


def procedure(run: RunData) -> str:
    """Digest of the measuring itself: technique and phases of the method."""
    return _hash([run.technique, run.header.method.get("phases")])


def electrode(run: RunData) -> str:
    """Of the run's method, else of the configured cell."""
    return str(run.header.method.get("setup", {}).get("electrode") or run.header.settings.get("electrode") or "")


def sample(run: RunData) -> str:
    return str(run.header.method.get("setup", {}).get("sample") or "")


def one_of(runs: Sequence[RunData], what: str, values: Sequence[str]) -> tuple[str, tuple[str, ...]]:
    """The value that all runs share, or the first with a warning."""
    found = [value.strip() for value in values]
    differing = {value: run.run for value, run in zip(reversed(found), reversed(runs), strict=True)}
    if len(differing) < 2:
        return found[0], ()
    told = ", ".join(f"{value or 'none named'} (run {run})" for value, run in sorted(differing.items()))
    return found[0], (f"The runs differ in {what}: {told}.",)


def _not_counted(run: RunData, wanted: Quantification, label: str) -> str | None:
    if run.run in wanted.leave_out:
        return "left out by hand"
    if run.result is not None and run.result.state != "Complete":
        return f"it ended {run.result.state} and is left out"
    return None if label else "it belongs to none of the solutions and is left out"


def _signal(run: RunData, wanted: Quantification) -> _Signal:
    known: dict[str, float] = {}
    sources = list(_sources(run))
    for source in sources:
        found = quantities(source.kind, source.body)
        known |= found
        if source.kind == "peaks" and wanted.of_a_peak:
            if wanted.analyte in [each["name"] for each in source.settings.get("analytes", ())]:
                return _peak(source, wanted, found.get(wanted.quantity))
        elif wanted.quantity in found:
            return _Signal(found[wanted.quantity], source)
    if not sources:
        raise EvaluationError(
            f"run {run.run} has no evaluation to read {wanted.quantity} from; "
            f"`luggin peaks {run.run} --detect` makes one"
        )
    told = ", ".join(known) or "nothing"
    remedy = ""
    if wanted.of_a_peak:
        remedy = f"; `luggin peaks {run.run} --analyte '{wanted.analyte}' E1 E2` says where its peak is"
    raise EvaluationError(f"run {run.run} gives no {wanted.quantity}, it gives {told}{remedy}")


def _peak(source: _Source, wanted: Quantification, value: float | None) -> _Signal:
    body = PeaksBody.model_validate(source.body)
    odd = next((each for each, _ in body.of(wanted.analyte) if each.status != "found"), None)
    why = f" ({odd.note})" if odd is not None and odd.note else ""
    if value is not None:
        return _Signal(value, source, "" if odd is None else f"its peak is {odd.status}{why}")
    if not any(sweep.points_used >= _FEWEST_POINTS for sweep in body.sweeps):
        return _Signal(None, source, "its curve has too few usable points for a peak")
    missing = odd is not None and odd.status == "missing"
    return _Signal(None, source, f"no peak of {wanted.analyte} was found{why}", missing)


def _sources(run: RunData) -> Iterator[_Source]:
    """The newest evaluations of the run by itself; those of a run that has none are made, as after any run."""
    stored = [
        found
        for kind in KINDS.values()
        if kind.most_runs == 1 and (found := run.newest(kind.name)) is not None and found.body is not None
    ]
    for each in stored:
        assert each.body is not None
        yield _Source(each.kind, each.name, each.settings, each.body)
    if not stored:
        for settings in after_run(run.header.method):
            made = evaluate(settings.kind, [run], settings)
            yield _Source(settings.kind, None, settings.model_dump(mode="json"), made.body)


def _doubts(run: RunData, source: _Source) -> Iterator[str]:
    yield from (f"flagged: {sentence.rstrip('.')}" for sentence in run.flags())
    if run.result is not None and run.result.gaps:
        yield "points of it are lost"
    flags = np.asarray(run.measured.get("flags", ()), dtype=int)
    overloaded = int(((flags & int(Flag.CURRENT_OVERLOAD | Flag.CONTROL_OVERLOAD)) != 0).sum())
    if overloaded:
        yield f"{overloaded} of its {len(flags)} points were overloaded and not looked at; its signal may be too small"
    if source.settings.get("edits"):
        yield "its peaks were changed by hand"


def _unit(quantity: str, source: _Source) -> str:
    units = source.body.get("units", {})
    return str(units.get(quantity, _UNITS.get(quantity.rpartition(".")[2], "")))


def _digest(source: _Source) -> str:
    return _hash({name: value for name, value in source.settings.items() if name not in _NOT_OF_THE_FINDING})


def _hash(value: object) -> str:
    return hashlib.sha256(json.dumps(value, sort_keys=True, default=str).encode()).hexdigest()[:16]
