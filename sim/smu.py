"""A simulated source-measure unit: program messages and time in, response messages out.  All of it is invented.

It speaks what SCPI-1999 and IEEE 488.2 define and nothing else, and has no clock, no memory and no timer of its own:
what was set goes on standing until something else is set.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from random import Random

from luggin.drivers.errors import SettingsError
from luggin.protocol.problem import Problem
from luggin.sim.cell.api import Cell
from luggin.sim.smu_messages import LONGEST, Commands, ErrorQueue, ScpiError, boolean, calls, number
from luggin.sim.smu_quirks import QUIRKS
from luggin.sim.smu_source import Function, Source

IDENTITY = "luggin,simulated source-measure unit,0001,1.0"
READING_TIME = 4e-3
"""Seconds that a reading takes."""
_VOLTS, _AMPS = 20.0, 0.1
_INFINITY = 9.9e37


@dataclass(frozen=True)
class Quirks:
    """What is odd about this unit; see QUIRKS."""

    names: frozenset[str] = frozenset()

    @classmethod
    def parse(cls, names: Iterable[str]) -> "Quirks":
        """Raises SettingsError."""
        unknown = sorted(set(names) - QUIRKS.keys())
        if unknown:
            problem = Problem("quirk", unknown[0], "there is no such quirk", f"known are {', '.join(QUIRKS)}")
            raise SettingsError([problem])
        return cls(frozenset(names))

    def __contains__(self, name: str) -> bool:
        return name in self.names


class SourceMeasureUnit:
    """One unit; `now` is real monotonic time in s and never goes back."""

    def __init__(self, cell: Cell, now: float, quirks: Quirks | None = None, noise: Random | None = None) -> None:
        self._quirks, self._now = quirks or Quirks(), now
        self.source = Source(cell, "clamped" in self._quirks, now)
        self._noise = noise
        self._errors = ErrorQueue()
        self._begun = b""
        self._answer: tuple[float, bytes] | None = None  # when it is ready, and what it says
        self._busy = 0.0
        self._full_scale = _AMPS
        self._fresh = False
        self.said: list[str] = []
        """The program messages that it was sent."""
        self._commands = Commands(self._table())
        if "energised" in self._quirks:
            self.source.volts, self.source.on = 0.2, True

    def receive(self, data: bytes, now: float) -> None:
        """Take bytes; whole messages are carried out."""
        *messages, self._begun = (self._begun + data).split(b"\n")
        if len(self._begun) > LONGEST:
            self._begun = b""
            self._errors.put(-363)
        for message in messages:
            text = message.decode("ascii", "replace").strip()
            if text:
                self._carry_out(text, now)

    def send(self, now: float) -> bytes:
        """The response message that is ready, or nothing."""
        if self._answer is None or now < self._answer[0]:
            return b""
        answer = self._answer[1]
        self._answer = None
        return answer

    def wakeup(self) -> float | None:
        """When `send` will have something."""
        return None if self._answer is None else self._answer[0]

    def _carry_out(self, message: str, now: float) -> None:
        self.said.append(message)
        if self._answer is not None:  # IEEE 488.2: an answer that was not read yet is lost
            self._answer = None
            self._errors.put(-410)
        self._now, self._busy = now, 0.0
        self.source.advance(now)
        answers: list[str] = []
        for call in calls(message):
            try:
                answer = self._commands.carry_out(call)
            except ScpiError as error:
                self._errors.put(error.number)
                if error.number > -200:
                    break  # a command error: what follows is not understood any more
                continue
            if answer is not None:
                answers.append(answer)
        if answers and not ("silent" in self._quirks and self._busy):
            ending = "\r\n" if "crlf" in self._quirks else "\n"
            self._answer = (now + self._busy, (";".join(answers) + ending).encode())

    # What the headers mean

    def _table(self) -> list[tuple[str, int, Callable[..., str | None]]]:
        source = self.source
        table: list[tuple[str, int, Callable[..., str | None]]] = [
            ("*IDN?", 0, lambda: IDENTITY),
            ("*CLS", 0, self._errors.clear),
            ("*RST", 0, self._reset),
            ("*OPC?", 0, lambda: "1"),
            ("SYSTem:ERRor[:NEXT]?", 0, self._errors.next),
            ("OUTPut[:STATe]", 1, self._output),
            ("OUTPut[:STATe]?", 0, lambda: "1" if source.on else "0"),
            ("[SOURce:]FUNCtion:MODE", 1, self._function),
            ("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", 1, self._voltage),
            ("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", 1, self._current),
            ("SENSe:CURRent[:DC]:RANGe[:UPPer]", 1, self._range),
            ("SENSe:CURRent[:DC]:RANGe:AUTO", 1, self._automatic),
            ("SENSe:CURRent[:DC]:PROTection[:LEVel]", 1, self._bound_current),
            ("SENSe:VOLTage[:DC]:PROTection[:LEVel]", 1, self._bound_voltage),
            ("READ[:CURRent][:DC]?", 0, self._read),
            ("FETCh[:CURRent][:DC]?", 0, self._amps),
            ("FETCh:VOLTage[:DC]?", 0, self._fetch_voltage),
        ]
        if "no-sense" not in self._quirks:
            table.append(("SYSTem:RSENse", 1, self._sense))
        return table

    def _reset(self) -> None:
        source = self.source
        source.on, source.function, source.volts, source.amps = False, "VOLT", 0.0, 0.0

    def _output(self, text: str) -> None:
        self.source.on = boolean(text)

    def _function(self, text: str) -> None:
        names: dict[str, Function] = {"VOLT": "VOLT", "VOLTAGE": "VOLT", "CURR": "CURR", "CURRENT": "CURR"}
        if text.upper() not in names:
            raise ScpiError(-224)
        self.source.function = names[text.upper()]

    def _voltage(self, text: str) -> None:
        self.source.volts = number(text, -_VOLTS, _VOLTS)

    def _current(self, text: str) -> None:
        self.source.amps = number(text, -_AMPS, _AMPS)

    def _range(self, text: str) -> None:
        self._full_scale = number(text, 0.0, _AMPS)

    def _automatic(self, text: str) -> None:
        if boolean(text):
            self._full_scale = _AMPS

    def _bound_current(self, text: str) -> None:
        self.source.most_amps = number(text, 0.0, 1.05 * _AMPS)

    def _bound_voltage(self, text: str) -> None:
        self.source.most_volts = number(text, 0.0, 1.05 * _VOLTS)

    def _sense(self, text: str) -> None:
        boolean(text)  # taken; in software both ends of a lead are one

    def _read(self) -> str:
        self._busy += 0.3 if "slow" in self._quirks else READING_TIME
        self._fresh = True
        return self._amps()

    def _amps(self) -> str:
        current = self.source.current if self.source.on else 0.0
        if abs(current) > 1.05 * self._full_scale:
            return _numeric(_INFINITY)
        return _numeric(current + self._scatter(1e-5 * self._full_scale))

    def _fetch_voltage(self) -> str:
        if "no-fetch" in self._quirks or not self._fresh:
            raise ScpiError(-230)
        return _numeric(self.source.potential + self._scatter(1e-5))

    def _scatter(self, deviation: float) -> float:
        return 0.0 if self._noise is None else self._noise.gauss(0.0, deviation)


def _numeric(value: float) -> str:
    return f"{value:+.6E}"
