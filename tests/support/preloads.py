"""Small libraries in C that stand between a process and its C library, built for a test."""

import shutil
import subprocess
from pathlib import Path

import pytest


def preload(folder: Path, name: str) -> Path:
    """The library made of `name`.c beside this file; skips the test where there is no compiler."""
    compiler = shutil.which("cc")
    if compiler is None:
        pytest.skip("needs a C compiler")
    library, source = folder / f"{name}.so", Path(__file__).with_name(f"{name}.c")
    subprocess.run([compiler, "-shared", "-fPIC", "-o", library, source, "-ldl"], check=True)
    return library
