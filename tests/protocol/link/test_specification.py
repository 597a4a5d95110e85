"""LINK.md is what firmware is written from: its bytes, numbers, names and times are compared with the code."""

import re
import textwrap
import zlib
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import luggin.protocol.link
from luggin.protocol import capability, program, segments
from luggin.protocol.capability import Identity
from luggin.protocol.instrument import Activity, Cell, Outcome, Reading, Receipt, Status
from luggin.protocol.link import codec, gatt, message
from luggin.protocol.link.columns import COLUMN_NUMBERS, MOST_POINTS, TYPED_ARRAY_TAGS, Even
from luggin.protocol.link.frame import LARGEST_FRAME, LARGEST_MESSAGE, Decoder, encode
from luggin.protocol.link.numbers import ACTIVITY_NUMBERS, CELL_NUMBERS, CODE_NUMBERS, OUTCOME_NUMBERS, Code
from luggin.protocol.link.records import LONGEST_SENTENCE
from luggin.protocol.link.requests import MOST_UNANSWERED, Timing
from luggin.protocol.points import COLUMNS, Batch, Flag, batch

FOLDER = Path(luggin.protocol.link.__file__).parent
TEXT, DOCUMENTS = (FOLDER / "LINK.md").read_text(), (FOLDER / "PROGRAM.md").read_text()
RUN, BOOT = "column-3-day-12", "5f1c22d09be14a77"
STATUS = Status(Activity.RUNNING, Cell.ON, BOOT, 86.25, RUN, next=14, run_time=1.5, phase=1, cycle=1, silence=0.5)


def _points(potential: list[float]) -> Batch:
    count = len(potential)
    columns: dict[str, Any] = {
        "time": 0.25 + 0.125 * (13 + np.arange(count)),
        "phase": np.full(count, 1),
        "potential": potential,
        "current": 1e-5 * np.arange(count),
        "flags": np.zeros(count),
    }
    return batch(RUN, BOOT, 12, columns)


EXAMPLES: tuple[tuple[str, message.Message], ...] = (
    ("session 3735928559, version 1, frames of 512 bytes", message.Hello(session=3735928559)),
    (
        "the same session; capability of 404 bytes",
        message.Welcome(
            3735928559, 1, 1, 512, BOOT, 12.5,
            Identity(maker="Example Works", model="EW-1", serial="0042", firmware="1.0"), 404, 0x1234ABCD,
        ),
    ),
    ("from byte 0 on", message.AskCapability(1, 0)),
    ("its first bytes", message.Chunk(1, 0, bytes.fromhex("b268"))),
    ("", message.AskStatus(2)),
    ("running, cell on, points 0 to 13 held, 12 of them sent", message.Report(2, 12, STATUS)),
    ("", message.AskReading(3)),
    (
        "cell off, 0.125 V, no current measured, 298.15 K",
        message.ReadingReport(3, Reading(Cell.OFF, 20.5, potential=0.125, temperature=298.15)),
    ),
    ("", message.Upload(4, 0, bytes.fromhex("aa6776657273696f6e01"))),
    ("", message.Arm(5, RUN, 1370, bytes(range(32)))),
    ("", message.Done(5)),
    ("", message.Start(6, RUN, 84.75)),
    ("", message.Refusal(6, Code.STALE, "clock 84.75 s is 9.2 s old; ask for the status and start again")),
    ("three points, evenly spaced times", message.Points(_points([0.5, 0.25, 0.125]), Even(0.25, 0.125, 13))),
    ("two points, times as doubles", message.Points(_points([0.5, 0.25]))),
    ("", message.Acknowledge(7, RUN, 15)),
    ("", message.Replay(8, RUN, 12)),
    ("", message.ReplayFrom(8, 12)),
    ("", message.KeepAlive(9, 86.25)),
    ("", message.Hold(10)),
    ("", message.Unhold(11, 90.0)),
    ("", message.Stop(12)),
    ("", message.CellOff(13)),
    ("confirmed by the read-back", message.OffReceipt(13, Receipt(Cell.OFF))),
)  # fmt: skip


def written_examples() -> str:
    """The examples as they stand in LINK.md."""
    parts = []
    for remark, each in EXAMPLES:
        name = type(each).__name__
        shown = textwrap.fill(encode(codec.encode(each)).hex(" "), 100)
        parts.append(f"{name}{': ' + remark if remark else ''}\n\n```\n{shown}\n```\n")
    return "\n".join(parts)


def written_construction() -> str:
    """How the first example is made, step by step."""
    content = codec.encode(EXAMPLES[0][1])
    checksum = zlib.crc32(content)
    rows = (
        ("message, an array of 5", content),
        (f"checksum {checksum:08X}, little endian", checksum.to_bytes(4, "little")),
        ("both stuffed, and the zero", encode(content)),
    )
    return "\n".join(f"| {what} | `{data.hex(' ')}` |" for what, data in rows) + "\n"


