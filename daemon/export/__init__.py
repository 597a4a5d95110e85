"""Data packages: runs as tables with everything needed to understand them, and back."""

from luggin.daemon.export.errors import PackageError
from luggin.daemon.export.package import export_runs
from luggin.daemon.export.reading import read_package

__all__ = ["PackageError", "export_runs", "read_package"]
