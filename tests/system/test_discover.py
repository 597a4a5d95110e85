"""`luggin discover` beside a running daemon: lines that can be pasted, and hands off what is in use."""

import json
import tomllib
from pathlib import Path

from luggin.daemon import config
from luggin.protocol.problem import DocumentError
from support.road import Road, serial, walked


async def found(road: Road, *places: str) -> tuple[int, dict[str, object]]:
    code, out, err = await road.luggin("discover", "--json", "--seconds", "1", *places)
    assert not err
    told = json.loads(out)["found"]
    [place] = [each for each in told if each["place"] in places]
    return code, place


async def test_an_instrument_is_found_and_its_lines_are_a_configuration(tmp_path: Path) -> None:
    async with walked(tmp_path) as road:
        await road.simulate("left", "dummy-resistor")
        port = str(tmp_path / "left")
        code, place = await found(road, port)
        assert (code, place["speaks"]) == (0, True)
        lines = str(place["configuration"])
        code, out, _ = await road.luggin("discover", port)
        assert code == 0
        assert "yes: luggin bench, serial sim-1" in out
        assert lines in out

        document = tomllib.loads(lines)
        try:
            config.parse(document, tmp_path)
            raise AssertionError("a reference is nothing that can be guessed")
        except DocumentError as error:
            assert [problem.field for problem in error.problems] == ["instruments.bench-sim-1.reference"]
        document["instruments"]["bench-sim-1"]["reference"] = "Ag/AgCl (3 M KCl)"
        (driver, _) = config.parse(document, tmp_path).instruments["bench-sim-1"]
        assert driver.address == f"serial port {port}"

        await road.serve({"left": serial(tmp_path, "left")})
        before = await road.until("left", state="Idle", cell="off", link="up")
        code, place = await found(road, port)
        assert (code, place["speaks"]) == (4, None)
        assert place["reason"] == "a running daemon has it: bench's left"
        after = await road.until("left", state="Idle", link="up")
        assert after["link_since"] == before["link_since"], "the daemon's connection was left alone"


async def test_without_bluetooth_that_is_said(tmp_path: Path) -> None:
    async with walked(tmp_path) as road:
        road.environment["DBUS_SYSTEM_BUS_ADDRESS"] = "unix:path=/nowhere/at/all"
        code, out, err = await road.luggin("discover", "--list-only")
        assert code == 0, err
        assert "Bluetooth can't be used: this machine has no system bus (D-Bus)" in out
        code, out, err = await road.luggin("simulate", "--ble")
        assert (code, out) == (4, "")
        assert err.startswith("luggin: no instrument can be offered over Bluetooth: this machine has no system bus")
        assert err.count("\n") == 1
        code, _, err = await road.luggin("discover", "--seconds", "1000")
        assert code == 2
        assert "--seconds 1000: give 0.1 to 60" in err
