"""Where files live: systemd's directories when it started us, else those of the XDG base directory specification.

systemd names its directories in the environment (systemd.exec(5): STATE_DIRECTORY, RUNTIME_DIRECTORY,
CONFIGURATION_DIRECTORY, CREDENTIALS_DIRECTORY); a variable may hold several, separated by colons, the first counts.
"""

import os
from pathlib import Path

NAME = "luggin"
SYSTEM_CONFIGURATION = Path("/etc/luggin")
SYSTEM_RUNTIME = Path("/run/luggin")


def _named(variable: str) -> Path | None:
    first = os.environ.get(variable, "").split(":")[0]
    return Path(first) if first.startswith("/") else None


def _home(*parts: str) -> Path:
    return Path.home().joinpath(*parts)


def configuration_files() -> list[Path]:
    """The configuration files that are looked for, in this order."""
    directories = [_named("CONFIGURATION_DIRECTORY")]
    directories.append((_named("XDG_CONFIG_HOME") or _home(".config")) / NAME)
    directories.append(SYSTEM_CONFIGURATION)
    return [directory / f"{NAME}.toml" for directory in directories if directory is not None]


def state_directory() -> Path:
    """Data that must outlive a reboot."""
    return _named("STATE_DIRECTORY") or (_named("XDG_STATE_HOME") or _home(".local", "state")) / NAME


def runtime_directory() -> Path:
    """Sockets and credentials of running daemons; a temporary file system where the machine has one."""
    return runtime_directories()[0]


def runtime_directories() -> list[Path]:
    """Where a daemon of this user or of this machine may have put its socket, the likeliest first."""
    named, session = _named("RUNTIME_DIRECTORY"), _named("XDG_RUNTIME_DIR")
    own = [named] if named else [session / NAME] if session else [state_directory() / "run"]
    return [*own, SYSTEM_RUNTIME] if own != [SYSTEM_RUNTIME] else own


def closed_to_us() -> Path | None:
    """Such a directory that another user's daemon keeps to itself, or None."""
    there = (each for each in runtime_directories() if each.is_dir())
    return next((each for each in there if not os.access(each, os.R_OK | os.X_OK)), None)


def credential(name: str) -> Path | None:
    """A secret that systemd hands over (LoadCredential=), or None when there is none of this name."""
    directory = _named("CREDENTIALS_DIRECTORY")
    path = directory / name if directory else None
    return path if path is not None and path.is_file() else None


def private(directory: Path) -> Path:
    """Make a directory that only its owner may enter.  Raises OSError; PermissionError for somebody else's."""
    directory.mkdir(mode=0o700, parents=True, exist_ok=True)
    status = directory.stat()
    if status.st_uid != os.geteuid():
        raise PermissionError(1, "it belongs to another user; remove it or choose another directory", str(directory))
    if status.st_mode & 0o077:
        directory.chmod(0o700)
    return directory


def write_private(path: Path, text: str) -> None:
    """Replace a file in one step by one that only its owner may read.  Raises OSError."""
    fresh = path.with_name(path.name + ".new")
    fresh.unlink(missing_ok=True)
    descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(text)
    fresh.replace(path)
