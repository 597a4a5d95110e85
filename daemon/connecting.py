"""Connects one instrument for ever, and hands each connection to the control until it is lost."""

import asyncio
import random

import structlog

from luggin.daemon.attendance import Attendance
from luggin.daemon.control import STUCK_AFTER, Control
from luggin.daemon.settings import Intervals
from luggin.drivers.api import Driver, Session
from luggin.drivers.errors import DriverError
from luggin.protocol.instrument import Status
from luggin.protocol.unit import events

_LOOK_UP_WITHIN = 1.0


class Connecting:
    def __init__(self, instrument: str, driver: Driver, control: Control, intervals: Intervals) -> None:
        self._driver, self._control, self._intervals = driver, control, intervals
        self._log = structlog.get_logger(__name__).bind(instrument=instrument, address=driver.address)
        self._said = ""
        self._tried = control.now()

    def stuck(self) -> str:
        """What keeps it from looking after its instrument for longer than anything here may take; empty when well."""
        attendance, now, bounds = self._control.attendance, self._control.now(), self._intervals
        if attendance is not None:
            idle, most = now - attendance.looked, bounds.silence
        else:
            idle, most = now - self._tried, bounds.connect + 1.3 * bounds.reconnect[1] + bounds.cell_off
        return f"nothing was done with its connection for {idle:.0f} s" if idle > most + STUCK_AFTER else ""

    async def run(self) -> None:
        """Only cancellation ends it."""
        shortest, longest = self._intervals.reconnect
        pause = shortest
        while True:
            epoch = self._control.unit.epoch
            self._tried = self._control.now()
            try:
                async with self._driver.open(self._intervals.connect) as session:
                    await self._attend(session)
            except (DriverError, OSError) as error:
                self._note(str(error))
            except Exception as error:
                self._log.exception("connecting failed in an unforeseen way")
                self._control.fault(error)
            pause = shortest if self._control.unit.epoch != epoch else min(2 * pause, longest)
            await asyncio.sleep(pause * random.uniform(0.7, 1.3))

    def _note(self, sentence: str) -> None:
        """A warning once, and not again before something else is the matter."""
        level = self._log.debug if sentence == self._said else self._log.warning
        level("not connected", reason=sentence)
        self._said = sentence

    async def _attend(self, session: Session) -> None:
        control, sentence = self._control, "The connection was closed."
        try:
            status = await session.status()
            known, stored = await self._look_up(status)
            self._said = ""
            attendance = Attendance(session, control, self._intervals, control.now)
            control.session, control.attendance = session, attendance
            self._log.info("connected", activity=status.activity.value)
            control.feed(events.Connected(control.now(), control.unit.epoch + 1, status, known))
            if stored is not None:
                control.spawn("late points", control.fetch_late, session, status, stored)
            looking = control.spawn("health", self._look_for_ever, session)
            try:
                await attendance.run()
            finally:
                looking.cancel()
        except DriverError as error:
            sentence = f"The link is lost: {error}."
            raise
        except asyncio.CancelledError:
            # Whoever takes the daemon down without asking finds nothing energised behind its back.
            control.feed(events.Shutdown(control.now()))
            raise
        except Exception as error:
            # While the connection is still open, so that the cell can be switched off over it.
            self._log.exception("the connection failed in an unforeseen way")
            control.fault(error)
        finally:
            try:
                await control.off_answered()
            finally:
                control.session = control.attendance = None
                control.feed(events.LinkLost(control.now(), control.unit.epoch, sentence))

    async def _look_up(self, status: Status) -> tuple[bool, int | None]:
        """Whether the points that the instrument holds are of a run known here; of an earlier one, what is stored."""
        run, control = status.run, self._control
        here = None if control.execution is None else control.execution.run
        if run is None or run == here or status.oldest >= status.next:
            return True, None
        try:
            async with asyncio.timeout(_LOOK_UP_WITHIN):
                stored = await control.books.stored_of(run)
        except TimeoutError:
            return False, None
        return stored is not None, stored

    async def _look_for_ever(self, session: Session) -> None:
        """Health now and then, an anchor each hour."""
        control, anchored = self._control, self._control.now()
        while True:
            try:
                reading = await session.read()
            except DriverError as error:
                self._log.debug("no reading", reason=str(error))
            else:
                control.reports.health(session.capability, reading, await control.books.unpublished())
            if control.now() - anchored >= self._intervals.anchor:
                anchored = control.now()
                await control.anchor(session)
            await asyncio.sleep(self._intervals.health)
