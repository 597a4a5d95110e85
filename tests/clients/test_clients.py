"""Other people's software as clients, against a real daemon and a mosquitto with users and roles."""

import json
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from luggin.daemon.acl import Part
from luggin.daemon.broker import _free_port
from luggin.daemon.broker_files import _hashed, find_mosquitto
from support.guarded import PASSWORD, Guarded, write
from support.npm import needs_packages
from support.road import LUGGIN, REFERENCE, has_mosquitto

HERE = Path(__file__).parent
PARTS: dict[str, Part] = {"bench": "daemon", "ada": "operate", "gallery": "view"}
pytestmark = [pytest.mark.long, has_mosquitto, pytest.mark.timeout(120)]
CONFIGURATION = """
[node]
name = "bench"
[store]
path = "{folder}/runs.sqlite"
[broker]
url = "{url}"
password_file = "{password}"
acl = true
[instruments.left]
driver = "sim"
cell = "redox-probe"
speed = 5
reference = "{reference}"
"""
HOLD: dict[str, Any] = {
    "version": 1,
    "name": "hold",
    "technique": "chronoamperometry",
    "setup": {"reference": REFERENCE, "sample": "column outlet, invented"},
    "phases": [{"phase": "measure", "potential": "0.1 V", "duration": "600 s", "period": "50 ms"}],
}


@dataclass(frozen=True)
class Laboratory:
    broker: Guarded
    folder: Path

    def url(self, user: str) -> str:
        return f"mqtt://{user}@127.0.0.1:{self.broker.port}"

    def luggin(self, *arguments: str) -> Any:
        there = ("--broker", self.url("ada"), "--password-file", str(self.broker.password_file("ada")))
        done = subprocess.run([*LUGGIN, *arguments, "--json", *there], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)

    def ready(self) -> None:
        """Wait for an instrument that takes a run."""
        while True:
            state = self.luggin("status", "--node", "bench")["state"]["left"]
            if state["state"] == "Aborted":
                self.luggin("clear", "-i", "bench/left")
            elif (state["state"], state["cell"], state["link"]) == ("Idle", "off", "up"):
                return

    def start(self) -> str:
        path = self.folder / "hold.json"
        path.write_text(json.dumps(HOLD), encoding="utf-8")
        return str(self.luggin("run", str(path), "-i", "bench/left", "--detach")["run"])


@pytest.fixture(scope="module")
def laboratory(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Laboratory]:
    folder = tmp_path_factory.mktemp("laboratory")
    broker = write(folder / "broker", PARTS, encrypted=False)
    text = CONFIGURATION.format(
        folder=folder,
        url=broker.url.replace("//", "//bench@"),
        password=broker.password_file("bench"),
        reference=REFERENCE,
    )
    (folder / "luggin.toml").write_text(text, encoding="utf-8")
    environment = {**os.environ, "XDG_RUNTIME_DIR": str(folder), "HOME": str(folder)}
    with (
        running(str(find_mosquitto()), "-c", str(broker.folder / "mosquitto.conf"), until="running"),
        running(
            *LUGGIN, "serve", "--config", str(folder / "luggin.toml"), until="connected to", environment=environment
        ),
    ):
        yield Laboratory(broker, folder)


@contextmanager
def running(*command: str, until: str, environment: dict[str, str] | None = None) -> Iterator[subprocess.Popen[str]]:
    """A process, once it has said what is waited for; what else it says goes to a file."""
    with ExitStack() as stack:
        said = stack.enter_context(open(os.memfd_create("said"), "r+", encoding="utf-8", errors="replace"))
        process = stack.enter_context(subprocess.Popen(command, env=environment, stdout=said, stderr=said, text=True))
        try:
            wait_for_words(process, said.fileno(), until)
            yield process
        finally:
            process.terminate()


def wait_for_words(process: subprocess.Popen[str], descriptor: int, words: str) -> None:
    while words not in (text := os.pread(descriptor, 2**20, 0).decode(errors="replace")):
        assert process.poll() is None, text
        time.sleep(0.05)  # nothing tells


@pytest.mark.skipif(shutil.which("mosquitto_sub") is None, reason="needs mosquitto-clients")
def test_a_shell_script_follows_and_stops(laboratory: Laboratory, tmp_path: Path) -> None:
    laboratory.ready()
    for name in ("mosquitto_sub", "mosquitto_pub"):
        options = f"-h 127.0.0.1\n-p {laboratory.broker.port}\n-u ada\n-P {PASSWORD.format('ada')}\n"
        (tmp_path / name).write_text(options, encoding="utf-8")
        (tmp_path / name).chmod(0o600)
    command = [str(HERE / "follow.sh"), "bench", "left", "ada", "3"]
    environment = {**os.environ, "XDG_CONFIG_HOME": str(tmp_path)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, env=environment, text=True) as script:
        run = laboratory.start()
        out, _ = script.communicate(timeout=60)
    *batches, result = [json.loads(each) for each in out.splitlines()]
    assert len(batches) >= 3
    assert {each["run"] for each in batches} == {run} == {result["run"]}
    assert result["state"] == "Stopped"
    assert result["cell"] == "off"


