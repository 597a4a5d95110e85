"""A data package as one zip file: the same files, checked before any is unpacked."""

import os
import re
import shutil
import stat
import tempfile
import time
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from luggin.daemon.export import evaluations
from luggin.daemon.export.errors import PackageError
from luggin.daemon.export.package import DESCRIPTOR, export_runs
from luggin.daemon.store import Archive

SUFFIX = ".zip"
MOST_FILES = 20_002
MOST_BYTES = 4 * 1024**3
"""Unpacked; a million points take some 100 MB."""
MOST_RATIO = 200
_SMALL = 1024 * 1024
_NAME = re.compile(rf"{re.escape(DESCRIPTOR)}|{re.escape(evaluations.NAME)}|[a-z0-9-]{{1,64}}\.(csv|method\.json)")
_BLOCK = 1 << 20


def pack(folder: Path, target: Path) -> None:
    """Make one file of a package; it appears under its name once it is complete.  Raises OSError."""
    partial = target.with_name(f"{target.name}.partial")
    try:
        with zipfile.ZipFile(partial, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
            for path in sorted(folder.iterdir(), key=lambda each: (each.name != DESCRIPTOR, each.name)):
                archive.write(path, path.name)
        os.replace(partial, target)
    finally:
        partial.unlink(missing_ok=True)


def export_file(
    archive: Archive, runs: Iterable[str], target: Path, *, deleted: bool = False, utc: Callable[[], float] = time.time
) -> Path:
    """Write the runs as a package in one file, see export_runs; returns its path."""
    if target.exists():
        raise PackageError(f"{target} is there already; choose another name")
    try:
        with tempfile.TemporaryDirectory(prefix=".luggin-", dir=target.parent) as folder:
            export_runs(archive, runs, folder, deleted=deleted, utc=utc)
            pack(Path(folder), target)
    except OSError as error:
        raise PackageError(f"{target} can't be written ({error.strerror}); make room or choose another") from None
    return target


@contextmanager
def package_folder(path: Path | str) -> Iterator[Path]:
    """The folder of a package that is a folder or a zip file, for as long as it is needed.

    Raises PackageError for a file that is no package, or that would unpack into something else.
    """
    given = Path(path)
    if not given.is_file():
        yield given
        return
    with tempfile.TemporaryDirectory(prefix="luggin-") as temporary:
        try:
            with zipfile.ZipFile(given) as archive:
                _unpack(archive, given, Path(temporary))
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError) as error:
            raise PackageError(f"{given} is no sound zip file ({error}); copy it again") from None
        except OSError as error:
            raise PackageError(f"{given} can't be unpacked ({error.strerror or error}); make room") from None
        yield Path(temporary)


def _unpack(archive: zipfile.ZipFile, given: Path, folder: Path) -> None:
    entries = archive.infolist()
    _check(entries, given)
    if sum(each.file_size for each in entries) > shutil.disk_usage(folder).free:
        raise PackageError(f"{given} unpacks into more than {folder.parent} has room for; make room or set TMPDIR")
    for entry in entries:
        left = entry.file_size
        with archive.open(entry) as packed, (folder / entry.filename).open("xb") as file:
            while block := packed.read(min(_BLOCK, left + 1)):
                left -= len(block)
                if left < 0:
                    raise PackageError(f"{given}: {entry.filename} is larger than it says; don't trust this file")
                file.write(block)


def _check(entries: list[zipfile.ZipInfo], given: Path) -> None:
    """Nothing is unpacked that a package does not consist of.  Raises PackageError."""
    names = [each.filename for each in entries]
    if len(names) > MOST_FILES:
        raise PackageError(f"{given} holds {len(names)} files; a package has at most {MOST_FILES}")
    seen: set[str] = set()
    for entry in entries:
        shown = repr(entry.filename[:80])
        if not _NAME.fullmatch(entry.filename):
            raise PackageError(f"{given} holds {shown}, which is no part of a package; import only what was exported")
        if entry.filename in seen:
            raise PackageError(f"{given} holds {shown} twice; don't trust this file")
        seen.add(entry.filename)
        kind = stat.S_IFMT(entry.external_attr >> 16)
        if kind not in (0, stat.S_IFREG):
            raise PackageError(f"{given}: {shown} is no plain file; don't trust this file")
        if entry.flag_bits & 1:
            raise PackageError(f"{given} is encrypted; unpack it and import the folder")
        if entry.file_size > _SMALL and entry.file_size > MOST_RATIO * max(entry.compress_size, 1):
            raise PackageError(f"{given}: {shown} unpacks to {entry.file_size} bytes, which no measurement does")
    if sum(each.file_size for each in entries) > MOST_BYTES:
        raise PackageError(f"{given} unpacks to more than {MOST_BYTES // 1024**3} GB; export fewer runs at once")
    if DESCRIPTOR not in names:
        raise PackageError(f"{given} holds no {DESCRIPTOR}; name a file that `luggin export` made")
