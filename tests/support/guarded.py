"""A mosquitto of a laboratory that lets in only whom it knows: users, roles, and encryption if wanted."""

import asyncio
import subprocess
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path

from luggin.daemon import acl
from luggin.daemon.acl import User
from luggin.daemon.broker import _free_port
from luggin.daemon.broker_files import _hashed, find_mosquitto
from luggin.daemon.endpoint import Endpoint

PASSWORD = "fjord-lantern-{}"  # invented
_PLAIN = """\
listener {port} 127.0.0.1
allow_anonymous false
password_file {folder}/passwords
acl_file {folder}/acl
max_queued_messages 100000
user root
"""
_ENCRYPTED = """\
cafile {folder}/authority.pem
certfile {folder}/broker.pem
keyfile {folder}/broker.key
require_certificate true
"""


@dataclass(frozen=True)
class Guarded:
    port: int
    folder: Path
    encrypted: bool

    @property
    def url(self) -> str:
        return f"mqtts://localhost:{self.port}" if self.encrypted else f"mqtt://127.0.0.1:{self.port}"

    def access(self, user: str) -> Endpoint:
        files = (str(self.folder / name) for name in ("authority.pem", "client.pem", "client.key"))
        ca, certificate, key = files if self.encrypted else (None, None, None)
        host = "localhost" if self.encrypted else "127.0.0.1"
        return Endpoint(
            host,
            self.port,
            user,
            PASSWORD.format(user),
            encrypted=self.encrypted,
            ca_file=ca,
            certificate_file=certificate,
            key_file=key,
            vouches=True,
            shared=True,
        )

    def password_file(self, user: str) -> Path:
        path = self.folder / f"{user}.password"
        path.write_text(PASSWORD.format(user) + "\n")
        path.chmod(0o600)
        return path


def write(folder: Path, parts: Mapping[str, acl.Part], encrypted: bool) -> Guarded:
    """The broker's files; `parts` is the role of each user."""
    folder.mkdir(exist_ok=True)
    port = _free_port()
    (folder / "acl").write_text(acl.text([User(name, part) for name, part in parts.items()]))
    (folder / "passwords").write_text("".join(f"{name}:{_hashed(PASSWORD.format(name))}\n" for name in parts))
    text = _PLAIN + (_ENCRYPTED if encrypted else "")
    (folder / "mosquitto.conf").write_text(text.format(port=port, folder=folder))
    if encrypted:
        _certify(folder)
    return Guarded(port, folder, encrypted)


@asynccontextmanager
async def guarded(folder: Path, parts: Mapping[str, acl.Part], encrypted: bool = False) -> AsyncIterator[Guarded]:
    where = write(folder, parts, encrypted)
    program = find_mosquitto()
    assert program is not None
    command = (program, "-c", str(folder / "mosquitto.conf"))
    process = await asyncio.create_subprocess_exec(*command, stderr=asyncio.subprocess.PIPE)
    assert process.stderr is not None
    while b"running" not in await process.stderr.readline():
        pass
    try:
        yield where
    finally:
        process.terminate()
        await process.communicate()


def _certify(folder: Path) -> None:
    """An authority, and certificates of the broker and of a client that it signed."""
    # From Python 3.13 on an authority has to say that it signs certificates (RFC 5280, 4.2.1.3).
    authority = ("-subj", "/CN=authority", "-addext", "keyUsage=critical,keyCertSign")
    _openssl("req", "-x509", *_key(folder, "authority"), "-out", f"{folder}/authority.pem", *authority)
    for name, host in (("broker", "localhost"), ("client", "bench")):
        request = f"{folder}/{name}.csr"
        _openssl("req", *_key(folder, name), "-out", request, "-subj", f"/CN={host}")
        (folder / "names").write_text(f"subjectAltName=DNS:{host}\nauthorityKeyIdentifier=keyid\n")
        signer = ("-CA", f"{folder}/authority.pem", "-CAkey", f"{folder}/authority.key", "-CAcreateserial")
        more = ("-days", "2", "-extfile", f"{folder}/names")
        _openssl("x509", "-req", "-in", request, *signer, "-out", f"{folder}/{name}.pem", *more)


def _key(folder: Path, name: str) -> tuple[str, ...]:
    kind = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    return (*kind, "-keyout", f"{folder}/{name}.key")


def _openssl(*arguments: str) -> None:
    subprocess.run(["openssl", *arguments], check=True, capture_output=True)
