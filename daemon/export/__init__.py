"""Data packages: runs as tables with everything needed to understand them, and back."""

from luggin.daemon.export.errors import PackageError
from luggin.daemon.export.package import export_runs
from luggin.daemon.export.reading import read_package
from luggin.daemon.export.restoring import restore
from luggin.daemon.export.verification import Verified, verify_package
from luggin.daemon.export.zipped import export_file, package_folder

__all__ = [
    "PackageError",
    "Verified",
    "export_file",
    "export_runs",
    "package_folder",
    "read_package",
    "restore",
    "verify_package",
]
