"""What must be known of a source-measure unit that its answers don't tell: wiring, ranges, and what off means."""

from typing import Literal

from pydantic import Field, model_validator

from luggin.protocol.program import Control, Frozen
from luggin.protocol.quantity import Current, Duration, Potential

SCPI_RAW = 5025
"""The port that IANA registers for SCPI over a plain TCP connection (`scpi-raw`)."""


class ScpiSettings(Frozen):
    """Settings of the driver `scpi`; see SMU.md.  All of them are facts about the unit and its wiring."""

    port: str | None = Field(None, min_length=1, max_length=256, description="serial device file")
    baud_rate: int = Field(9600, ge=300, le=4_000_000, description="speed of the serial line in baud")
    host: str | None = Field(None, min_length=1, max_length=253, description="name or address on the network")
    tcp_port: int = Field(SCPI_RAW, ge=1, le=65535, description="TCP port")
    off_state: Literal["high-impedance", "relay", "clamped"] = Field(
        description="what the terminals are while the output is off: high-impedance, parted from the cell by a relay, "
        "or clamped, that is held near 0 V"
    )
    potential_low: Potential = Field(description="lowest potential that may be applied, working against reference")
    potential_high: Potential = Field(description="highest potential that may be applied")
    current_ranges: tuple[Current, ...] = Field(min_length=1, max_length=32, description="full scales, ascending")
    current_compliance: Current = Field(gt=0, description="largest current that the unit may let pass")
    voltage_compliance: Potential = Field(gt=0, description="largest voltage while a current is controlled")
    controls: tuple[Control, ...] = Field(("potential", "current"), min_length=1, max_length=2)
    working_electrode: Literal["high", "low"] = Field("high", description="terminal at the working electrode")
    sense_wires: Literal[2, 4] | None = Field(None, description="None leaves it as it is set on the unit")
    zero_current_is_open: bool = Field(False, description="whether a current of zero passes for open circuit")
    autorange: bool = Field(False, description="let the unit choose the current range; which it was is not recorded")
    floating: bool = Field(False, description="whether neither terminal is earthed")
    settle: Duration = Field(0.0, ge=0, le=60, description="time a step needs before it can be read")
    fastest_period: Duration | None = Field(None, gt=0, le=60, description="None: measured when the unit is opened")
    answer_within: Duration = Field(2.0, gt=0, le=60, description="time in which an answer must come")

    @model_validator(mode="after")
    def _whole(self) -> "ScpiSettings":
        if (self.port is None) == (self.host is None):
            raise ValueError("give exactly one of port (a serial device file) and host")
        if not self.potential_low < self.potential_high:
            raise ValueError("potential_low must be below potential_high")
        if list(self.current_ranges) != sorted(set(self.current_ranges)) or self.current_ranges[0] <= 0:
            raise ValueError("current_ranges must be above zero and ascend")
        return self

    @property
    def address(self) -> str:
        return f"serial port {self.port}" if self.port is not None else f"TCP {self.host} port {self.tcp_port}"

    @property
    def off_is_open(self) -> bool:
        """Whether the cell is surely open once the output reads as off."""
        return self.off_state != "clamped"

    @property
    def off_words(self) -> str:
        return (
            "the output reads as off, but by its settings this unit then holds its terminals near 0 V, which "
            "short-circuits the cell: take the leads off, and fit a relay or choose a high-impedance off state"
        )
