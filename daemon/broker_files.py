"""What the embedded broker is told: its configuration, passwords and access control, in a directory of its own."""

import base64
import hashlib
import os
import secrets
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Literal

from luggin.daemon import places

Kind = Literal["mosquitto", "iotcore"]
HOST = "127.0.0.1"
DAEMON_USER, LOCAL_USER = "luggin-daemon", "local"
LARGEST_PACKET = 1024 * 1024

# A client that lags is cut off from QoS 1 messages beyond this, silently; 64 MB hold an hour of a dense run.
_MOSQUITTO = """\
listener {port} {host}
allow_anonymous false
password_file {directory}/passwords
acl_file {directory}/acl
{user}persistence false
set_tcp_nodelay true
max_packet_size {largest}
max_inflight_messages 100
max_queued_messages 100000
max_queued_bytes 67108864
connection_messages false
log_dest stderr
log_type error
log_type warning
log_type notice
"""

_ACL = """\
user {daemon}
topic readwrite luggin/#

user {local}
topic read luggin/#

pattern write luggin/+/+/command/%u/+
"""

# Its log of messages lies in memory, up to segments times size for each subscription filter.  The MQTT 5 listener
# stays off: it disconnects 3.1.1 subscribers when a message bears properties.
_IOTCORE = """\
id = 0
[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 200
max_segment_size = {largest}
max_segment_count = 8
[v4.1]
name = "loopback"
listen = "{host}:{port}"
next_connection_delay_ms = 1
[v4.1.connections]
connection_timeout_ms = 10000
max_payload_size = {largest}
max_inflight_count = 100
dynamic_filters = false
[v4.1.connections.auth]
{users}
"""


def find_mosquitto() -> str | None:
    """Its path, also where distributions put it outside the path of ordinary users."""
    return shutil.which("mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin")


def write(kind: Kind, directory: Path, port: int, passwords: Mapping[str, str]) -> list[str]:
    """Write the files of one start; returns the arguments of broker_child.  Raises OSError.

    `passwords` are those of DAEMON_USER and LOCAL_USER.
    """
    places.private(directory)
    return _mosquitto(directory, port, passwords) if kind == "mosquitto" else _iotcore(directory, port, passwords)


def _mosquitto(directory: Path, port: int, passwords: Mapping[str, str]) -> list[str]:
    program = find_mosquitto()
    if program is None:
        raise FileNotFoundError(2, "it is not installed any more", "mosquitto")
    users = "".join(f"{user}:{_hashed(password)}\n" for user, password in passwords.items())
    # Started by root it would become a user that may not read these files.
    user = "user root\n" if os.geteuid() == 0 else ""
    text = _MOSQUITTO.format(port=port, host=HOST, directory=directory, user=user, largest=LARGEST_PACKET)
    places.write_private(directory / "passwords", users)
    places.write_private(directory / "acl", _ACL.format(daemon=DAEMON_USER, local=LOCAL_USER))
    places.write_private(directory / "mosquitto.conf", text)
    return [program, "-c", str(directory / "mosquitto.conf")]


def _iotcore(directory: Path, port: int, passwords: Mapping[str, str]) -> list[str]:
    users = "\n".join(f'{user} = "{password}"' for user, password in passwords.items())
    text = _IOTCORE.format(port=port, host=HOST, largest=LARGEST_PACKET, users=users)
    places.write_private(directory / "iotcore.toml", text)
    return ["--iotcore", str(directory / "iotcore.toml")]


def _hashed(password: str) -> str:
    """As mosquitto stores it: PBKDF2 with SHA-512, see mosquitto_passwd(1)."""
    salt, rounds = secrets.token_bytes(12), 101
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, rounds)
    return f"$7${rounds}${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}"
