"""The script that a laboratory would write by hand: pyserial, csv, paho, one line and one message a point.

usage: by_hand.py SERIAL_PORT BROKER_PORT FILE POINTS
"""

import csv
import json
import sys

import paho.mqtt.client as mqtt
import serial
from paho.mqtt.enums import CallbackAPIVersion


def main() -> None:
    device, broker, path, points = sys.argv[1:]
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", int(broker))
    client.loop_start()
    with serial.Serial(device, 115200, timeout=5) as port, open(path, "w", newline="") as file:
        print("ready", flush=True)
        rows = csv.writer(file)
        for _ in range(int(points)):
            when, potential, current = map(float, port.readline().split(b","))
            rows.writerow([when, potential, current])
            file.flush()
            client.publish("hand/points", json.dumps({"t": when, "E": potential, "I": current}), qos=1)
    client.publish("hand/end", b"", qos=1).wait_for_publish()
    client.loop_stop()
    client.disconnect()


if __name__ == "__main__":
    main()
