"""The settings of a simulated instrument."""

from collections.abc import Mapping
from typing import Any, Self

from pydantic import Field, ValidationError, field_validator

from luggin.drivers.errors import SettingsError
from luggin.protocol.problem import DocumentError, Problem, from_validation
from luggin.protocol.program import Frozen
from luggin.protocol.quantity import Concentration, Temperature
from luggin.sim.cell import load_cell
from luggin.sim.cell.api import Cell, CellError
from luggin.sim.cell.load import load_document
from luggin.sim.models import MODELS, Model

FASTEST = 1e6


class Settings(Frozen):
    """What is simulated, and how.  `ideal` leaves out noise, resolution and settling.

    `speed` is how many times faster than real time programs run; `battery` is the share that a battery holds at first.
    """

    cell: str | dict[str, Any] = Field("redox-probe", description="name of a cell, a TOML file, or a table")
    concentrations: dict[str, Concentration] = Field({}, description="replaces those of the cell, by species")
    seed: int = Field(1, ge=0, le=2**63 - 1)
    speed: float = Field(1.0, gt=0, le=FASTEST)
    model: str = "bench"
    ideal: bool = False
    battery: float = Field(1.0, gt=0, le=1)
    temperature: Temperature = Field(298.15, ge=250, le=400)
    buffer: int | None = Field(None, ge=1, le=10_000_000, description="points it holds; None: as many as its model")

    @field_validator("model")
    @classmethod
    def _known(cls, name: str) -> str:
        if name not in MODELS:
            raise ValueError(f"there is no such model; choose one of {', '.join(MODELS)}")
        return name

    @classmethod
    def parse(cls, settings: Mapping[str, Any]) -> Self:
        """Understand settings and try the cell.  Raises SettingsError, naming each wrong field."""
        try:
            made = cls.model_validate(dict(settings))
        except ValidationError as error:
            raise SettingsError(from_validation(error)) from None
        try:
            made.make_cell(0)
        except DocumentError as error:
            raise SettingsError(list(error.problems)) from None
        except CellError as error:
            raise SettingsError([Problem("cell", None, str(error))]) from None
        return made

    @property
    def instrument(self) -> Model:
        return MODELS[self.model]

    @property
    def pickup(self) -> float:
        """Noise current from outside the instrument, A per root hertz."""
        return load_document(self.cell).pickup

    def make_cell(self, run: int) -> Cell:
        """A fresh cell for run number `run` of this instrument, counted from 1; additions before it have been made."""
        cell = load_cell(self.cell, seed=self.seed + run, concentrations=self.concentrations, run=run)
        cell.set_temperature(self.temperature)
        return cell
