"""The description of the messages: whole, and the committed copies are those of this code."""

import json
from pathlib import Path
from typing import Any, get_args

import pytest
from jsonschema import Draft7Validator

from luggin.daemon import acl
from luggin.daemon.cli.main import main
from luggin.protocol import topics
from luggin.protocol.asyncapi import document
from luggin.protocol.payloads import COMMANDS, LOCAL_ORDERS, QUESTIONS, STORE_COMMANDS, Points, RunResult, Start
from luggin.protocol.roles import ROLES, may, role_of
from luggin.protocol.schemas import SENT, TAKEN, schema_of, sent_schemas, taken_schemas

REPOSITORY = Path(__file__).parents[2]


def valid(schema: dict[str, Any], message: Any) -> bool:
    return bool(Draft7Validator(schema).is_valid(message))


def test_the_committed_description_is_that_of_the_code(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["describe"]) == 0
    written = (REPOSITORY / "protocol" / "asyncapi.json").read_text(encoding="utf-8")
    assert capsys.readouterr().out == written, "write it anew: luggin describe -o protocol/asyncapi.json"


def test_the_committed_access_control_is_that_of_the_code(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["describe", "--acl"]) == 0
    written = (REPOSITORY / "daemon" / "mosquitto.acl").read_text(encoding="utf-8")
    assert capsys.readouterr().out == written, "write it anew: luggin describe --acl -o daemon/mosquitto.acl"


def test_every_kind_and_every_verb_is_described() -> None:
    made = document()
    assert set(SENT) == set(get_args(topics.Kind)) - {"command"}
    wanted = {f"send-{kind}" for kind in SENT if kind != "reply"}
    wanted |= {f"receive-{verb}" for verb in COMMANDS}
    wanted |= {f"receive-store-{verb}" for verb in {**QUESTIONS, **STORE_COMMANDS}}
    assert set(made["operations"]) == wanted
    assert not set(LOCAL_ORDERS) & set(TAKEN)
    assert all(each["summary"] for each in made["operations"].values())


def test_addresses_are_those_that_the_daemon_uses() -> None:
    names = {"node": "bench-1", "instrument": "left", "run": "run-1", "client": "ada"}
    filled = {key: channel["address"].format(**names) for key, channel in document()["channels"].items()}
    assert filled["status"] == topics.status("bench-1")
    assert filled["state"] == topics.instrument("bench-1", "left", "state")
    assert filled["points"] == topics.run("bench-1", "left", "run-1", "points")
    assert filled["reply"] == topics.reply("bench-1", "left", "ada")
    assert filled["start-command"] == topics.command("bench-1", "left", "ada", "start")
    assert filled["store-points-command"] == topics.command("bench-1", topics.STORE, "ada", "points")


@pytest.mark.parametrize("schema", [*sent_schemas().values(), *taken_schemas().values()])
def test_schemas_are_schemas(schema: dict[str, Any]) -> None:
    Draft7Validator.check_schema(schema)


def test_what_is_taken_is_held_to_its_fields_and_what_is_sent_may_grow() -> None:
    start = Start(request="r-1", token="t", method={}).model_dump(mode="json")
    assert valid(schema_of(Start), start)
    assert not valid(schema_of(Start), {**start, "now": True})
    assert not valid(schema_of(Start), {key: value for key, value in start.items() if key != "token"})
    assert not valid(schema_of(Start), {**start, "request": "Not A Segment"})
    result = json.loads(
        RunResult(
            run="run-1",
            state="Complete",
            outcome="completed",
            sentence="",
            points=1,
            gaps=[(3, 5)],
            cell="off",
            flagged=False,
            utc=0.0,
        ).model_dump_json()
    )
    schema = schema_of(RunResult)
    assert valid(schema, result)
    assert valid(schema, {**result, "later": 1})
    assert not valid(schema, {**result, "gaps": [[3, 5, 7]]})
    assert not valid(schema, {**result, "state": "Executing"})
    assert not valid(schema, {key: value for key, value in result.items() if key != "hash"})


def test_points_hold_known_columns_of_numbers_and_gaps_in_them() -> None:
    points = Points(run="run-1", boot="b", first=0, count=2, live=True, columns={"current": [1e-9, None]})
    schema, message = schema_of(Points), json.loads(points.model_dump_json())
    assert valid(schema, message)
    assert not valid(schema, {**message, "columns": {"colour": [1, 2]}})
    assert not valid(schema, {**message, "columns": {"current": ["1e-9"]}})


def test_schemas_are_written_to_files(tmp_path: Path) -> None:
    assert main(["describe", "--schemas", str(tmp_path / "schemas")]) == 0
    found = {path.relative_to(tmp_path / "schemas").as_posix(): path for path in tmp_path.rglob("*.json")}
    assert set(found) == {*(f"sent/{kind}.json" for kind in SENT), *(f"taken/{verb}.json" for verb in TAKEN)}
    assert json.loads(found["taken/start.json"].read_text(encoding="utf-8")) == schema_of(Start)


def test_roles_grow() -> None:
    """The whole table: a new verb needs somebody who thinks about it."""
    everything = set(TAKEN)
    allowed = {role: {verb for verb in everything if may(role, verb)} for role in ROLES}
    assert allowed["view"] == {"runs", "run", "points", "evaluations", "evaluation"}
    assert everything - allowed["operate"] == {"attest"}
    assert allowed["maintain"] == everything
    assert role_of("abort") == "operate"


@pytest.mark.parametrize(
    ("users", "words"),
    [
        (["Ada=operate"], "Ada"),
        (["a+b=view"], "stands in topics"),
        (["ada=owner"], "view, operate, maintain, daemon"),
        (["ada"], "view, operate, maintain, daemon"),
        (["ada=view", "ada=operate"], "one role"),
    ],
)
def test_users_that_no_access_control_can_name(
    users: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["describe", "--acl", *users]) == 2
    assert words in capsys.readouterr().err


def test_access_control_of_named_users(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["describe", "--acl", "bo=view", "north=daemon"]) == 0
    out = capsys.readouterr().out
    assert out == acl.text([acl.User("bo", "view"), acl.User("north", "daemon")])
    assert "topic readwrite luggin/north/#" in out
    assert "write luggin/+/+/command/bo/" not in out
