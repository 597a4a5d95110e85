"""The systemd unit, judged by systemd's own tools."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from luggin.daemon.cli import exits
from luggin.daemon.cli.main import main

analyze = shutil.which("systemd-analyze")
needs_systemd = pytest.mark.skipif(analyze is None, reason="systemd-analyze is missing")


@pytest.fixture
def unit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    assert main(["unit", "--command", sys.executable]) == exits.OK
    path = tmp_path / "luggin.service"
    path.write_text(capsys.readouterr().out)
    return path


def test_what_the_supervisor_is_told(unit: Path) -> None:
    lines = unit.read_text().splitlines()
    for line in (
        "Type=notify",
        f"ExecStart={sys.executable} serve",
        f"ExecStopPost=-{sys.executable} make-safe --after-service",
        f"RestartPreventExitStatus={exits.BAD_DOCUMENT}",
        "StateDirectory=luggin",
        "RuntimeDirectory=luggin",
        "ConfigurationDirectory=luggin",
        "LoadCredential=broker-password",
    ):
        assert line in lines


def test_the_installed_command_is_put_in(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["unit"]) == exits.OK
    found = re.search("^ExecStart=(.*) serve$", capsys.readouterr().out, re.MULTILINE)
    assert found is not None
    assert Path(found[1]).name == "luggin"


@pytest.mark.parametrize(
    ("command", "cautioned"), [("/home/ada/.local/bin/luggin", True), ("/opt/luggin/luggin", False)]
)
def test_a_command_that_the_unit_would_not_see(
    command: str, cautioned: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["unit", "--command", command]) == exits.OK
    assert ("sees no home" in capsys.readouterr().err) is cautioned


@needs_systemd
def test_systemd_understands_it(unit: Path) -> None:
    found = subprocess.run([str(analyze), "verify", str(unit)], capture_output=True, text=True, check=False)
    assert (found.returncode, found.stdout + found.stderr) == (0, "")


@needs_systemd
def test_its_exposure_is_low(unit: Path) -> None:
    """The scale of systemd-analyze(1), security: 0 is not exposed at all, 10 unprotected; below 3 reads OK."""
    command = [str(analyze), "security", "--offline=yes", "--no-pager", str(unit)]
    found = subprocess.run(command, capture_output=True, text=True, check=False)
    level = re.search(r"Overall exposure level for .*: (\d+\.\d)", found.stdout)
    assert level is not None, found.stderr
    assert float(level[1]) < 3.0
