"""The page about sequences tells the truth: its example is valid."""

import re
import tomllib
from importlib.resources import files

from luggin.protocol.sequence import parse
from luggin.protocol.sequence.document import Check, RunStep
from support.sequences import METHOD

PAGE = files("luggin.protocol").joinpath("sequence", "SEQUENCE.md")


def test_the_example_is_valid() -> None:
    (block,) = re.findall(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    given = tomllib.loads(block)
    given["methods"] = dict.fromkeys(given["methods"], METHOD)
    assert len(parse(given).steps) == 3


def test_every_field_is_named() -> None:
    text = PAGE.read_text(encoding="utf-8")
    for field in (*RunStep.model_fields, *Check.model_fields):
        assert f"`{field}`" in text or f"{field} =" in text, field
