"""Data packages: runs as tables with everything needed to understand them, and back."""

from luggin.daemon.export.errors import PackageError
from luggin.daemon.export.package import export_runs
from luggin.daemon.export.reading import read_package
from luggin.daemon.export.verification import Verified, verify_package

__all__ = ["PackageError", "Verified", "export_runs", "read_package", "verify_package"]