def written_columns() -> str:
    rows = []
    for name, number in COLUMN_NUMBERS.items():
        dtype = COLUMNS[name].dtype
        rows.append(f"| {number} | {name} | {COLUMNS[name].unit} | {dtype} | {TYPED_ARRAY_TAGS[dtype]} |")
    return "\n".join(rows) + "\n"


def test_every_frame_in_the_text_is_the_one_that_the_code_makes() -> None:
    assert written_examples() in TEXT


def test_the_making_of_a_frame_is_as_shown() -> None:
    assert written_construction() in TEXT


def test_times_are_those_of_the_code() -> None:
    timing = Timing()
    assert f"| repetition by the host | {timing.repeat:g} s; CellOff {timing.repeat_cell_off:g} s |" in TEXT
    assert f"| the host gives up on a request | {timing.answer:g} s; Arm {timing.arm_answer:g} s |" in TEXT
    assert f"| the host asks for the status | each {timing.status:g} s |" in TEXT
    assert f"| the host counts the link as lost | {timing.silence:g} s without an undamaged frame |" in TEXT
    assert f"At most {MOST_UNANSWERED} requests are unanswered" in TEXT


def test_the_sizes_are_those_of_the_code() -> None:
    assert f"A frame has at most {LARGEST_FRAME} bytes, its zero included; a message therefore at most" in TEXT
    assert f"at most {LARGEST_MESSAGE}." in TEXT
    assert f"| data | 1 to {message.LARGEST_CHUNK} bytes |" in TEXT
    assert f"`count` is 1 to {MOST_POINTS}" in TEXT
    assert f"text, at most {LONGEST_SENTENCE} |" in TEXT


def test_the_uuids_and_sizes_of_the_radio_are_those_of_the_code() -> None:
    for uuid, what in ((gatt.SERVICE, "service"), (gatt.TO_INSTRUMENT, "to the"), (gatt.FROM_INSTRUMENT, "from the")):
        assert re.search(rf"^\| {what}.*`{uuid}` \|", TEXT, re.MULTILINE), what
    assert f"ATT_MTU less {gatt.ATT_OVERHEAD} bytes long and at most {gatt.LARGEST_VALUE}" in TEXT
    assert f"ATT_MTU of {gatt.SMALLEST_MTU}" in TEXT
    assert f"at most {gatt.LONGEST_NAME} bytes" in TEXT


def test_every_kind_of_message_has_an_example() -> None:
    assert {type(each) for _, each in EXAMPLES} == set(message.MESSAGES)


def test_frames_of_the_text_are_understood() -> None:
    decoder = Decoder()
    stream = bytes.fromhex("".join(re.findall(r"```\n([0-9a-f \n]+)\n```", TEXT)).replace("\n", " "))
    found = [codec.decode(each) for each in decoder.feed(stream)]
    assert [type(each) for each in found] == [type(each) for _, each in EXAMPLES]
    assert decoder.damaged == 0


def test_columns_of_the_text() -> None:
    assert written_columns() in TEXT
    assert set(COLUMN_NUMBERS) == set(COLUMNS) - {"time"}
    assert sorted(COLUMN_NUMBERS.values()) == list(range(1, len(COLUMN_NUMBERS) + 1))


def test_flags_of_the_text() -> None:
    for flag in Flag:
        assert re.search(rf"^\| {flag.value} \| {flag.name} \|", TEXT, re.MULTILINE), flag


@pytest.mark.parametrize("numbers", [ACTIVITY_NUMBERS, CELL_NUMBERS, OUTCOME_NUMBERS, CODE_NUMBERS])
def test_numbers_of_words(numbers: dict[Activity | Cell | Outcome | Code, int]) -> None:
    assert set(numbers) == set(type(next(iter(numbers))))
    assert len(set(numbers.values())) == len(numbers)
    for word, number in numbers.items():
        spaced = word.value.replace("-", "[- ]")
        assert re.search(rf"\b{number}( \| | ){spaced}\b", TEXT), (number, word)


def test_type_numbers_and_fields_of_the_text() -> None:
    for each in message.MESSAGES:
        row = re.search(rf"^\| {each.TYPE} \| {each.__name__} \| ([^|]*) \|", TEXT, re.MULTILINE)
        assert row, each
        if each is not message.Points:
            told = [re.sub(r" \(.*\)", "", field) for field in row.group(1).split(", ")]
            assert told == [field.name for field in fields(each)], each


MODELS = [
    model
    for module in (segments, program, capability)
    for model in vars(module).values()
    if isinstance(model, type) and issubclass(model, segments.Frozen) and model is not program.Bounds
]


@pytest.mark.parametrize("model", dict.fromkeys(MODELS), ids=lambda model: str(model.__name__))
def test_every_key_of_program_and_capability_is_in_the_text(model: type[segments.Frozen]) -> None:
    for key in model.model_fields:
        told = rf"`(dead_man\.|limits\.)?{key}`|^\| ([a-z_]+, )?{key}(, [a-z_]+)? \|"
        assert re.search(told, DOCUMENTS + TEXT, re.MULTILINE), key
