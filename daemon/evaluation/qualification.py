"""The kind `qualification`: from the runs of a routine to items that have passed or not."""

from collections.abc import Sequence

from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.functions import Finding
from luggin.daemon.evaluation.on_dummy import on_dummy
from luggin.daemon.evaluation.on_probe import on_probe
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation.qualification_settings import Qualification
from luggin.protocol.fitness.results import Item, body


def qualify(runs: Sequence[RunData], settings: Qualification) -> Finding:
    """Judge the instrument that the runs were made with or, in a redox probe, the electrode that they name.

    Raises EvaluationError for runs of several instruments or electrodes, and for runs that tell nothing.
    """
    if settings.dummy is not None:
        subject, against = f"instrument/{_one(runs, 'instrument')}", settings.dummy.name
        items, notes = on_dummy(runs, settings.dummy)
    else:
        assert settings.probe is not None
        subject, against = f"electrode/{_one(runs, 'electrode')}", settings.probe.name
        items, notes = on_probe(runs, settings.probe)
    if not items:
        raise EvaluationError("these runs are none of a qualification; `luggin qualify` makes them")
    found = body(against, items, settings.left_out)
    warnings = (*notes, *(f"not looked at: {each}" for each in settings.left_out), *map(_failure, items))
    valid_for = settings.valid_for
    return Finding(found.model_dump(mode="json"), tuple(each for each in warnings if each), subject, valid_for)


def _one(runs: Sequence[RunData], what: str) -> str:
    if what == "instrument":
        names = {run.header.instrument for run in runs}
    else:
        names = {str(run.header.method.get("setup", {}).get("electrode", "")) for run in runs}
    if len(names) > 1:
        raise EvaluationError(f"these are runs of several {what}s ({', '.join(sorted(names))}); qualify one at a time")
    (name,) = names
    if not name:
        raise EvaluationError("the runs name no electrode; give the method's setup.electrode")
    return name


def _failure(item: Item) -> str:
    if item.passed:
        return ""
    return f"{item.name} has not passed{': ' + item.note if item.value is None and item.note else ''}"
