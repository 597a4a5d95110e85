"""A subscriber in a process of its own that notes when which points came; it reads no more of them than it must.

usage: subscriber.py PORT TOPIC [FILE]; prints `ready`, then one JSON object for each message to a topic that ends in
/result or /end: how many points of which run came, and (time, index of the first, count) of each message.  Points are
taken as in payloads.Points; a message without a count is one point.  With a FILE, payloads are kept there, one a line.
"""

import contextlib
import json
import re
import sys
import time
from collections import defaultdict
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

_HEAD = re.compile(rb'"run":"([^"]+)".*?"first":(\d+),"count":(\d+)')


def main() -> None:
    port, topic, *file = sys.argv[1:]
    came: dict[str, list[tuple[float, int, int]]] = defaultdict(list)

    with contextlib.ExitStack() as stack:
        kept = stack.enter_context(open(file[0], "wb")) if file else None

        def on_message(_client: mqtt.Client, _: Any, message: mqtt.MQTTMessage) -> None:
            now = time.monotonic()
            kind = message.topic.rpartition("/")[2]
            if kind == "points":
                head = _HEAD.search(message.payload[:200])
                run, first, count = (head[1].decode(), int(head[2]), int(head[3])) if head else ("", len(came[""]), 1)
                came[run].append((now, first, count))
                if kept is not None:
                    kept.write(message.payload + b"\n")
            elif kind in ("result", "end"):
                if kept is not None:
                    kept.flush()
                told = {run: {"points": sum(c for *_, c in each), "messages": each} for run, each in came.items()}
                sys.stdout.write(json.dumps(told) + "\n")
                sys.stdout.flush()

        def on_subscribe(*_: object) -> None:
            sys.stdout.write("ready\n")
            sys.stdout.flush()

        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.on_message, client.on_subscribe = on_message, on_subscribe
        client.connect("127.0.0.1", int(port))
        client.subscribe(topic, qos=1)
        client.loop_forever()


if __name__ == "__main__":
    main()
