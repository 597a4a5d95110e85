"""Open-circuit potential against time."""

from pydantic import Field, model_validator

from luggin.protocol.program import LONGEST, Block, Open, Until
from luggin.protocol.quantity import Duration, ScanRate, show
from luggin.protocol.techniques.base import POTENTIAL_AGAINST_TIME, Measurement, Technique, example


class OpenCircuit(Measurement):
    duration: Duration = Field(gt=0, le=LONGEST, description="how long the potential is recorded at most")
    period: Duration = Field(gt=0, description="time from one stored point to the next")
    end_drift: ScanRate | None = Field(
        None, gt=0, description="magnitude of the drift below which the potential counts as stable and the phase ends"
    )
    drift_window: Duration = Field(10.0, gt=0, description="time over which the drift is fitted")

    @model_validator(mode="after")
    def _sensible(self) -> "OpenCircuit":
        if self.period > self.duration:
            raise ValueError(
                f"period {show(self.period, 's')} is longer than the phase of {show(self.duration, 's')}; shorten it"
            )
        if self.end_drift is not None and self.drift_window < 2 * self.period:
            raise ValueError(
                f"drift_window {show(self.drift_window, 's')} holds fewer than three points; make it at least "
                f"{show(2 * self.period, 's')}"
            )
        return self

    @property
    def starts_at(self) -> None:
        return None

    def blocks(self, phase: int) -> tuple[Block, ...]:
        rest = Open(duration=self.duration, period=self.period, until=settled(self.end_drift, self.drift_window))
        return (Block(phase=phase, segments=(rest,), pause="any-time"),)


def settled(drift: float | None, window: float) -> tuple[Until, ...]:
    """The end condition of a potential that drifts by less than `drift` (V/s) over `window` seconds."""
    if drift is None:
        return ()
    return (Until(quantity="drift", below=drift, persistence=window, not_before=window),)


OPEN_CIRCUIT = Technique(
    name="open-circuit-potential",
    alias="OCP",
    summary=(
        "The cell stays open and the potential of the working electrode is recorded. Whether and where it settles"
        " tells if electrode, reference and solution are at rest."
    ),
    parameters=OpenCircuit,
    view=POTENTIAL_AGAINST_TIME,
    example=example(
        "rest-potential",
        "open-circuit-potential",
        "waiting for a stable potential before a series of samples",
        'duration = "2 min"\nperiod = "0.5 s"\nend_drift = "0.1 mV/s"\ndrift_window = "10 s"',
        sample="column-inlet",
        ranging="",
    ),
)