@needs_packages(HERE)
def test_node_follows_and_aborts(laboratory: Laboratory) -> None:
    laboratory.ready()
    password = str(laboratory.broker.password_file("ada"))
    command = ["node", str(HERE / "follow.mjs"), laboratory.url("ada"), password, "bench", "left", "40"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as script:
        assert script.stdout is not None
        assert script.stdout.readline() == "ready\n"
        run = laboratory.start()
        out, err = script.communicate(timeout=60)
    assert (script.returncode, err) == (0, "")
    reply, result = [json.loads(each) for each in out.splitlines()]
    assert reply["reply"]["accepted"]
    assert (result["result"]["run"], result["result"]["state"]) == (run, "Aborted")
    assert result["result"]["cell"] == "off"
    assert 40 <= result["points"] <= result["result"]["points"]


@needs_packages(HERE)
def test_a_node_red_flow_draws_and_stops(laboratory: Laboratory, tmp_path: Path) -> None:
    laboratory.ready()
    for name in ("flow.json", "settings.js"):
        shutil.copy(HERE / "node-red" / name, tmp_path / name)
    credentials = {"broker": {"user": "ada", "password": PASSWORD.format("ada")}}
    (tmp_path / "flow_cred.json").write_text(json.dumps(credentials), encoding="utf-8")
    (tmp_path / "flow_cred.json").chmod(0o600)
    figure = tmp_path / "run.svg"
    environment = {
        **os.environ,
        "NODE_RED_PORT": str(_free_port()),
        "LUGGIN_HOST": "127.0.0.1",
        "LUGGIN_PORT": str(laboratory.broker.port),
        "LUGGIN_USER": "ada",
        "LUGGIN_INSTRUMENT": "left",
        "LUGGIN_POINTS": "60",
        "LUGGIN_FIGURE": str(figure),
    }
    program = str(HERE / "node_modules" / ".bin" / "node-red")
    arguments = ("--userDir", str(tmp_path), "--settings", str(tmp_path / "settings.js"))
    with running(program, *arguments, until="Connected to broker", environment=environment):
        run = laboratory.start()
        while not figure.exists() or not figure.read_text(encoding="utf-8").endswith("</svg>\n"):
            time.sleep(0.05)
    drawing = ElementTree.fromstring(figure.read_text(encoding="utf-8"))
    title = drawing.findtext("{http://www.w3.org/2000/svg}title") or ""
    found = re.fullmatch(r"(\S+): (\d+) points, (\w+)", title)
    assert found is not None
    assert (found[1], found[3]) == (run, "Stopped")
    points = drawing[1].attrib["points"].split()
    assert len(points) == int(found[2]) >= 60


def test_a_notebook_measures_and_draws(laboratory: Laboratory, tmp_path: Path) -> None:
    laboratory.ready()
    figure = tmp_path / "curve.png"
    where = ["127.0.0.1", str(laboratory.broker.port), "ada", str(laboratory.broker.password_file("ada"))]
    command = [sys.executable, str(HERE / "notebook.py"), *where, "bench", "left", str(figure)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=100)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    shown = laboratory.luggin("show", told["run"], "--node", "bench")
    assert (told["state"], told["points"]) == ("Complete", shown["points"])
    assert 1e-7 < told["highest"] < 1e-3
    assert figure.read_bytes().startswith(b"\x89PNG")


def test_a_bridge_shows_everything_and_lets_nothing_back(laboratory: Laboratory, tmp_path: Path) -> None:
    laboratory.ready()
    port = _free_port()
    text = (HERE / "bridge.conf").read_text(encoding="utf-8")
    for old, new in (
        ("listener 1884", f"listener {port}"),
        ("password_file passwords", f"password_file {tmp_path}/passwords\nuser root"),
        ("acl_file acl", f"acl_file {tmp_path}/acl"),
        ("broker.example:1883", f"127.0.0.1:{laboratory.broker.port}"),
        ("from-your-administrator", PASSWORD.format("gallery")),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    (tmp_path / "bridge.conf").write_text(text, encoding="utf-8")
    (tmp_path / "passwords").write_text(f"visitor:{_hashed('a visitor')}\n", encoding="utf-8")
    (tmp_path / "acl").write_text("user visitor\ntopic readwrite luggin/#\n", encoding="utf-8")
    there = ["-p", str(port), "-u", "visitor", "-P", "a visitor", "-q", "1"]
    with running(str(find_mosquitto()), "-c", str(tmp_path / "bridge.conf"), until="running"):
        listen = ["mosquitto_sub", *there, "-v", "-t", "luggin/#"]
        with subprocess.Popen(listen, stdout=subprocess.PIPE, text=True) as subscriber:
            assert subscriber.stdout is not None
            seen = [subscriber.stdout.readline()]
            while "/status " not in seen[-1] and "/state " not in seen[-1]:
                seen.append(subscriber.stdout.readline())
            run = laboratory.start()
            while f"/run/{run}/points " not in seen[-1]:
                seen.append(subscriber.stdout.readline())
            # An abort at the second broker, in whoever's name, does not reach the laboratory.
            for name in ("ada", "gallery", "visitor"):
                order = ["-t", f"luggin/bench/left/command/{name}/abort", "-m", '{"request": "abort-1"}']
                subprocess.run(["mosquitto_pub", *there, *order], check=True)
            for _ in range(3):
                while f"/run/{run}/points " not in (line := subscriber.stdout.readline()):
                    assert "/result " not in line
            assert laboratory.luggin("status", "--node", "bench")["state"]["left"]["state"] == "Execute"
            laboratory.luggin("stop", "-i", "bench/left")
            while f"/run/{run}/result " not in (line := subscriber.stdout.readline()):
                pass
            subscriber.terminate()
    assert json.loads(line.partition(" ")[2])["state"] == "Stopped"
