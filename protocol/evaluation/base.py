"""What a kind of evaluation is: its settings, and the techniques after whose runs it is made."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from pydantic import Field

from luggin.protocol.program import Frozen


class EvaluationSettings(Frozen):
    """Base of the settings of every kind; stored with what comes of them, complete, so that it can be made again."""

    kind: str = Field(description="kind of evaluation")


@dataclass(frozen=True)
class Kind:
    """A kind of evaluation under the name that its settings bear.

    `after` are the techniques whose runs are evaluated so as soon as they have ended, each with the settings in which
    it differs from the defaults.  A kind that needs more than one run, or a person's word, is after none.
    """

    name: str
    summary: str
    settings: type[EvaluationSettings]
    after: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    fewest_runs: int = 1
    most_runs: int = 1
