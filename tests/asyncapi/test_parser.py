"""The description of the messages, judged by the parser of the AsyncAPI initiative (npm package @asyncapi/parser)."""

import json
import subprocess
from pathlib import Path
from typing import Any

import pytest

from luggin.protocol.asyncapi import document
from support.npm import needs_packages

HERE = Path(__file__).parent
pytestmark = [pytest.mark.long, needs_packages(HERE)]


def parsed(path: Path) -> tuple[int, str]:
    done = subprocess.run(["node", str(HERE / "check.mjs"), str(path)], capture_output=True, text=True, check=False)
    assert done.stderr == ""
    return done.returncode, done.stdout


def test_the_committed_description_is_valid() -> None:
    code, out = parsed(HERE.parents[1] / "protocol" / "asyncapi.json")
    assert code == 0, out
    *remarks, told = out.splitlines()
    assert all("asyncapi-latest-version" in each for each in remarks), remarks
    found: dict[str, Any] = json.loads(told)
    wanted = document()
    assert {*found["send"], *found["receive"]} == set(wanted["operations"])
    assert set(found["addresses"]) == {each["address"] for each in wanted["channels"].values()}


@pytest.mark.parametrize("damage", ["reference", "address", "action"])
def test_a_damaged_description_is_found_out(damage: str, tmp_path: Path) -> None:
    made = document()
    if damage == "reference":
        made["components"]["messages"]["points"]["payload"] = {"$ref": "#/components/schemas/Nothing"}
    elif damage == "address":
        made["channels"]["state"]["address"] = 7
    else:
        made["operations"]["send-state"]["action"] = "shout"
    path = tmp_path / "asyncapi.json"
    path.write_text(json.dumps(made), encoding="utf-8")
    code, out = parsed(path)
    assert code == 1, out
    assert "severity 0" in out
