"""The settings of one daemon: a TOML file, every wrong field reported at once.

[node]               name of this daemon in MQTT topics; the directory of its socket
[store]              where runs are kept
[broker]             absent: a broker of our own on this machine; else the address of the laboratory's broker
[instruments.NAME]   what is connected and what stands in its cell; fields not listed here are the driver's own

A password stands in a file, in a systemd credential or in the environment, never here, on a command line or in a log.
"""

import os
import re
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Self
from urllib.parse import urlsplit

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from luggin.daemon import places
from luggin.daemon.endpoint import Endpoint
from luggin.daemon.settings import InstrumentSettings, InterlockSettings
from luggin.drivers import registry
from luggin.drivers.api import Driver
from luggin.drivers.errors import SettingsError
from luggin.protocol import document, topics
from luggin.protocol.problem import DocumentError, Problem, from_validation
from luggin.protocol.program import Frozen
from luggin.protocol.quantity import Area, Duration

PASSWORD_CREDENTIAL = "broker-password"
KEY_CREDENTIAL = "broker-key"
PASSWORD_VARIABLE = "LUGGIN_BROKER_PASSWORD"
_PORTS = {"mqtt": 1883, "mqtts": 8883}
_LONGEST_PASSWORD = 1024
_LONGEST_RUNTIME = 107 - len("/.sock")  # with the node's name between; unix(7)
_SECRET = re.compile(r"password|passphrase|secret|token|key", re.IGNORECASE)


def _beside_the_file(path: Path, info: ValidationInfo) -> Path:
    base = (info.context or {}).get("directory", Path.cwd())
    return Path(base) / path.expanduser()


ConfiguredPath = Annotated[Path, AfterValidator(_beside_the_file)]


def default_node() -> str:
    """This machine's name, made a topic segment."""
    name = re.sub(r"[^a-z0-9-]+", "-", socket.gethostname().split(".")[0].lower()).strip("-")[:64]
    return name or "node"


class NodeSettings(Frozen):
    name: str = Field(default_factory=default_node, pattern=r"^[a-z0-9-]{1,64}$")
    runtime: ConfiguredPath = Field(default_factory=places.runtime_directory)


class StoreSettings(Frozen):
    path: ConfiguredPath = Field(default_factory=lambda: places.state_directory() / "runs.sqlite")


class BrokerSettings(Frozen):
    """A broker that somebody else runs.  `acl` says that it lets a user write only to commands that bear its name.

    `certificate_file` and `key_file` (PEM) are for a broker that asks its clients for a certificate.
    """

    url: str = Field(max_length=512)
    password_file: ConfiguredPath | None = None
    ca_file: ConfiguredPath | None = None
    certificate_file: ConfiguredPath | None = None
    key_file: ConfiguredPath | None = None
    acl: bool = False
    largest_message: int = Field(128 * 1024, ge=16 * 1024, le=16 * 1024 * 1024)

    @field_validator("url")
    @classmethod
    def _address(cls, url: str) -> str:
        parts = urlsplit(url)
        if parts.password is not None:
            raise ValueError("a password in an address ends up in logs; move it to password_file")
        if parts.scheme not in _PORTS:
            raise ValueError("write mqtt://user@host or mqtts://user@host, if need be with :port")
        try:
            port = parts.port
        except ValueError:
            port = 0
        if not parts.hostname or port == 0 or parts.path.strip("/") or parts.query or parts.fragment:
            raise ValueError("write mqtt://user@host:port with a port from 1 to 65535 and nothing behind it")
        return url

    @model_validator(mode="after")
    def _certificates_with_encryption(self) -> Self:
        given = [name for name in ("ca_file", "certificate_file", "key_file") if getattr(self, name) is not None]
        if given and urlsplit(self.url).scheme != "mqtts":
            raise ValueError(f"{' and '.join(given)} need an encrypted connection; write mqtts://")
        if self.key_file is not None and self.certificate_file is None:
            raise ValueError("key_file without certificate_file; give both")
        return self

    def endpoint(self) -> Endpoint:
        """Where to connect, with the password as it is now.  Raises OSError when its file can't be read."""
        parts = urlsplit(self.url)
        key = self.key_file or (places.credential(KEY_CREDENTIAL) if self.certificate_file else None)
        return Endpoint(
            host=parts.hostname or "",
            port=parts.port or _PORTS[parts.scheme],
            user=parts.username,
            password=self._password(),
            encrypted=parts.scheme == "mqtts",
            ca_file=str(self.ca_file) if self.ca_file else None,
            certificate_file=str(self.certificate_file) if self.certificate_file else None,
            key_file=str(key) if key else None,
            shared=True,
            vouches=self.acl,
            largest_message=self.largest_message,
        )

    def _password(self) -> str | None:
        path = self.password_file or places.credential(PASSWORD_CREDENTIAL)
        if path is None:
            return os.environ.get(PASSWORD_VARIABLE)
        with path.open(encoding="utf-8") as file:
            return file.read(_LONGEST_PASSWORD).strip()


