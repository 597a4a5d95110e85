"""Folders of another user's daemon."""

import os
from pathlib import Path

import pytest

from luggin.daemon import places
from luggin.daemon.cli import exits
from luggin.daemon.cli.main import main


def test_a_daemon_of_another_user_is_pointed_at(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(places, "SYSTEM_RUNTIME", tmp_path)
    monkeypatch.setattr(places, "SYSTEM_CONFIGURATION", tmp_path)
    for variable in ("XDG_CONFIG_HOME", "XDG_RUNTIME_DIR", "XDG_STATE_HOME"):
        monkeypatch.setenv(variable, str(tmp_path / "own"))
    assert places.closed_to_us() is None
    monkeypatch.setattr(os, "access", lambda path, mode: path != tmp_path)
    assert places.closed_to_us() == tmp_path
    assert main(["status"]) == exits.NOT_REACHABLE
    assert f"`sudo -u {tmp_path.owner()} luggin ...`" in capsys.readouterr().err
