"""A third party's driver, as its author would: built, installed with luggin where nothing of this tree is, checked.

The driver and the instrument are those that `drivers/DRIVERS.md` leads through.
"""

import os
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DRIVER = ROOT / "tests" / "third_party_driver"
FOLDERS = ("protocol", "drivers", "daemon", "sim")


def carried_out(*command: str | Path, folder: Path) -> str:
    clean = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "VIRTUAL_ENV")}
    done = subprocess.run(command, cwd=folder, env=clean, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def wheel(source: Path, folder: Path) -> Path:
    offline = ("--no-deps", "--no-index", "--no-build-isolation", "--quiet")
    carried_out(sys.executable, "-m", "pip", "wheel", *offline, "-w", folder / "wheels", source, folder=folder)
    name = source.name.replace("-", "_")
    return next((folder / "wheels").glob(f"{name}-*.whl"))


@pytest.mark.long
def test_a_third_party_driver_is_built_installed_and_keeps_the_contracts(tmp_path: Path) -> None:
    ours, theirs = tmp_path / "sources" / "luggin", tmp_path / "sources" / "luggin-brook"
    ours.mkdir(parents=True)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, ours)
    for name in FOLDERS:
        shutil.copytree(ROOT / name, ours / name, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(DRIVER, theirs, ignore=shutil.ignore_patterns("__pycache__", "*.egg-info", "build"))
    wheels = [wheel(ours, tmp_path), wheel(theirs, tmp_path)]

    carried_out(sys.executable, "-m", "venv", "--without-pip", tmp_path / "venv", folder=tmp_path)
    python = tmp_path / "venv" / "bin" / "python"
    asked = carried_out(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", folder=tmp_path)
    packages = Path(asked.strip())
    # Dependencies are those of this environment; luggin itself and the driver are the wheels.
    (packages / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    target = ("--no-deps", "--no-index", "--quiet", "--target", packages)
    carried_out(sys.executable, "-m", "pip", "install", *target, *wheels, folder=tmp_path)

    where = carried_out(python, "-c", "import luggin.drivers; print(luggin.drivers.__file__)", folder=tmp_path)
    assert Path(where.strip()).is_relative_to(packages)
    told = carried_out(python, "-m", "pytest", "-q", "-rs", "-p", "no:cacheprovider", "tests", folder=theirs)
    assert "17 passed, 3 skipped" in told, told
    assert "the capability says that there is no dead-man timer" in told
