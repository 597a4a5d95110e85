"""The driving side of the instrument: relay, outputs, and the order in which a cell is let go."""

from collections.abc import Callable, Mapping

from luggin.protocol import instrument
from luggin.protocol.program import Outputs
from luggin.sim.cell.api import Cell, Drive
from luggin.sim.trouble import Trouble

Note = Callable[[str, object], None]
"""Hears what the instrument does to the cell, in order: what was set, and to what."""

SAFE = Outputs()
SAFE_LEVELS: Mapping[str, bool | float] = {"stirrer": False, "gas": False, "light": False, "rotation_rate": 0.0}


class RelayError(Exception):
    """The relay did not do what it was told; its text is a sentence."""


class Relay:
    """Connects the cell.  Only its read-back says whether it did: what disagrees with the order is unknown."""

    def __init__(self, trouble: Trouble) -> None:
        self._trouble = trouble
        self._closed = False
        self.wanted = False

    def move(self, closed: bool) -> None:
        self.wanted = closed
        if self._trouble.relay != "stuck":
            self._closed = closed

    def read_back(self) -> instrument.Cell:
        if self._trouble.relay == "mute" or self._closed != self.wanted:
            return instrument.Cell.UNKNOWN
        return instrument.Cell.ON if self._closed else instrument.Cell.OFF


class Stage:
    """What stands at the cell: control and level, the range, the relay and the digital outputs."""

    def __init__(self, cell: Cell, relay: Relay, note: Note) -> None:
        self.cell = cell
        self.relay = relay
        self._note = note
        self._control: Drive | None = None
        self._levels = dict(SAFE_LEVELS)

    def connect(self, control: Drive) -> None:
        """Close the relay on a control loop that already stands at its first level.  Raises RelayError."""
        if control != self._control:
            self._note("control", control)
            self._control = control
        if not self.relay.wanted:
            self.relay.move(True)
            self._note("relay", self.relay.read_back().value)
            if self.relay.read_back() is not instrument.Cell.ON:
                raise RelayError("the relay was told to connect the cell, but its read-back does not say so")

    def disconnect(self) -> None:
        """Open the cell within a program; the outputs stay.  Raises RelayError."""
        if self.relay.wanted:
            self._ask_for_nothing()
            self._open()
            if self.relay.read_back() is not instrument.Cell.OFF:
                raise RelayError("the relay was told to open, but its read-back does not say so")

    def set_outputs(self, outputs: Outputs) -> None:
        """Bring the outputs to these levels; what is not said goes to its safe level, off."""
        for name, safe in SAFE_LEVELS.items():
            level = getattr(outputs, name) or safe
            if level != self._levels[name]:
                self._levels[name] = level
                self._move(name, level)
                self._note(name, level)

    def _move(self, name: str, level: bool | float) -> None:
        match name:
            case "stirrer":
                self.cell.stir(bool(level))
            case "gas":
                self.cell.purge(bool(level))
            case "rotation_rate":
                self.cell.rotate(level)
            # No simulated cell feels light: it is switched and noted.

    def shut(self, largest_range: float) -> None:
        """Let the cell go: no current asked for, a range that can't be driven over, then the relay, then the outputs.

        Legal at any time and any number of times.
        """
        self._ask_for_nothing()
        self._note("range", largest_range)
        self._open()
        self.set_outputs(SAFE)

    def _ask_for_nothing(self) -> None:
        if self._control == "current":
            self._note("level", 0.0)
        self._control = None

    def _open(self) -> None:
        self.relay.move(False)
        self._note("relay", self.relay.read_back().value)
