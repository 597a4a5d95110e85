"""The tables, their versions, and how a connection to them is opened.

The statements stay in the file as they are written here, comments included, so the file explains itself.
"""

import os
import sqlite3
from pathlib import Path

from luggin.daemon.store.errors import StoreError, StoreFault, StoreVersion

APPLICATION = 0x4C55474E
FIRST_BITS = 40
"""A batch's key is its run's number times 2**40 plus the index of its first point."""
JOURNAL_LIMIT = 4 * 1024 * 1024
CHECKPOINT_PAGES = 1000
"""Pages in the journal after which a commit copies them into the database."""
_BUSY_SECONDS = 5.0

_VERSION_1 = """
CREATE TABLE about (text TEXT NOT NULL) STRICT;
INSERT INTO about VALUES (
'Electrochemical measurements. A run is one execution of a method on one instrument; its points are numbered from 0 and
kept in batches. The data of a batch are its columns one after the other, each in the binary form that the text in the
table layouts gives after the colon: < little-endian, > big-endian, | single byte; f IEEE 754, i signed, u unsigned;
number of bytes. All values are in SI units, which the header of the run lists; currents are positive when anodic. Texts
in columns named header and body are JSON. Hashes are SHA-256: that of an event over the hash before it followed by its
body; the first over the hash of the header, or of the scope for a log without a run; that of a result over the hash of
the event before it, its body and its seal.');

CREATE TABLE runs (
  number INTEGER PRIMARY KEY,   -- counts runs in the order in which they started
  run TEXT NOT NULL UNIQUE,     -- name of the run
  instrument TEXT NOT NULL,
  method TEXT NOT NULL,
  technique TEXT NOT NULL,
  utc REAL NOT NULL,            -- start, s since 1970 by the host's clock
  header TEXT NOT NULL,         -- everything needed to repeat the run
  hash BLOB NOT NULL            -- of the header
) STRICT;

CREATE TABLE results (
  run INTEGER PRIMARY KEY REFERENCES runs,
  body TEXT NOT NULL,
  seal TEXT NOT NULL,           -- SHA-256 of each column's values by index, and which indices
  events INTEGER NOT NULL,      -- events that the run had by then
  hash BLOB NOT NULL
) STRICT;

CREATE TABLE boots (            -- an instrument's times between switching on and off
  number INTEGER PRIMARY KEY,
  instrument TEXT NOT NULL,
  boot TEXT NOT NULL,
  UNIQUE (instrument, boot)
) STRICT;

CREATE TABLE layouts (
  number INTEGER PRIMARY KEY,
  layout TEXT NOT NULL UNIQUE   -- name:form of each column
) STRICT;

CREATE TABLE batches (
  key INTEGER PRIMARY KEY,      -- number of the run * 1099511627776 (2 to the 40) + index of the first point
  count INTEGER NOT NULL,       -- points
  boot INTEGER NOT NULL REFERENCES boots,
  layout INTEGER NOT NULL REFERENCES layouts,
  packed INTEGER NOT NULL,      -- 1: data are compressed with zlib
  crc INTEGER NOT NULL,         -- CRC-32 of data
  data BLOB NOT NULL
) STRICT;

CREATE TABLE holes (            -- points that are missing below the newest one stored
  run INTEGER NOT NULL REFERENCES runs,
  first INTEGER NOT NULL,
  after INTEGER NOT NULL,       -- index of the first point that is not missing
  PRIMARY KEY (run, first)
) STRICT, WITHOUT ROWID;

CREATE TABLE events (
  scope TEXT NOT NULL,          -- run/<name>, instrument/<name> or node
  number INTEGER NOT NULL,      -- counted from 0 within the scope
  body TEXT NOT NULL,
  hash BLOB NOT NULL,
  PRIMARY KEY (scope, number)
) STRICT, WITHOUT ROWID;

CREATE TABLE anchors (          -- one moment as several clocks saw it, s
  number INTEGER PRIMARY KEY,
  instrument TEXT NOT NULL,
  run TEXT,
  boot TEXT NOT NULL,
  monotonic REAL NOT NULL,      -- host, arbitrary zero
  utc REAL NOT NULL,            -- host's wall clock since 1970
  synchronised INTEGER NOT NULL,
  instrument_time REAL NOT NULL,-- instrument, since boot
  run_time REAL                 -- instrument, since the start of the run: the clock of the points
) STRICT;
CREATE INDEX anchors_of_run ON anchors (run);

CREATE TABLE publication (      -- what a message broker has taken of each run
  run INTEGER PRIMARY KEY REFERENCES runs,
  taken TEXT NOT NULL,          -- JSON: stream to [end, [[first, after] of each hole below it]]
  drained INTEGER NOT NULL      -- 1: nothing is left to publish
) STRICT;
CREATE INDEX undrained ON publication (run) WHERE drained = 0;
"""

