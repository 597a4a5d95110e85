"""Start a run, draw its curve while it grows, and keep the numbers: plain paho-mqtt, as in a notebook.

usage: python notebook.py HOST PORT USER PASSWORD_FILE NODE INSTRUMENT FIGURE
"""

# %% What we talk to
import json
import queue
import sys
import uuid
from pathlib import Path
from typing import Any

import matplotlib as mpl
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

mpl.use("Agg")
from matplotlib import pyplot as plt

host, port, user, password_file, node, instrument, figure = sys.argv[1:]
base = f"luggin/{node}/{instrument}"
method = {
    "version": 1,
    "name": "outlet",
    "technique": "cyclic-voltammetry",
    "setup": {"reference": "Ag/AgCl (3 M KCl)", "sample": "column outlet, invented"},
    "phases": [
        {
            "phase": "measure",
            "initial_potential": "0 V",
            "first_switching_potential": "0.5 V",
            "second_switching_potential": "0 V",
            "scan_rate": "100 mV/s",
            "step": "2 mV",
        }
    ],
}

# %% Connect; messages wait in a queue until a cell asks for them
messages: "queue.Queue[mqtt.MQTTMessage]" = queue.Queue()
client = mqtt.Client(CallbackAPIVersion.VERSION2)
client.username_pw_set(user, Path(password_file).read_text(encoding="utf-8").strip())
client.on_message = lambda _client, _data, message: messages.put(message)
client.connect(host, int(port))
client.subscribe([(f"{base}/state", 1), (f"{base}/run/#", 1), (f"{base}/reply/{user}", 1)])
client.loop_start()


def newest(kind: str) -> Any:
    """The next message of this kind."""
    while True:
        message = messages.get(timeout=60)
        if message.topic.split("/")[3 if kind in ("state", "reply") else -1] == kind:
            return json.loads(message.payload)


# %% Wait until the instrument is ready, and start with the token of its state
state = newest("state")
while state["state"] != "Idle" or state["cell"] != "off":
    state = newest("state")
start = {
    "version": 1,
    "request": uuid.uuid4().hex,
    "reply_to": f"{base}/reply/{user}",
    "token": state["token"],
    "method": method,
}
client.publish(f"{base}/command/{user}/start", json.dumps(start), qos=1)

# %% Points come in batches of columns, in SI units; the result is the last message of a run
potential: list[float] = []
current: list[float] = []
run, result = None, None
while result is None:
    message = messages.get(timeout=60)
    payload = json.loads(message.payload)
    if message.topic.endswith(f"/reply/{user}"):
        if not payload["accepted"]:
            sys.exit(f"refused: {payload['sentence']} {payload['problems']}")
        run = payload["run"]
    elif message.topic.endswith("/points"):
        potential += payload["columns"]["potential"]
        current += payload["columns"]["current"]
    elif message.topic.endswith("/result"):
        result = payload
client.disconnect()
client.loop_stop()

# %% Draw it, anodic currents up (IUPAC)
plt.plot(potential, [1e6 * each for each in current])
plt.xlabel("E / V against the reference")
plt.ylabel("I / µA")
plt.savefig(figure)
print(json.dumps({"run": run, "points": len(potential), "state": result["state"], "highest": max(current)}))
