"""The disk and the store on it."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from luggin.daemon.checkup.finding import Finding, bad, good, remark
from luggin.daemon.store import StoreError, open_store
from luggin.daemon.store.schema import MIGRATIONS

ENOUGH, FEW = 1_000_000_000, 100_000_000  # bytes
_NETWORK = frozenset({"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "glusterfs", "fuse.sshfs", "ncpfs"})
_FLEETING = frozenset({"tmpfs", "ramfs"})
_LAYERED = frozenset({"overlay", "aufs"})
_MOUNTS = Path("/proc/self/mountinfo")


def look(store: Path, mounts: Path = _MOUNTS) -> Iterator[Finding]:
    folder = next(each for each in store.absolute().parents if each.is_dir())
    yield _room(folder)
    kind = file_system(folder, mounts)
    if kind in _NETWORK:
        sentence = f"The store is on a network file system ({kind}), on which its journal does not work."
        yield bad(
            "file system", sentence, "put [store] path on a disk of this machine; `luggin backup` may go elsewhere"
        )
    elif kind in _FLEETING:
        sentence = f"The store is in memory ({kind}): a reboot ends it."
        yield bad("file system", sentence, "put [store] path on a disk")
    elif kind in _LAYERED:
        sentence = (
            f"The store is on a layer over another file system ({kind}); over a read-only root it lies in memory."
        )
        yield remark("file system", sentence, "put [store] path on a disk that is mounted by itself")
    else:
        yield good("file system", f"The store is on a file system of this machine ({kind or 'unknown'}).")
    if not os.access(folder, os.W_OK | os.X_OK):
        yield bad(
            "store", f"This user can't write to {folder}.", "run this as the daemon's user, or choose another path"
        )
    yield from _store(store)


def _room(folder: Path) -> Finding:
    there = os.statvfs(folder)
    free = there.f_bavail * there.f_frsize
    sentence = f"{free / 1e9:.1f} GB are free in {folder}."
    if free < FEW:
        return bad("disk", sentence, "make room: a run doesn't start when its points might not fit")
    return good("disk", sentence) if free >= ENOUGH else remark("disk", sentence, "make room before a long run")


def file_system(folder: Path, mounts: Path = _MOUNTS) -> str:
    """The type of the file system that holds a folder, see proc(5), mountinfo; empty where that can't be told."""
    try:
        lines = mounts.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ""
    found = ("", "")
    for line in lines:
        left, _, right = line.partition(" - ")
        point = left.split(" ")[4].encode().decode("unicode_escape")  # a blank is written \040
        if folder.is_relative_to(point) and len(point) >= len(found[0]):
            found = (point, right.split(" ")[0])
    return found[1]


def _store(store: Path) -> Iterator[Finding]:
    if not store.exists():
        yield remark("store", f"There is no store at {store} yet.", "`luggin serve` makes it")
        return
    try:
        with closing(open_store(store)) as archive:
            connection = archive.connection
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            damage = [sentence for (sentence,) in connection.execute("PRAGMA quick_check(3)")]
            runs, waiting = len(archive.names()), len(archive.unfinished())
    except StoreError as error:
        yield bad("store", f"{error}.", "name another file, or restore a backup")
        return
    except sqlite3.Error as error:
        damage = [str(error)]
    if damage != ["ok"]:
        yield bad(
            "store", f"The store is damaged: {'; '.join(damage)}.", "keep the file, restore a backup, check the disk"
        )
        return
    yield good("store", f"{store} holds {runs} runs, {waiting} of them without a result, and is sound page by page.")
    if version < len(MIGRATIONS):
        sentence = f"The store has schema {version}, this luggin writes {len(MIGRATIONS)}."
        yield remark("store", sentence, "`luggin backup` first; the next `luggin serve` brings it up to date")