_VERSION_2 = """
INSERT INTO about VALUES (
'An evaluation is what was computed from stored runs. It is never changed; a newer one stands beside it. Its hash is the
SHA-256 of its body, and an event of kind evaluated, in the log of each of its runs or, when it has none, of its
instrument or of the node, tells that hash.');

CREATE TABLE evaluations (
  number INTEGER PRIMARY KEY,   -- counts evaluations in the order in which they were stored
  name TEXT NOT NULL UNIQUE,
  kind TEXT NOT NULL,
  subject TEXT NOT NULL,        -- run/<name>, instrument/<name>, electrode/<name>, sample/<name> ..., or node
  utc REAL NOT NULL,            -- when it was made, s since 1970 by the host's clock
  expires REAL,                 -- when it is no longer to be relied upon, by the same clock
  body TEXT NOT NULL,           -- all of it: settings, result, warnings, software, who asked
  hash BLOB NOT NULL            -- of the body
) STRICT;
CREATE INDEX evaluations_of_subject ON evaluations (subject, kind, number);
CREATE INDEX evaluations_of_kind ON evaluations (kind, number);

CREATE TABLE evaluation_runs (
  run INTEGER NOT NULL REFERENCES runs,
  position INTEGER NOT NULL,    -- counts the evaluations of the run from 0
  evaluation INTEGER NOT NULL REFERENCES evaluations,
  PRIMARY KEY (run, position)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX runs_of_evaluation ON evaluation_runs (evaluation, run);

CREATE TABLE unevaluated (      -- runs that have ended and wait for the evaluation that follows a run
  run INTEGER PRIMARY KEY REFERENCES runs
) STRICT;
"""

_VERSION_3 = """
INSERT INTO about VALUES (
'A run in the table deleted counts as deleted: it is left out of lists, of publication and of exports until somebody
restores it. Purging takes it out of the file; the log of the node (scope node) tells of each of these steps.');

CREATE TABLE deleted (
  run INTEGER PRIMARY KEY REFERENCES runs,
  utc REAL NOT NULL,            -- when, s since 1970 by the host's clock
  asked_by TEXT NOT NULL,
  reason TEXT NOT NULL,
  purging INTEGER NOT NULL      -- 1: its parts are being taken out, it can't be restored any more
) STRICT;

CREATE INDEX kinds_in_logs ON events (scope, json_extract(body, '$.kind'), number) WHERE substr(scope, 1, 4) <> 'run/';
"""

_STAND_INS = (
    "",
    """
CREATE TEMP TABLE evaluations (number, name, kind, subject, utc, expires, body, hash);
CREATE TEMP TABLE evaluation_runs (run, position, evaluation);
CREATE TEMP TABLE unevaluated (run);
""",
    "CREATE TEMP TABLE deleted (run, utc, asked_by, reason, purging);",
)
"""What each version hasn't got of the next one, empty, for those who read such a file and may not change it."""

MIGRATIONS = (_VERSION_1, _VERSION_2, _VERSION_3)
"""The n-th script, counted from 0, turns a file of version n into one of version n + 1."""


def connect(path: Path) -> sqlite3.Connection:
    """A connection for the one writer; creates the file or brings it to the newest version.

    Raises StoreVersion, sqlite3.Error.
    """
    connection = sqlite3.connect(path, timeout=_BUSY_SECONDS, isolation_level=None, check_same_thread=False)
    try:
        version = _version(connection, path)
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute(f"PRAGMA journal_size_limit={JOURNAL_LIMIT}")
        connection.execute("PRAGMA foreign_keys=ON")
        for number, script in enumerate(MIGRATIONS[version:], version + 1):
            stamp = f"PRAGMA application_id={APPLICATION}; PRAGMA user_version={number};"
            connection.executescript(f"BEGIN IMMEDIATE; {script} {stamp} COMMIT;")
    except BaseException:
        connection.close()
        raise
    # The name of a new file must survive a power failure as its content does.
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
    return connection


def connect_reading(path: Path) -> sqlite3.Connection:
    """A read-only connection that works while a daemon writes.  Raises StoreError, StoreVersion."""
    if not path.is_file():
        raise StoreError(f"there is no store at {path}; name the file that the daemon writes")
    connection = _open(path, "mode=ro")
    try:
        try:
            version = _version(connection, path)
        except sqlite3.OperationalError:
            # A closed store in a folder that this user may not write to: nobody can be writing it.
            connection.close()
            if Path(f"{path}-wal").exists():
                raise
            connection = _open(path, "mode=ro&immutable=1")
            version = _version(connection, path)
    except sqlite3.Error as error:
        connection.close()
        raise StoreFault(f"the store {path} can't be read ({error}); check its file permissions") from None
    except BaseException:
        connection.close()
        raise
    if version == 0:
        connection.close()
        raise StoreVersion(f"{path} holds no runs yet; start the daemon on it first")
    for stand_ins in _STAND_INS[version:]:
        connection.executescript(stand_ins)
    return connection


def _open(path: Path, how: str) -> sqlite3.Connection:
    return sqlite3.connect(
        f"{path.absolute().as_uri()}?{how}",
        uri=True,
        timeout=_BUSY_SECONDS,
        isolation_level=None,
        check_same_thread=False,
    )


def _version(connection: sqlite3.Connection, path: Path) -> int:
    try:
        (application,) = connection.execute("PRAGMA application_id").fetchone()
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_NOTADB:
            raise
        raise StoreVersion(f"{path} is no database; choose another file for the store") from None
    if tables and application != APPLICATION:
        raise StoreVersion(f"{path} is another program's database; choose another file for the store")
    if version > len(MIGRATIONS):
        newest = len(MIGRATIONS)
        raise StoreVersion(f"{path} has schema {version}, this program knows up to {newest}; use a newer version")
    return int(version)
