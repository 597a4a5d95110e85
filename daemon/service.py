"""The whole daemon: its parts put together, kept alive, and taken down in the order that is safe.

Down: no more commands are taken; every cell is switched off and that is confirmed, but for runs that are to be left to
their instruments; the store is flushed; the broker gets the last news and a goodbye; our own broker ends.
"""

import asyncio
import fcntl
import os
import secrets
import signal
import socket
import time
from collections.abc import Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from importlib.metadata import version
from pathlib import Path

import structlog

from luggin.daemon import endpoint, places, watchdog
from luggin.daemon.board import Board
from luggin.daemon.broker import EmbeddedBroker
from luggin.daemon.clock import Clock
from luggin.daemon.config import BrokerSettings, Config
from luggin.daemon.desk import Desk
from luggin.daemon.ending import Ending
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.evaluation.calculator import Calculator
from luggin.daemon.evaluation.evaluator import Evaluator
from luggin.daemon.local import LocalSocket, socket_of
from luggin.daemon.mqtt.connection import Connection
from luggin.daemon.mqtt.intake import Intake
from luggin.daemon.notify import notify
from luggin.daemon.office import Office
from luggin.daemon.questions import Questions
from luggin.daemon.sequences import Conductor
from luggin.daemon.session import Instrument
from luggin.daemon.store import Store, StoreError
from luggin.daemon.watchdog import Watchdog
from luggin.drivers.exposure import exposure
from luggin.protocol.payloads import NodeStatus

log = structlog.get_logger(__name__)

CELL_OFF_WITHIN = 5.0
_RECORD_WITHIN, _FLUSH_WITHIN, _PUBLISH_WITHIN = 2.0, 10.0, 3.0
_SILENCE = 0.8  # s; a broker that takes nothing for longer gets no more: a service manager waits for us
_PATIENCE = 6.0  # longer than the connection's goodbye takes
_PAUSES = (1.0, 60.0)


class AlreadyRunning(Exception):
    """Another daemon has this name on this machine."""


async def serve(config: Config) -> bool:
    """Run a daemon until a signal or an order ends it.  False when a cell could not be confirmed off.

    Raises AlreadyRunning, StoreError, OSError before any instrument is touched.
    """
    runtime = places.private(config.node.runtime)
    config.store.path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    for name, (driver, _) in config.instruments.items():
        if exposed := exposure(driver):
            log.warning(exposed, instrument=name)
    with _only_one(runtime, config.node.name), _announced(runtime, config), _ended_by_signal() as ending:
        async with Store.open(config.store.path) as store:
            return await _Daemon(config, runtime, store, ending).run()


class _Daemon:
    def __init__(self, config: Config, runtime: Path, store: Store, ending: Ending) -> None:
        self._node, self._store, self._board, self._ending = config.node.name, store, Board(), ending
        self._software, self._daemon = version("luggin"), secrets.token_hex(6)
        self._instruments = {
            name: Instrument(self._node, name, driver, settings, store, self._board)
            for name, (driver, settings) in config.instruments.items()
        }
        self._broker = EmbeddedBroker(runtime, self._node) if config.broker is None else None
        largest = config.broker.largest_message if config.broker else Endpoint.largest_message
        self._evaluator = Evaluator(store, Calculator(store.path), f"luggin {self._software}")
        orders = {"evaluate": self._evaluator, "note": self._evaluator}
        self._conductors = {
            name: Conductor(self._node, name, instrument, store, self._board, Clock(), self._evaluator)
            for name, instrument in self._instruments.items()
        }
        self._desk = desk = Desk(self._node, self._conductors, Questions(store, largest), orders=orders)
        self._intake = Intake(desk, self._instruments)
        office = Office(store, self._instruments, ending)
        sections = {name: settings.shown for name, (_, settings) in config.instruments.items()}
        stuck = {f"instrument {name}": each.stuck for name, each in self._instruments.items()}
        self._watchdog = Watchdog({"store": store.stuck, **stuck}, watchdog.interval())
        self._connection = Connection(
            self._node,
            self._status,
            board=self._board,
            store=store,
            intake=self._intake,
            endpoint=self._broker.endpoint if self._broker else _external(config.broker),
            listeners=_listeners(self._instruments),
        )
        self._local = LocalSocket(
            socket_of(runtime, self._node),
            desk,
            self._board,
            self._status,
            office,
            sections,
            lambda: self._connection.trouble,
        )

    def _status(self, online: bool = True) -> NodeStatus:
        names = tuple(self._instruments)
        return NodeStatus(
            node=self._node,
            online=online,
            software=self._software,
            instruments=names,
            daemon=self._daemon,
            machine=socket.gethostname(),
            utc=time.time(),
        )

    async def run(self) -> bool:
        """Until the end is asked for; whether every cell is then confirmed off or left to a run on purpose."""
        async with asyncio.TaskGroup() as group:

            def start(name: str, body: Callable[[], Awaitable[None]]) -> asyncio.Task[None]:
                return group.create_task(_kept_alive(name, body), name=name)

            broker = [start("embedded broker", self._broker.run)] if self._broker else []
            connection = start("broker connection", self._connection.run)
            instruments = [start(f"instrument {name}", each.run) for name, each in self._instruments.items()]
            commands = [start("commands", self._intake.run), start("local socket", self._local.run)]
            commands.append(start("evaluations", self._evaluator.run))
            commands += [start(f"sequence on {name}", each.run) for name, each in self._conductors.items()]
            watch = [start("watchdog", self._watchdog.run)]
            await self._record("started", f"luggin {self._software} started")
            log.info("started", node=self._node, instruments=list(self._instruments), pid=os.getpid())
            notify("READY=1")
            await self._ending.wait()

            notify("STOPPING=1")
            log.info("ending", leave_runs=self._ending.leave_runs)
            self._desk.close()
            confirmed = await self._cells_off()
            left = [each.left for each in self._instruments.values() if each.left is not None]
            sentence = "every cell is confirmed off" if confirmed else "a cell is not confirmed off: look at it"
            if left:
                sentence = f"left going: {', '.join(left)}; of the others {sentence}"
            await self._record("ended", f"luggin {self._software} ended; {sentence}")
            await _within(
                _PUBLISH_WITHIN, self._connection.settle(_SILENCE), "the broker did not take the last points in time"
            )
            for tasks in (commands, instruments, [connection], broker, watch):
                await _cancel(tasks)
            log.info("ended", cells_off=confirmed, left=left)
            return confirmed

    async def _cells_off(self) -> bool:
        """Every instrument at once; whether all are confirmed."""
        results = await asyncio.gather(*(self._cell_off(*each) for each in self._instruments.items()))
        return all(results)

    async def _cell_off(self, name: str, instrument: Instrument) -> bool:
        confirmed = False
        try:
            async with asyncio.timeout(CELL_OFF_WITHIN + _RECORD_WITHIN):
                confirmed = await instrument.shutdown(CELL_OFF_WITHIN, leave_run=self._ending.leave_runs)
        except Exception:
            log.exception("an instrument failed while it was shut down", instrument=name)
        if not confirmed:
            log.error("cell NOT confirmed off; look at it, switch the instrument off by hand", instrument=name)
        return confirmed

    async def _record(self, kind: str, sentence: str) -> None:
        """An entry of the node's log, which also means that everything before it is on the disk."""
        late = "the store did not take an entry of the node's log in time"
        await _within(_FLUSH_WITHIN, self._store.event(None, None, kind, sentence, urgent=True), late)


