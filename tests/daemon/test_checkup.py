"""Each thing that a check-up looks at, sound and broken."""

import os
import pty
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon import config
from luggin.daemon.checkup import Finding, Grade, broker, check_up, daemon, instruments, lines, machine, storage
from luggin.daemon.config import BrokerSettings
from luggin.daemon.store import Store
from luggin.protocol.instrument import Activity, Cell
from support.brokers import embedded, local_access
from support.road import has_mosquitto
from support.runs import store_run
from support.scripted import CAPABILITY, Instrument

GOOD, REMARK, BAD = Grade.GOOD, Grade.REMARK, Grade.BAD


def grades(found: Iterable[Finding]) -> list[tuple[str, Grade]]:
    listed = list(found)
    assert all(bool(each.remedy) == (each.grade is not GOOD) for each in listed), "what is not good has its remedy"
    return [(each.what, each.grade) for each in listed]


@pytest.mark.parametrize(
    ("given", "what", "grade"),
    [
        ({}, "python", GOOD),
        ({"python": (3, 10)}, "python", BAD),
        ({"largest": 2**31 - 1}, "word size", BAD),
        ({"environment": {"OPENBLAS_NUM_THREADS": "4"}}, "threads", REMARK),
        ({"clock": lambda: False}, "clock", REMARK),
        ({"clock": lambda: None}, "clock", REMARK),
    ],
)
def test_the_machine(given: dict[str, Any], what: str, grade: Grade) -> None:
    sound = {"environment": {}, "clock": lambda: True, "python": (3, 12), "largest": 2**63 - 1}
    found = dict(grades(machine.look(**{**sound, **given})))
    assert found.pop(what) is grade
    assert set(found.values()) == {GOOD}


# As proc(5) describes mountinfo; the last mount over a point counts, and \040 is a blank.
MOUNTS = r"""22 1 8:1 / / rw - ext4 /dev/sda1 rw
30 22 0:40 / /run rw - tmpfs tmpfs rw
31 22 0:41 / /srv/the\040lab rw,relatime shared:1 - nfs4 server:/lab rw
32 22 8:2 / /srv rw - ext4 /dev/sda2 rw
"""


@pytest.mark.parametrize(
    ("folder", "kind"),
    [("/home/anna", "ext4"), ("/run/luggin", "tmpfs"), ("/srv/the lab/runs", "nfs4"), ("/srv/other", "ext4")],
)
def test_the_file_system_of_a_folder(tmp_path: Path, folder: str, kind: str) -> None:
    (tmp_path / "mountinfo").write_text(MOUNTS)
    assert storage.file_system(Path(folder), tmp_path / "mountinfo") == kind
    assert storage.file_system(Path(folder), tmp_path / "none") == ""


async def test_the_store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, mounts = tmp_path / "deep" / "store.sqlite", tmp_path / "mountinfo"
    mounts.write_text(MOUNTS)
    assert dict(grades(storage.look(path, mounts))) == {"disk": GOOD, "file system": GOOD, "store": REMARK}
    path = tmp_path / "store.sqlite"
    async with Store.open(path, interval=0.01, slow_interval=0.01) as store:
        await store_run(store, "run-1", 5000)
        found = list(storage.look(path, mounts))
        assert dict(grades(found))["store"] is GOOD, "while a daemon writes it"
        assert "1 runs, 0 of them without" in found[-1].sentence
    for kind, grade in (("nfs4", BAD), ("tmpfs", BAD), ("overlay", REMARK)):
        mounts.write_text(f"22 1 8:1 / / rw - {kind} somewhere rw\n")
        assert dict(grades(storage.look(path, mounts)))["file system"] is grade
    monkeypatch.setattr(storage, "ENOUGH", 10**18)
    assert dict(grades(storage.look(path, mounts)))["disk"] is REMARK
    monkeypatch.setattr(storage, "FEW", 10**18)
    assert dict(grades(storage.look(path, mounts)))["disk"] is BAD
    with closing(sqlite3.connect(path)) as database:
        database.execute("PRAGMA user_version=1")
    assert grades(storage.look(path))[-1] == ("store", REMARK)
    with path.open("r+b") as file:
        file.seek(3 * 4096)
        file.write(os.urandom(8 * 4096))
    assert grades(storage.look(path))[-1] == ("store", BAD)
    path.write_text("something else")
    assert grades(storage.look(path))[-1] == ("store", BAD)


@pytest.fixture
def terminal() -> Iterator[str]:
    ours, theirs = pty.openpty()
    yield os.ttyname(theirs)
    os.close(ours)
    os.close(theirs)


