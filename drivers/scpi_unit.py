"""A source-measure unit by the words of SCPI-1999 and IEEE 488.2 alone, as an instrument that only sets and reads.

The unit is never reset: what it does at its output when that is off is set on the unit, and *RST might undo it.
"""

import asyncio
import math

from luggin.drivers.errors import NoAnswer, ProtocolViolation, Refused
from luggin.drivers.scpi_line import ScpiLine
from luggin.drivers.scpi_settings import ScpiSettings
from luggin.drivers.set_and_read import Measured
from luggin.protocol.capability import Capability, nearest_range
from luggin.protocol.instrument import Cell, Receipt
from luggin.protocol.points import Flag
from luggin.protocol.program import Control, Program

READING = ":READ:CURR?;:FETC:VOLT?;:OUTP?"
_NOTHING = 9.9e37
"""SCPI-1999: 9.9E37 stands for infinity, 9.91E37 for not-a-number."""
_GRIP = 0.01
"""Volts, and share of the current range, by which a level may be missed before control counts as lost."""


class ScpiUnit:
    def __init__(self, line: ScpiLine, settings: ScpiSettings, capability: Capability) -> None:
        self._line, self._settings = line, settings
        self.capability = capability
        self._sign = 1.0 if settings.working_electrode == "high" else -1.0
        self._control: Control | None = None
        self._forced = False  # whether a current was ever forced: then a cell-off sets it to zero first
        self._level = 0.0
        self._standing = False  # whether a level stands at the output
        self._full_scale = capability.current_ranges[-1]

    async def prepare(self, program: Program) -> None:
        settings = self._settings
        await self._tell("*CLS")
        if settings.sense_wires is not None:
            await self._tell(f":SYST:RSEN {'ON' if settings.sense_wires == 4 else 'OFF'}")
        await self._tell(f":SENS:VOLT:PROT {_number(settings.voltage_compliance)}")
        await self._tell(f":SENS:CURR:PROT {_number(settings.current_compliance)}")
        if settings.autorange:
            await self._tell(":SENS:CURR:RANG:AUTO ON")
            self._full_scale = math.nan
        else:
            self._full_scale = self._range_for(program)
            await self._tell(f":SENS:CURR:RANG {_number(self._full_scale)}")
        self._standing = False

    async def apply(self, control: Control | None, level: float) -> None:
        forced = control or "current"  # open circuit is a current of zero
        level = level if control is not None else 0.0
        same = self._standing and self._control == forced
        if not same:
            await self._begin(forced, level)
        if same or forced == "current":
            word = "VOLT" if forced == "potential" else "CURR"
            await self._tell(f":SOUR:{word} {_number(self._sign * level)}")
            self._level = level
        if self._settings.settle:
            await asyncio.sleep(self._settings.settle)

    async def _begin(self, control: Control, level: float) -> None:
        """Quantity and level first, of a current zero, then the output."""
        word, first = ("VOLT", self._sign * level) if control == "potential" else ("CURR", 0.0)
        self._control, self._level = control, level
        self._forced = self._forced or control == "current"
        await self._tell(f":SOUR:{word} {_number(first)}")
        await self._tell(f":SOUR:FUNC:MODE {word}")
        if await self._is_on() is False:
            await self._tell(":OUTP ON")
        self._standing = True

    async def measure(self) -> Measured:
        current, potential, on = await self._line.ask(READING, 3)
        flags, amps, volts = 0, self._sign * _value(current), self._sign * _value(potential)
        if not abs(amps) <= self._full_scale * (1 + 1e-9) and not math.isnan(self._full_scale):
            flags |= Flag.CURRENT_OVERLOAD
        if abs(amps) >= 0.999 * self._settings.current_compliance or self._lost(amps, volts):
            flags |= Flag.CONTROL_OVERLOAD
        return Measured(volts, amps, self._cell(_truth(on)), current_range=self._full_scale, flags=flags)

    async def look(self) -> Cell:
        return self._cell(await self._is_on())

    async def off(self) -> Receipt:
        zero = ":SOUR:CURR 0\n" if self._forced else ""
        self._standing = False
        await self._line.overtake(f"{zero}:OUTP OFF")
        try:
            answer = await self._line.ask(":OUTP?", 1, forgiving=True)
        except (NoAnswer, ProtocolViolation, Refused) as error:
            return Receipt(Cell.UNKNOWN, f"the output was told to go off, but what it did is not known: {error}")
        if _truth(answer[0]):
            return Receipt(Cell.ON, "the output was told to go off, but reads as on")
        cell = self._cell(False)
        return Receipt(cell, "" if cell is Cell.OFF else self._settings.off_words)

    # Inside

    def _cell(self, on: bool) -> Cell:
        return Cell.ON if on else Cell.OFF if self._settings.off_is_open else Cell.UNKNOWN

    def _lost(self, amps: float, volts: float) -> bool:
        """Whether the unit holds something else than what it was asked for."""
        if not self._standing:
            return False
        if self._control == "potential":
            return not abs(volts - self._level) <= _GRIP + 0.01 * abs(self._level)
        allowed = _GRIP * (abs(self._level) if math.isnan(self._full_scale) else self._full_scale)
        return not abs(amps - self._level) <= allowed + 1e-12 if self._level else False

    def _range_for(self, program: Program) -> float:
        """The current range for the whole run: the largest that is allowed, since nothing would leave a smaller one."""
        wanted, ranges = program.ranging.upper, self.capability.current_ranges
        index = None if wanted is None else nearest_range(wanted, self.capability)
        return ranges[-1 if index is None else index]

    async def _is_on(self) -> bool:
        return _truth((await self._line.ask(":OUTP?", 1))[0])

    async def _tell(self, command: str) -> None:
        await self._line.ask(command, 0)


def _number(value: float) -> str:
    return f"{value:.9E}"


def _value(text: str) -> float:
    """A numeric response; infinities and what is no number are not-a-number.  Raises ProtocolViolation."""
    try:
        value = float(text)
    except ValueError:
        raise ProtocolViolation(f"the unit answered {text[:40]!r} where a number was asked for") from None
    return value if abs(value) < _NOTHING else math.nan


def _truth(text: str) -> bool:
    """A boolean response of IEEE 488.2: 0 or 1.  Raises ProtocolViolation."""
    if text.lstrip("+") not in ("0", "1"):
        raise ProtocolViolation(f"the unit answered {text[:40]!r} where 0 or 1 was asked for")
    return text.endswith("1")
