"""What went wrong with Bluetooth, in words for a user; and a bound on calls that may wait for ever."""

import asyncio
from collections.abc import Awaitable
from typing import Any, TypeVar

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)

_Result = TypeVar("_Result")
_ENDING = 1.0

_UNAVAILABLE = {
    BleakBluetoothNotAvailableReason.NO_BLUETOOTH: "this machine has no Bluetooth adapter; plug one in",
    BleakBluetoothNotAvailableReason.NO_BLE_CENTRAL_ROLE: "the Bluetooth adapter can't connect to LE devices",
    BleakBluetoothNotAvailableReason.POWERED_OFF: "Bluetooth is switched off; `bluetoothctl power on` switches it on",
    BleakBluetoothNotAvailableReason.DENIED_BY_SYSTEM: "the system denies the use of Bluetooth to this user",
}
_UNPAIRED = {
    BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHENTICATION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHORIZATION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION,
    BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION_KEY_SIZE,
}
_PAIR = "it talks to paired hosts only; pair it once with `bluetoothctl` (scan le, pair, trust), as this machine's user"
_NO_SERVICE = "the Bluetooth service does not answer; is BlueZ installed and running (`systemctl start bluetooth`)?"
_DENIED = "permission denied by the system bus; add the user to the group bluetooth"
_ON_BUS = {
    "org.freedesktop.DBus.Error.ServiceUnknown": _NO_SERVICE,
    "org.freedesktop.DBus.Error.NameHasNoOwner": _NO_SERVICE,
    "org.freedesktop.DBus.Error.NoReply": _NO_SERVICE,
    "org.freedesktop.DBus.Error.AccessDenied": _DENIED,
    "org.bluez.Error.NotReady": "Bluetooth is switched off; `bluetoothctl power on` switches it on",
}


def unavailable(error: BaseException) -> bool:
    """Whether Bluetooth as a whole is not to be had here, so that looking further makes no sense."""
    if isinstance(error, BleakDBusError):
        return error.dbus_error in _ON_BUS
    return isinstance(error, BleakBluetoothNotAvailableError | OSError) and not isinstance(error, TimeoutError)


def reason(error: BaseException) -> str:
    """Why something failed, without a name of the place it failed at."""
    match error:
        case BleakBluetoothNotAvailableError():
            return _UNAVAILABLE.get(error.reason, str(error.args[0]))
        case BleakDBusError() if error.dbus_error in _ON_BUS:
            return _ON_BUS[error.dbus_error]
        case BleakDBusError() if error.dbus_error_details == "Not paired":
            return _PAIR
        case BleakDBusError():
            return error.dbus_error_details or error.dbus_error
        case BleakGATTProtocolError() if error.code in _UNPAIRED:
            return _PAIR
        case TimeoutError():
            return "it did not answer in time"
        case FileNotFoundError() | ConnectionRefusedError():
            return "this machine has no system bus (D-Bus), through which Bluetooth is reached"
    return str(error) or type(error).__name__


async def bounded(work: Awaitable[_Result], seconds: float) -> _Result:
    """The result of `work`.  Raises TimeoutError when it takes longer.

    Unlike with a timeout around it, this ends even where the work, cancelled, waits on: a library that cleans up over
    D-Bus may wait for ever for a service that hangs.  Such work is left behind.
    """
    task = asyncio.ensure_future(work)
    task.add_done_callback(_note)
    try:
        await asyncio.wait({task}, timeout=seconds)
    finally:
        if not task.done():
            task.cancel()
            await asyncio.wait({task}, timeout=_ENDING)
    if not task.done() or task.cancelled():
        raise TimeoutError
    return task.result()


def _note(task: "asyncio.Future[Any]") -> None:
    """What is left behind may fail: nobody is to be told."""
    if not task.cancelled():
        task.exception()
