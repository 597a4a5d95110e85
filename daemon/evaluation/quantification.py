"""What the kinds that quantify share: labels of runs, outliers among replicates, recovery."""

from collections.abc import Iterable, Mapping, Sequence

from luggin.daemon.analysis.outliers import outlier_test
from luggin.daemon.analysis.recovery import recovery
from luggin.daemon.evaluation.errors import EvaluationError
from luggin.daemon.evaluation.readings import signals
from luggin.daemon.evaluation.run_data import RunData
from luggin.protocol.evaluation.concentrations import read
from luggin.protocol.evaluation.quantification_results import AdditionBody, ConcentrationBody, LevelTest, Reading
from luggin.protocol.evaluation.quantification_settings import Recovery
from luggin.protocol.evaluation.statistics import Estimate

MOST_WARNINGS = 30
_FEWEST_FOR_OUTLIERS = 3
_OUTLIER = 0.99


def by_tags(runs: Sequence[RunData], known: Iterable[str], given: Mapping[str, str]) -> dict[str, str]:
    """Label of each run: as given, else the last of its tags that is a known label."""
    labels = set(known)
    found = {}
    for run in runs:
        tags = [str(tag) for tag in run.header.method.get("setup", {}).get("tags", ())]
        label = given.get(run.run) or next((tag for tag in reversed(tags) if tag in labels), "")
        if label and label not in labels:
            raise EvaluationError(f"labels.{run.run} is {label!r}; known here are {', '.join(known)}")
        found[run.run] = label
    return found


def outliers(levels: Mapping[str, Sequence[Reading]]) -> tuple[tuple[LevelTest, ...], list[str]]:
    """Test the replicates of each level, and say which may be an outlier; nothing is left out.

    At 99 %: below that ISO 5725-2 (7.3, from memory) speaks of stragglers, which are kept without more ado.
    """
    tests, warnings = [], []
    for label, readings in levels.items():
        values = signals(readings)
        if len(values) >= _FEWEST_FOR_OUTLIERS and max(values) > min(values):
            test = outlier_test(values, confidence=_OUTLIER)
            tests.append(LevelTest(label=label, test=test))
            if test.outlier:
                warnings.append(
                    f"Run {readings[test.index].run} ({label}) may be an outlier by {test.name}'s test: "
                    f"{test.statistic:.3g} exceeds {test.critical:.3g}. It counts; look for the cause."
                )
    return tuple(tests), warnings


def recovered(
    found: Estimate | None, wanted: Recovery | None, unit: str, run: RunData, confidence: float
) -> tuple[Estimate | None, tuple[str, ...]]:
    if wanted is None or found is None:
        return None, ()
    try:
        added = read(wanted.added, unit, "recovery.added")
    except ValueError as error:
        raise EvaluationError(str(error)) from None
    before = None if wanted.unspiked is None else _result(run, wanted.unspiked, unit)
    if added <= 0:
        raise EvaluationError("recovery.added is 0; give what was added, or what is certified")
    estimate = recovery(found, added, unspiked=before, confidence=confidence)
    return estimate, estimate.warnings


def _result(run: RunData, name: str, unit: str) -> Estimate:
    """The concentration that another evaluation found."""
    stored = run.stored(name)
    models: dict[str, type[ConcentrationBody] | type[AdditionBody]] = {
        "concentration": ConcentrationBody,
        "standard-addition": AdditionBody,
    }
    if stored is None or stored.kind not in models:
        raise EvaluationError(
            f"recovery.unspiked is {name}, which is no stored concentration; `luggin results` lists them"
        )
    body = models[stored.kind].model_validate(stored.body)
    if body.concentration is None or body.concentration_unit != unit:
        raise EvaluationError(f"recovery.unspiked is {name}, which gives no concentration in {unit}")
    return body.concentration


def told(estimate: Estimate | None, name: str) -> dict[str, float]:
    """An estimate as quantities by name."""
    if estimate is None:
        return {}
    values = {
        "": estimate.value,
        ".u": estimate.standard_uncertainty,
        ".lower": estimate.lower,
        ".upper": estimate.upper,
    }
    return {name + word: value for word, value in values.items() if value is not None}


def subject_of(sample: str) -> str:
    """What the result tells of; the run by default."""
    return f"sample/{sample}" if sample else ""


def cut(warnings: Sequence[str]) -> tuple[str, ...]:
    """Each sentence once, and no endless list."""
    once = tuple(dict.fromkeys(warnings))
    rest = len(once) - MOST_WARNINGS
    return once if rest <= 0 else (*once[:MOST_WARNINGS], f"... and {rest} more remarks; the readings tell them.")