def test_ports(tmp_path: Path, terminal: str, monkeypatch: pytest.MonkeyPatch) -> None:
    assert grades(lines.look("left", terminal, attended=False)) == [("port of left", GOOD)]
    (gone,) = lines.look("left", str(tmp_path / "ttyACM0"), attended=False)
    assert (gone.grade, "plug it in" in gone.remedy) == (BAD, True)
    (tmp_path / "file").touch()
    (file,) = lines.look("left", str(tmp_path / "file"), attended=False)
    assert (file.grade, "no serial port" in file.sentence) == (BAD, True)
    monkeypatch.setattr("luggin.drivers.ports.objection", lambda _: "a program uses it: terminal (process 7)")
    (used,) = lines.look("left", terminal, attended=False)
    assert (used.grade, "process 7" in used.sentence) == (BAD, True)
    assert grades(lines.look("left", terminal, attended=True)) == [("port of left", GOOD)], "the daemon may use it"
    monkeypatch.setattr(os, "access", lambda *_: False)
    (forbidden,) = lines.look("left", terminal, attended=False)
    assert (forbidden.grade, "usermod -aG" in forbidden.remedy) == (BAD, True)


@has_mosquitto
async def test_a_broker_that_is_reached_and_one_that_is_not(tmp_path: Path) -> None:
    async with embedded(tmp_path, "mosquitto"):
        there = local_access(tmp_path)
        (tmp_path / "password").write_text(there.password or "")
        fields = {"url": f"mqtt://{there.user}@{there.host}:{there.port}", "password_file": tmp_path / "password"}
        allowed = [each async for each in broker.look(BrokerSettings.model_validate({**fields, "acl": True}), "bench")]
        # The user that clients of this machine have may read, and may write to its own commands only.
        assert grades(allowed) == [("broker", GOOD), ("role", BAD)]
        assert "may not publish" in allowed[1].sentence
        (tmp_path / "password").write_text("wrong")
        refused = [each async for each in broker.look(BrokerSettings.model_validate(fields), "bench")]
        assert grades(refused) == [("broker", BAD), ("broker", REMARK)]
        assert "wrong" not in str(refused)
    gone = [each async for each in broker.look(BrokerSettings(url="mqtt://127.0.0.1:1", acl=True), "bench")]
    assert grades(gone) == [("broker", BAD)]
    hidden = BrokerSettings(url="mqtt://127.0.0.1:1", password_file=tmp_path / "nowhere")
    assert grades([each async for each in broker.look(hidden, "bench")]) == [("broker", BAD)]
    assert grades([each async for each in broker.look(None, "bench")]) == [("broker", GOOD)]


@pytest.mark.parametrize(("trouble", "grade"), [(None, REMARK), ("", GOOD), ("it lets nobody in", BAD)])
async def test_a_password_that_only_the_service_has(trouble: str | None, grade: Grade) -> None:
    settings = BrokerSettings(url="mqtts://bench-1@127.0.0.1:1", acl=True)
    found = [each async for each in broker.look(settings, "bench-1", trouble)]
    assert grades(found) == [("broker", grade)]
    assert (trouble or "bench-1") in found[0].sentence


async def test_instruments_are_asked_and_never_switched() -> None:
    driver = Instrument()
    assert (await instruments.ask("left", driver)).grade is GOOD
    driver.state = replace(driver.state, activity=Activity.RUNNING, cell=Cell.ON, run="run-1")
    energised = await instruments.ask("left", driver)
    assert (energised.grade, "make-safe" in energised.remedy) == (BAD, True)
    driver.state = replace(driver.state, activity=Activity.IDLE, cell=Cell.UNKNOWN)
    assert (await instruments.ask("left", driver)).grade is BAD
    assert set(driver.calls) == {"status"}
    assert (
        await instruments.ask("left", Instrument(CAPABILITY.model_copy(update={"dead_man": False})))
    ).grade is REMARK
    driver.reachable = False
    assert (await instruments.ask("left", driver)).grade is BAD


@pytest.mark.parametrize(
    ("state", "grade"),
    [
        ({"state": "Execute", "cell": "on", "link": "up", "reason": ""}, GOOD),
        ({"state": "Idle", "cell": "off", "link": "lost", "reason": "The cable was pulled."}, BAD),
        ({"state": "Aborted", "cell": "off", "link": "up", "reason": "A limit was met."}, BAD),
        ({"state": "Aborting", "cell": "unknown", "link": "up", "reason": "No read-back."}, BAD),
        (None, REMARK),
    ],
)
def test_instruments_as_the_daemon_has_them(state: dict[str, str] | None, grade: Grade) -> None:
    assert instruments.told("left", state).grade is grade


def test_the_daemon() -> None:
    assert daemon.look(None).grade is REMARK
    assert daemon.look({"node": "bench", "software": version("luggin")}).grade is GOOD
    assert daemon.look({"node": "bench", "software": "0.0.1"}).grade is REMARK


async def test_everything_together_without_a_daemon(tmp_path: Path) -> None:
    sections = {
        "left": {"driver": "sim", "reference": "Ag/AgCl"},
        "right": {"driver": "serial", "port": str(tmp_path / "none"), "reference": "Ag/AgCl"},
    }
    wanted = {"store": {"path": "runs.sqlite"}, "instruments": sections}
    found = dict(grades(await check_up(config.parse(wanted, tmp_path), None)))
    assert (found["instrument left"], found["port of right"]) == (GOOD, BAD)
    assert "instrument right" not in found, "what has no port can't be asked"