def _listeners(instruments: Mapping[str, Instrument]) -> dict[str, list[Callable[[bytes, bool], None]]]:
    """What hears on which topic besides commands: interlocks."""
    found: dict[str, list[Callable[[bytes, bool], None]]] = {}
    for instrument in instruments.values():
        if instrument.interlock is not None:
            found.setdefault(instrument.interlock.topic, []).append(instrument.interlock.hear)
    return found


def _external(settings: BrokerSettings | None) -> Callable[[], Awaitable[Endpoint]]:
    assert settings is not None
    first = settings.endpoint()
    if first.password and not first.encrypted and first.host not in ("localhost", "127.0.0.1", "::1"):
        log.warning("the broker's password travels in the clear; use mqtts:// where the broker can", broker=str(first))

    async def now() -> Endpoint:
        return settings.endpoint()

    return now


async def _kept_alive(name: str, body: Callable[[], Awaitable[None]]) -> None:
    """Run one part until it returns, again when it fails: no fault of one part may end the others."""
    pause = _PAUSES[0]
    while True:
        try:
            return await body()
        except Exception:
            log.exception("a part of the daemon failed and is started again", part=name, pause=pause)
        await asyncio.sleep(pause)
        pause = min(2 * pause, _PAUSES[1])


async def _cancel(tasks: list[asyncio.Task[None]]) -> None:
    """Until they have ended: a library may swallow a cancellation (asyncio.wait_for before Python 3.12 does)."""
    left = set(tasks)
    while left:
        for task in left:
            task.cancel()
        _, left = await asyncio.wait(left, timeout=_PATIENCE)


async def _within(seconds: float, work: Awaitable[object], late: str) -> None:
    try:
        async with asyncio.timeout(seconds):
            await work
    except (TimeoutError, StoreError) as error:
        log.warning(late, reason=str(error))


@contextmanager
def _only_one(runtime: Path, node: str) -> Iterator[None]:
    """Hold the lock of this node's name.  The kernel drops it with the process, however that ends."""
    path = runtime / f"{node}.lock"
    with path.open("a+", encoding="utf-8") as file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            file.seek(0)
            owner = file.read(20).strip() or "unknown"
            raise AlreadyRunning(
                f"a daemon named {node} is running on this machine already (process {owner}); "
                f"stop it first, or give this one another name in [node]"
            ) from None
        file.truncate(0)
        file.write(f"{os.getpid()}\n")
        file.flush()
        yield


@contextmanager
def _announced(runtime: Path, config: Config) -> Iterator[None]:
    """Leave the laboratory's broker where this user's clients on this machine look; our own broker does so itself."""
    if config.broker is None:
        yield
        return
    path = endpoint.file_of(runtime, config.node.name)
    endpoint.write(path, config.broker.endpoint())
    try:
        yield
    finally:
        path.unlink(missing_ok=True)


@contextmanager
def _ended_by_signal() -> Iterator[Ending]:
    """An ending that a signal asks for.  Such signals never interrupt what is under way, a second one neither."""
    loop, ending = asyncio.get_running_loop(), Ending()
    # Started by nohup or in the background of a script, some are to be ignored.
    optional = [each for each in (signal.SIGINT, signal.SIGHUP) if signal.getsignal(each) is not signal.SIG_IGN]
    heeded = [signal.SIGTERM, *optional]
    for each in heeded:
        loop.add_signal_handler(each, ending.ask)
    try:
        yield ending
    finally:
        for each in heeded:
            loop.remove_signal_handler(each)
