"""The model of BlueZ as a program: on the bus of the environment, obeying words on its standard input, one a line."""

import asyncio
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.fake_bluez import FakeBlueZ


async def main() -> None:
    """Words: drop, forget, die, live."""
    bluez = FakeBlueZ()
    await bluez.start()
    _say("ready")
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while word := (await reader.readline()).decode().strip():
        match word:
            case "drop":
                await bluez.drop()
            case "forget":
                await bluez.drop()
                bluez.forget()
            case "die":
                await bluez.die()
            case "live":
                await bluez.start()
        _say(word)


def _say(word: str) -> None:
    sys.stdout.write(f"{word}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    asyncio.run(main())
