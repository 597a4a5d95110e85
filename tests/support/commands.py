"""Commands carried out in this process on a store of the test's own."""

import json
from pathlib import Path
from typing import Any

import pytest

from luggin.daemon.cli import exits
from luggin.daemon.cli.main import main


class Shell:
    def __init__(self, store: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.store, self._capsys = store, capsys

    def __call__(self, *arguments: str, code: int = exits.OK) -> str:
        """What a command prints, on stderr if it is to fail."""
        assert main([*arguments, "--store", str(self.store)]) == code, self._capsys.readouterr()
        told = self._capsys.readouterr()
        assert "defect" not in told.err
        return told.out if code == exits.OK else told.err

    def told(self, *arguments: str) -> Any:
        return json.loads(self(*arguments, "--json"))
