"""What an installation is made of: everything that the packages need is declared, and a wheel alone is enough."""

import ast
import json
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from fnmatch import fnmatch
from importlib.metadata import EntryPoint, packages_distributions
from pathlib import Path

import pytest

from support.wheels import carried_out, copy_of_luggin, environment, wheel

ROOT = Path(__file__).parents[1]
FOLDERS = ("protocol", "drivers", "daemon", "sim")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
SETUPTOOLS = PROJECT["tool"]["setuptools"]
NOT_SHIPPED = {"daemon/figures/example.png"}
"""Shown by the README only."""
NOT_NEEDED = {"pytest"}
"""The conformance checks of drivers are a plugin of it: whoever loads them has it."""
BROUGHT_BY = {"markupsafe": ["jinja2"], "paho": ["aiomqtt"], "pydantic_core": ["pydantic"]}
"""Halves of declared libraries, which show them in their own interface and choose their version."""


def sources() -> list[Path]:
    """Every file of the four folders, relative to the root; what tools leave behind is none."""
    found = (path.relative_to(ROOT) for folder in FOLDERS for path in (ROOT / folder).rglob("*") if path.is_file())
    return sorted(path for path in found if not re.search(r"(^|/)(\.|__pycache__/)", path.as_posix()))


def package_of(path: Path) -> str:
    """The nearest folder upwards that is a package."""
    folder = path.parent
    while not (ROOT / folder / "__init__.py").exists():
        folder = folder.parent
    return ".".join(["luggin", *folder.parts])


def test_every_package_is_declared_and_there() -> None:
    there = {package_of(path) for path in sources() if path.suffix == ".py"}
    assert set(SETUPTOOLS["packages"]) == there


def test_every_data_file_is_declared() -> None:
    patterns = SETUPTOOLS["package-data"]["*"]
    forgotten = []
    for path in sources():
        inside = path.relative_to(Path(*package_of(path).split(".")[1:])).as_posix()
        declared = any(fnmatch(inside, each) and inside.count("/") == each.count("/") for each in patterns)
        if path.suffix != ".py" and not declared and path.as_posix() not in NOT_SHIPPED:
            forgotten.append(path.as_posix())
    assert not forgotten, "declare them in [tool.setuptools.package-data]"


def test_every_declared_kind_of_data_is_there() -> None:
    names = [path for path in sources() if path.suffix != ".py"]
    for pattern in SETUPTOOLS["package-data"]["*"]:
        assert any(path.match(pattern) for path in names), f"nothing is {pattern}"


def imported(path: Path) -> Iterator[str]:
    """Top-level names of the absolute imports of a module, those in functions included."""
    for node in ast.walk(ast.parse((ROOT / path).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (each.name.partition(".")[0] for each in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module.partition(".")[0]


def canonical(name: str) -> str:
    """As PyPA's name normalization has it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def test_every_imported_library_is_declared() -> None:
    wanted = {name for path in sources() if path.suffix == ".py" for name in imported(path)}
    wanted -= {"luggin", *sys.stdlib_module_names, *NOT_NEEDED}
    extras = [
        each for name, group in PROJECT["project"]["optional-dependencies"].items() if name != "test" for each in group
    ]
    needed = PROJECT["project"]["dependencies"] + extras
    declared = {canonical(re.split(r"[<>=!~;\[ ]", each)[0]) for each in needed}
    found = {**packages_distributions(), **BROUGHT_BY}
    assert not {name for name in wanted if not declared & set(map(canonical, found.get(name, ())))}


@pytest.mark.parametrize("group", ["luggin.commands", "luggin.drivers"])
def test_every_entry_point_leads_somewhere(group: str) -> None:
    for name, target in PROJECT["project"]["entry-points"][group].items():
        assert EntryPoint(name, target, group).load(), f"{name} = {target}"


@pytest.mark.long
def test_a_wheel_alone_is_enough(tmp_path: Path) -> None:
    built = wheel(copy_of_luggin(tmp_path / "luggin"), tmp_path)
    shutil.rmtree(tmp_path / "luggin")
    binaries, packages = environment(tmp_path, [built])
    luggin = binaries / "luggin"

    shipped = {path.relative_to(packages / "luggin") for path in (packages / "luggin").rglob("*") if path.is_file()}
    wanted = {path for path in sources() if path.as_posix() not in NOT_SHIPPED}
    assert {path for path in shipped if "__pycache__" not in path.parts} == wanted

    assert "exit codes:" in carried_out(luggin, "--help", folder=tmp_path)
    method = tmp_path / "cv.toml"
    method.write_text(carried_out(luggin, "explain", "CV", "--example", folder=tmp_path))
    carried_out(luggin, "check", method, folder=tmp_path)
    assert f"ExecStart={luggin} serve" in carried_out(luggin, "unit", folder=tmp_path)

    # A simulated instrument with a cell that comes with the package answers the hello of the link.
    command: list[str | Path] = [luggin, "simulate", "--cell", "dummy-r-rc", "--pty", tmp_path / "port"]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, text=True) as instrument:
        try:
            assert instrument.stdout is not None
            assert instrument.stdout.readline().startswith("pty ")
            told = carried_out(luggin, "discover", "--json", tmp_path / "port", folder=tmp_path)
            assert json.loads(told)
            assert "bench" in told
        finally:
            instrument.terminate()
