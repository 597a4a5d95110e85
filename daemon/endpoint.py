"""Where and as whom a broker is reached, and the file in which clients on this machine find that."""

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from luggin.daemon import places

_MOST_BYTES = 4096


@dataclass(frozen=True)
class Endpoint:
    """A broker.  `vouches` says whether it lets a user write only to commands that bear its name, `shared` whether
    other daemons may be there; `certificate_file` and `key_file` are what we prove ourselves with."""

    host: str
    port: int
    user: str | None = None
    password: str | None = None
    encrypted: bool = False
    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None
    vouches: bool = False
    shared: bool = False
    largest_message: int = 128 * 1024

    def __repr__(self) -> str:
        return f"{'mqtts' if self.encrypted else 'mqtt'}://{self.host}:{self.port}"

    __str__ = __repr__


def file_of(runtime: Path, node: str) -> Path:
    """The file of a running daemon's own broker."""
    return runtime / f"{node}.broker.json"


def write(path: Path, endpoint: Endpoint) -> None:
    """Only the daemon's own user may read the file."""
    places.write_private(path, json.dumps(asdict(endpoint)))


def read(path: Path) -> Endpoint:
    """What `write` left.  Raises OSError without such a file, ValueError for anything else in it."""
    with path.open(encoding="utf-8") as file:
        data = json.loads(file.read(_MOST_BYTES))
    try:
        return Endpoint(**data)
    except TypeError:
        raise ValueError(f"{path} doesn't describe a broker; restart the daemon") from None
