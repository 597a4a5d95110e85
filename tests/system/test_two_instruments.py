"""Two instruments on serial lines, a broker of the laboratory, a foreign client: everybody has the same points."""

import asyncio
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from luggin.daemon.export import read_package
from luggin.protocol import techniques
from luggin.protocol.points import COLUMNS
from support.road import Road, free_port, has_mosquitto, line, serial, walked

EXAMPLE = techniques.TECHNIQUES["cyclic-voltammetry"].example


def sent(folder: Path, name: str) -> dict[str, list[Any]]:
    """What the simulator says it made."""
    columns: dict[str, list[Any]] = {}
    for entry in map(json.loads, (folder / f"{name}.points").read_text().splitlines()):
        for column, values in entry.get("columns", {}).items():
            columns.setdefault(column, []).extend(values)
    return columns


def received(messages: list[str], run: str) -> dict[str, list[Any]]:
    """What the subscriber got, put in the order of indices, repeats dropped."""
    batches = {}
    for message in messages:
        topic, _, payload = message.partition(" ")
        if topic.endswith(f"/run/{run}/points"):
            batch = json.loads(payload)
            batches[batch["first"]] = batch
    columns: dict[str, list[Any]] = {}
    after = 0
    for first in sorted(batches):
        assert first == after
        after += batches[first]["count"]
        for column, values in batches[first]["columns"].items():
            columns.setdefault(column, []).extend(values)
    return columns


def exported(folder: Path, run: str) -> dict[str, list[Any]]:
    """What the table of the data package holds."""
    _, columns = read_package(folder)[run]
    return {name: values.tolist() for name, values in columns.items() if name in COLUMNS}


def same(first: dict[str, list[Any]], second: dict[str, list[Any]]) -> None:
    assert first.keys() == second.keys()
    for name, column in first.items():
        one, other = (
            np.array([np.nan if v is None else v for v in values], dtype=COLUMNS[name].dtype)
            for values in (column, second[name])
        )
        np.testing.assert_array_equal(one, other, err_msg=name)


async def run_and_export(road: Road, instrument: str, broker: str) -> str:
    method = road.folder / "cv.toml"
    result = await road.told("run", str(method), "-i", instrument, "--broker", broker, "--node", "bench")
    assert result["state"] == "Complete"
    assert result["cell"] == "off"
    code, _, err = await road.luggin(
        "export",
        result["run"],
        "-o",
        str(road.folder / f"data-{instrument}"),
        "--store",
        str(road.folder / "runs.sqlite"),
    )
    assert code == 0, err
    return str(result["run"])


@has_mosquitto
@pytest.mark.timeout(120)
async def test_simulator_store_and_subscriber_agree_point_for_point(tmp_path: Path) -> None:
    port = free_port()
    url = f"mqtt://127.0.0.1:{port}"
    (tmp_path / "cv.toml").write_text(EXAMPLE)
    async with walked(tmp_path) as road:
        await asyncio.gather(
            road.broker(port),
            road.simulate("left", "redox-probe", "--speed", "10", "--seed", "1"),
            road.simulate("right", "dummy-r-rc", "--speed", "10", "--seed", "2"),
        )
        subscriber = await road.start("mosquitto_sub", "-p", str(port), "-t", "luggin/#", "-v", "-q", "1")
        await road.serve({name: serial(tmp_path, name) for name in ("left", "right")}, url)
        await asyncio.gather(*(road.until(name, state="Idle", cell="off", link="up") for name in ("left", "right")))
        runs = dict(
            zip(
                ("left", "right"),
                await asyncio.gather(*(run_and_export(road, name, url) for name in ("left", "right"))),
                strict=True,
            )
        )
        messages: list[str] = []
        waiting = {f"/run/{run}/result " for run in runs.values()}
        while waiting:
            messages.append((await line(subscriber)).rstrip("\n"))
            waiting = {mark for mark in waiting if mark not in messages[-1]}
        for name, run in runs.items():
            made = sent(tmp_path, name)
            assert len(made["time"]) == 2810
            same(made, exported(tmp_path / f"data-{name}", run))
            same(made, received(messages, run))
