"""Becomes the embedded broker, after tying its life to that of the daemon: the kernel ends it when the daemon is gone.

python -m luggin.daemon.broker_child PARENT_PID COMMAND [ARGUMENT ...]     becomes COMMAND
python -m luggin.daemon.broker_child PARENT_PID --iotcore CONFIGURATION    serves with the bundled broker
"""

import ctypes
import logging
import os
import signal
import sys

PR_SET_PDEATHSIG = 1  # prctl(2)


def main(arguments: list[str]) -> None:
    parent, command = int(arguments[0]), arguments[1:]
    ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGTERM)
    if os.getppid() != parent:  # it died before the kernel was asked
        return
    if command[0] != "--iotcore":
        os.execv(command[0], command)
    from iotcore.iotcore import IotCoreBroker

    # Its router reports every packet as an error record.
    logging.getLogger("rumqttd").setLevel(logging.CRITICAL)
    IotCoreBroker(config_path=command[1]).run_forever()


if __name__ == "__main__":
    main(sys.argv[1:])
