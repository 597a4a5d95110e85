"""Wheels built offline from copies of the sources, and environments that hold nothing of the tree but them."""

import os
import shutil
import subprocess
import sys
import sysconfig
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]
_PARTS = ("protocol", "drivers", "daemon", "sim", "pyproject.toml", "README.md", "LICENSE", "MANIFEST.in")
_LEFT_BEHIND = shutil.ignore_patterns("__pycache__", ".*_cache", "*.egg-info", "build")


def carried_out(*command: str | Path, folder: Path) -> str:
    """What the command printed; it runs in `folder` and succeeds."""
    clean = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "VIRTUAL_ENV")}
    done = subprocess.run(command, cwd=folder, env=clean, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def copy_of(source: Path, target: Path) -> Path:
    """The sources as a clone would have them."""
    return Path(shutil.copytree(source, target, ignore=_LEFT_BEHIND))


def copy_of_luggin(target: Path) -> Path:
    target.mkdir(parents=True)
    for name in _PARTS:
        whole = ROOT / name
        copy_of(whole, target / name) if whole.is_dir() else shutil.copy(whole, target)
    return target


def wheel(source: Path, folder: Path) -> Path:
    """The wheel of the project at `source`, made below `folder` with this environment's setuptools."""
    offline = ("--no-deps", "--no-index", "--no-build-isolation", "--quiet")
    carried_out(sys.executable, "-m", "pip", "wheel", *offline, "-w", folder / "wheels", source, folder=folder)
    name = source.name.replace("-", "_")
    return next((folder / "wheels").glob(f"{name}-*.whl"))


def environment(folder: Path, wheels: Sequence[Path]) -> tuple[Path, Path]:
    """A fresh virtual environment with the wheels installed: its bin and its site-packages.

    Dependencies are those of this environment, so that nothing is fetched.
    """
    carried_out(sys.executable, "-m", "venv", "--without-pip", folder / "venv", folder=folder)
    binaries = folder / "venv" / "bin"
    asked = carried_out(
        binaries / "python", "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", folder=folder
    )
    packages = Path(asked.strip())
    (packages / "dependencies.pth").write_text(sysconfig.get_path("purelib") + "\n")
    offline = ("--no-deps", "--no-index", "--quiet", "--ignore-installed", "--no-warn-script-location")
    pip = (sys.executable, "-m", "pip", "--python", binaries / "python", "install")
    carried_out(*pip, *offline, *wheels, folder=folder)
    return binaries, packages
