"""JSON Schemas (draft 7, the dialect of AsyncAPI) of every message, made from the payload models.

What the daemon sends is described as it goes out: every field is there, and a receiver must expect fields that a later
minor version adds.  What it takes is described as it is read: fields that are not listed are refused.
"""

from collections.abc import Mapping
from typing import Any, Literal

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from luggin.protocol.payloads import (
    COMMANDS,
    QUESTIONS,
    STORE_COMMANDS,
    Alarm,
    Claim,
    Command,
    Evaluation,
    Health,
    InstrumentState,
    NodeStatus,
    Payload,
    Points,
    Progress,
    Reply,
    RunEvent,
    RunHeader,
    RunResult,
    SequenceState,
)
from luggin.protocol.points import COLUMNS
from luggin.protocol.topics import Kind

DIALECT = "http://json-schema.org/draft-07/schema#"
SENT: Mapping[Kind, type[Payload]] = {
    "status": NodeStatus,
    "claim": Claim,
    "state": InstrumentState,
    "health": Health,
    "alarm": Alarm,
    "sequence": SequenceState,
    "progress": Progress,
    "header": RunHeader,
    "points": Points,
    "event": RunEvent,
    "result": RunResult,
    "evaluation": Evaluation,
    "reply": Reply,
}
"""What the daemon sends, by the kind of its topic."""
TAKEN: Mapping[str, type[Command]] = {**COMMANDS, **QUESTIONS, **STORE_COMMANDS}
"""What the daemon takes, by verb."""


class _Draft7(GenerateJsonSchema):
    """Arrays of fixed length in the words of draft 7, where `items` lists what later drafts call `prefixItems`."""

    def tuple_schema(self, schema: core_schema.TupleSchema) -> JsonSchemaValue:
        made = super().tuple_schema(schema)
        if "prefixItems" in made:
            made["items"] = made.pop("prefixItems")
            made["additionalItems"] = False
        return made

    def field_is_required(
        self,
        field: core_schema.ModelField | core_schema.DataclassField | core_schema.TypedDictField,
        total: bool,
    ) -> bool:
        return self.mode == "serialization" or super().field_is_required(field, total)

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def schema_and_definitions(model: type[BaseModel], references: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """The schema of one message and those that it refers to by `references`, e.g. #/definitions/{model}."""
    mode: Literal["validation", "serialization"] = "validation" if issubclass(model, Command) else "serialization"
    made = model.model_json_schema(mode=mode, schema_generator=_Draft7, ref_template=references)
    definitions = made.pop("$defs", {})
    if model is Points:
        _tell_columns(made)
    return made, definitions


def schema_of(model: type[BaseModel]) -> dict[str, Any]:
    """The self-contained schema of one message."""
    made, definitions = schema_and_definitions(model, "#/definitions/{model}")
    return {"$schema": DIALECT, **made, **({"definitions": definitions} if definitions else {})}


def _tell_columns(schema: dict[str, Any]) -> None:
    """Name the columns that there are; which of them a run has depends on its method and instrument."""
    columns = schema["properties"]["columns"]
    series = columns.pop("additionalProperties")
    columns["properties"] = {
        column.name: {**series, "description": f"{column.meaning}; unit {column.unit}"} for column in COLUMNS.values()
    }
    columns["additionalProperties"] = False


def sent_schemas() -> dict[str, dict[str, Any]]:
    """Schema of each message that the daemon sends, by the kind of its topic."""
    return {kind: schema_of(model) for kind, model in SENT.items()}


def taken_schemas() -> dict[str, dict[str, Any]]:
    """Schema of each message that the daemon takes, by its verb."""
    return {verb: schema_of(model) for verb, model in TAKEN.items()}
