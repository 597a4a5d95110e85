"""Open-circuit potential against time."""

from luggin.protocol.program import LONGEST, Block, Open, Until
from luggin.protocol.quantity import Duration, ScanRate, show
from luggin.protocol.techniques.base import Measurement, Technique
from pydantic import Field, model_validator


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
        until = () if self.end_drift is None else (
            Until(quantity="drift", below=self.end_drift, persistence=self.drift_window, not_before=self.drift_window),
        )  # fmt: skip
        rest = Open(duration=self.duration, period=self.period, until=until)
        return (Block(phase=phase, segments=(rest,), pause="any-time"),)


OPEN_CIRCUIT = Technique(
    name="open-circuit-potential",
    alias="OCP",
    summary=(
        "The cell stays open and the potential of the working electrode is recorded. Whether and where it settles"
        " tells if electrode, reference and solution are at rest."
    ),
    parameters=OpenCircuit,
    example="""\
version = 1
name = "rest-potential"
technique = "open-circuit-potential"
notes = "Invented example: waiting for a stable potential before a series of samples"

[setup]
electrode = "gc-3"
reference = "Ag/AgCl (3 M KCl)"
sample = "column-inlet"

[[phases]]
phase = "measure"
duration = "2 min"
period = "0.5 s"
end_drift = "0.1 mV/s"
drift_window = "10 s"
""",
)
