"""Programs of the npm registry, pinned by a lock file; `npm ci` in their folder installs them."""

import shutil
from pathlib import Path

import pytest


def needs_packages(folder: Path) -> pytest.MarkDecorator:
    """Skips where Node.js or what the folder's lock file names is not installed."""
    missing = shutil.which("node") is None or not (folder / "node_modules").is_dir()
    return pytest.mark.skipif(missing, reason=f"needs Node.js, and `npm ci` in {folder.parent.name}/{folder.name}")
