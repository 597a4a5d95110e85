"""A simulated instrument in a process of its own, reached as a real one would be."""

import asyncio
import signal
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import numpy as np
import pytest

from luggin.drivers.api import Session
from luggin.drivers.errors import LinkLost
from luggin.drivers.tcp_stream import open_tcp
from luggin.protocol.instrument import Activity, Cell, Status
from luggin.protocol.points import Array, Batch
from support.bench import RUN, Bench, block, hold, program, ramp
from support.simulate import LUGGIN, Simulated, logged, simulate

FAST = program(block(ramp(0.5, -0.1, 1.0, 1e-3), ramp(-0.1, 0.5, 1.0, 1e-3), repeat=2))
LONG = program(hold(0.1, 1e5, 0.1))
LINES = [("--tcp", "0"), ("--pty",)]
SIMULATED = ("--cell", "redox-probe", "--seed", "7", "--speed", "20")


@asynccontextmanager
async def running(simulated: Simulated) -> AsyncIterator[Session]:
    async with simulated.driver.open(5.0) as session:
        yield session


async def collect(session: Session, first: int = 0) -> dict[str, Array]:
    """Points from index `first` to the end of the run, without a gap."""
    batches: list[Batch] = []
    async for news in session.news():
        if isinstance(news, Batch):
            assert news.first == (batches[-1].after if batches else first)
            batches.append(news)
        elif isinstance(news, Status) and news.activity is Activity.ENDED:
            break
    return {name: np.concatenate([batch.columns[name] for batch in batches]) for name in batches[0].columns}


def same(one: dict[str, Array], other: dict[str, Array]) -> bool:
    return one.keys() == other.keys() and all(one[name].tobytes() == other[name].tobytes() for name in one)


@pytest.mark.parametrize("line", LINES, ids=lambda line: line[0])
async def test_points_are_those_of_the_bench_and_of_its_own_log(line: tuple[str, ...], tmp_path: Path) -> None:
    log = tmp_path / "points.jsonl"
    async with simulate(*line, *SIMULATED, "--points-log", str(log)) as simulated, running(simulated) as session:
        await session.arm(RUN, FAST)
        await session.start(RUN)
        points = await collect(session)
    assert same(points, Bench("redox-probe", seed=7, speed=1e5).run(FAST))
    written, events = logged(log, RUN)
    assert same(points, written)
    assert [(entry["event"], entry["value"]) for entry in events][-1] == ("relay", "off")


@pytest.mark.parametrize("line", LINES, ids=lambda line: line[0])
async def test_a_run_goes_on_over_sessions_and_its_end_opens_the_cell(line: tuple[str, ...], tmp_path: Path) -> None:
    log = tmp_path / "points.jsonl"
    async with simulate(*line, "--speed", "100", "--points-log", str(log)) as simulated:
        async with running(simulated) as session:
            await session.arm(RUN, LONG)
            await session.start(RUN)
            boot = (await session.status()).boot
        async with running(simulated) as session:
            status = await session.status()
            assert (status.run, status.boot, status.activity) == (RUN, boot, Activity.RUNNING)
            await session.replay(RUN, 0)
            first = await anext(news async for news in session.news() if isinstance(news, Batch))
            assert first.first == 0
        assert await simulated.end() == 0
    _, events = logged(log, RUN)
    assert [(entry["event"], entry["value"]) for entry in events][-1] == ("relay", "off")


async def test_a_symbolic_link_leads_to_the_port_wherever_it_goes(tmp_path: Path) -> None:
    link = tmp_path / "instrument"
    async with simulate("--pty", str(link), "--control") as simulated:
        first = simulated.place
        assert f"pty {link.resolve()}" == first
        simulated.place = f"pty {link}"
        async with running(simulated) as session:
            await session.status()
            await simulated.fault("drop")
            with pytest.raises(LinkLost):
                await anext(session.news())
        await simulated.next_place()
        assert simulated.place == f"pty {link.resolve()}"
        async with running(simulated) as session:
            assert (await session.status()).activity is Activity.IDLE
        assert await simulated.end() == 0
    assert not link.is_symlink()


async def test_a_host_notices_that_the_process_was_killed() -> None:
    async with simulate("--tcp", "0") as simulated, running(simulated) as session:
        await session.arm(RUN, LONG)
        await session.start(RUN)
        simulated.process.send_signal(signal.SIGKILL)
        with pytest.raises(LinkLost):
            await collect(session)


async def test_a_new_connection_takes_over_only_with_a_hello() -> None:
    async with simulate("--tcp", "0") as simulated, running(simulated) as session:
        _, host, port = simulated.place.split()
        stranger = await open_tcp(host, int(port))
        await stranger.write(b"GET / HTTP/1.1\r\n\r\n\0")
        assert (await session.status()).activity is Activity.IDLE
        async with running(simulated) as newer:
            with pytest.raises(LinkLost):
                await anext(session.news())
            assert (await newer.cell_off()).cell is Cell.OFF
        await stranger.close()


async def test_faults_come_by_option_and_by_control() -> None:
    process = simulate("--tcp", "0", "--fault", "relay-mute", "--control")
    async with process as simulated, running(simulated) as session:
        assert (await session.cell_off()).cell is Cell.UNKNOWN
        await simulated.fault("nonsense")
        await simulated.fault("relay-sound")
        while not (await session.cell_off()).confirmed:
            pass


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        (["--cell", "no-such-cell"], 3, "luggin: cell = 'no-such-cell': no such cell"),
        (["--speed", "-1"], 3, "luggin: speed = -1.0: input should be greater than 0"),
        (["--fault", "explode"], 3, "luggin: fault = 'explode': there is no such fault"),
        (["--ble", "n" * 30], 3, f"luggin: ble = '{'n' * 30}': this does not fit an advertisement; give 1 to 29 bytes"),
        (["--pty", "/dev/null"], 1, "luggin: /dev/null: it exists and is no symbolic link"),
        (["--points-log", "/no/such/folder/log"], 1, "luggin: /no/such/folder/log: No such file or directory"),
    ],
)
async def test_what_can_not_be_simulated_is_said_in_one_sentence(
    arguments: list[str], code: int, sentence: str
) -> None:
    process = await asyncio.create_subprocess_exec(
        *LUGGIN, "simulate", *arguments, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    output, errors = await process.communicate()
    assert process.returncode == code
    assert output == b""
    assert errors.decode().startswith(sentence)
    assert errors.decode().count("\n") == 1


async def test_a_port_that_does_not_exist_is_a_wrong_command_line() -> None:
    process = await asyncio.create_subprocess_exec(
        *LUGGIN, "simulate", "--tcp", "70000", stderr=asyncio.subprocess.PIPE
    )
    errors = (await process.communicate())[1].decode()
    assert process.returncode == 2
    assert "argument --tcp: '70000' is no port; give 0 to 65535" in errors


async def test_help_is_quick_and_complete() -> None:
    words = "from luggin.daemon.cli.main import main; main(['simulate', '--help'])"
    check = f"import sys, atexit; atexit.register(lambda: print(sorted(sys.modules))); {words}"
    process = await asyncio.create_subprocess_exec(LUGGIN[0], "-c", check, stdout=asyncio.subprocess.PIPE)
    output = (await process.communicate())[0].decode()
    assert process.returncode == 0
    for word in ("--cell", "--pty", "--tcp", "--speed", "--seed", "--ideal", "reference-lost", "relay-stuck"):
        assert word in output
    modules = output.splitlines()[-1]
    for heavy in ("'numpy'", "'pydantic'", "'cbor2'"):
        assert heavy not in modules
