"""The import arrows of the house, checked with the tests."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_arrows_point_one_way() -> None:
    found = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert found.returncode == 0, found.stdout + found.stderr


def test_help_loads_no_heavy_library() -> None:
    """`luggin --help` must stay quick on a small computer."""
    code = (
        "import sys\nfrom luggin.daemon.cli.main import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        "print(sorted({'numpy', 'pydantic', 'scipy', 'matplotlib', 'aiomqtt'} & set(sys.modules)))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.splitlines()[-1] == "[]"