class InterlockSection(Frozen):
    """A topic on which somebody else says `true`, at least each `expires` seconds, for as long as work may go on.  It
    is not safety-rated: a dead broker, too, then ends runs."""

    topic: str = Field(min_length=1, max_length=256)
    expires: Duration = Field(gt=0, le=3600)

    @field_validator("topic")
    @classmethod
    def _plain(cls, topic: str) -> str:
        if any(each in topic for each in "+#\0") or topic.startswith(("$", f"{topics.ROOT}/")):
            raise ValueError(f"give one topic without + and #, and not one of {topics.ROOT}/")
        return topic


class InstrumentSection(BaseModel):
    """One instrument and what stands in its cell; `options` are the driver's own fields."""

    model_config = ConfigDict(frozen=True, extra="allow", allow_inf_nan=False)

    driver: str = Field(pattern=r"^[a-z0-9-]{1,64}$")
    reference: str = Field(min_length=1, max_length=64)
    electrode: str = Field("", max_length=64)
    area: Area | None = Field(None, gt=0)
    notes: str = Field("", max_length=256)
    without_dead_man: bool = False
    interlock: InterlockSection | None = None

    @property
    def options(self) -> dict[str, Any]:
        return dict(self.model_extra or {})

    def settings(self) -> InstrumentSettings:
        known = self.model_dump(exclude={"driver", "interlock", *self.options})
        shown = self.model_dump(mode="json", exclude_none=True)
        interlock = None if self.interlock is None else InterlockSettings(self.interlock.topic, self.interlock.expires)
        public = {k: v for k, v in shown.items() if not _SECRET.search(k)}
        return InstrumentSettings(**known, interlock=interlock, shown=public)


class Document(Frozen):
    """The file as it is written."""

    node: NodeSettings = Field(default_factory=NodeSettings)
    store: StoreSettings = Field(default_factory=StoreSettings)
    broker: BrokerSettings | None = None
    instruments: dict[str, InstrumentSection] = Field(default_factory=dict, max_length=64)


@dataclass(frozen=True)
class Config:
    """Settings that were understood; each instrument by name, with its driver ready to open."""

    node: NodeSettings
    store: StoreSettings
    broker: BrokerSettings | None
    instruments: Mapping[str, tuple[Driver, InstrumentSettings]]


def parse(data: Mapping[str, Any], directory: Path) -> Config:
    """Settings from a decoded document; relative paths count from `directory`.  Raises DocumentError."""
    problems: list[Problem] = []
    settings: Document | None = None
    try:
        settings = Document.model_validate(dict(data), context={"directory": directory})
    except ValidationError as error:
        problems += [_hidden(problem) for problem in from_validation(error)]
    sections = data.get("instruments", {})
    instruments: dict[str, tuple[Driver, InstrumentSettings]] = {}
    for name, section in sections.items() if isinstance(sections, dict) else ():
        problems += _misnamed(str(name))
        try:
            known = InstrumentSection.model_validate(section)
        except ValidationError:
            continue  # reported above
        try:
            instruments[name] = (registry.load(known.driver).parse(known.options), known.settings())
        except SettingsError as error:
            problems += [_within(f"instruments.{name}", problem) for problem in error.problems]
    if settings is not None and len(os.fsencode(settings.node.runtime)) > _LONGEST_RUNTIME - len(settings.node.name):
        reason = "its path is too long for a socket in it"
        problems.append(Problem("node.runtime", str(settings.node.runtime), reason, "choose a shorter one"))
    if settings is None or problems:
        raise DocumentError(problems)
    return Config(settings.node, settings.store, settings.broker, instruments)


def load(path: Path) -> Config:
    """Settings from a file.  Raises DocumentError, and OSError when the file can't be read."""
    with path.open("rb") as file:
        raw = file.read(document.MOST_BYTES + 1)
    return parse(document.read(raw, str(path)), path.resolve().parent)


def find(given: str | None = None) -> Path:
    """The configuration file to use: the one given, else the first that exists.  Raises DocumentError."""
    if given is not None:
        return Path(given)
    places_looked_at = places.configuration_files()
    for path in places_looked_at:
        if path.is_file():
            return path
    looked = " and ".join(map(str, places_looked_at))
    raise DocumentError([Problem("configuration", None, f"no file was found; looked for {looked}", "name one")])


def _misnamed(name: str) -> list[Problem]:
    field = f"instruments.{name}"
    if name == topics.STORE:
        return [Problem(field, None, "this name is taken by the store of runs", "choose another")]
    if not topics.is_segment(name):
        return [Problem(field, None, "a name of an instrument is 1 to 64 of a-z, 0-9 and -", "choose another")]
    return []


def _within(prefix: str, problem: Problem) -> Problem:
    return Problem(f"{prefix}.{problem.field}", problem.value, problem.reason, problem.allowed)


def _hidden(problem: Problem) -> Problem:
    """Without its value, where that may hold a secret."""
    secret = problem.field == "broker.url" or "password" in problem.field
    return Problem(problem.field, None, problem.reason, problem.allowed) if secret else problem
