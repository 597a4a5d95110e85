"""Text to nested data: TOML or JSON, bounded in size and depth before anything looks at the content."""

import json
import tomllib
from typing import Any

from luggin.protocol.problem import DocumentError, Problem

MOST_BYTES = 64 * 1024
MOST_DEPTH = 8


def read(text: str | bytes, name: str = "document", depth: int = MOST_DEPTH) -> dict[str, Any]:
    """Decode a TOML or JSON document.  Raises DocumentError for anything but a table of bounded size and depth."""
    raw = text.encode() if isinstance(text, str) else text
    if len(raw) > MOST_BYTES:
        raise _refused(name, f"{len(raw)} bytes", f"it is too large; at most {MOST_BYTES} bytes are read")
    try:
        decoded = raw.decode()
        data = json.loads(decoded) if decoded.lstrip().startswith("{") else tomllib.loads(decoded)
    except UnicodeDecodeError as error:
        raise _refused(name, None, f"it is not UTF-8 text (byte {error.start})") from None
    except (tomllib.TOMLDecodeError, json.JSONDecodeError) as error:
        raise _refused(name, None, f"it is neither valid TOML nor valid JSON: {error}") from None
    except (RecursionError, ValueError):
        raise _refused(name, None, f"it is nested too deeply; at most {depth} levels are read") from None
    bounded(data, name, depth)
    return dict(data)


def bounded(data: object, name: str = "document", depth: int = MOST_DEPTH) -> None:
    """Raise DocumentError when nested data goes deeper than `depth`, isn't a table at the top, or holds what is no
    text: JSON can name halves of characters, which can be neither stored nor sent."""
    if not isinstance(data, dict):
        raise _refused(name, None, "it is not a table of named fields")
    level: list[object] = [data]
    for _ in range(depth):
        inner: list[object] = []
        for each in level:
            if isinstance(each, str) and not _is_text(each):
                raise _refused(name, None, "it holds half a character (a surrogate without its other half)")
            if isinstance(each, dict):
                inner.extend(each)
                inner.extend(each.values())
            elif isinstance(each, list | tuple):
                inner.extend(each)
        level = inner
        if not level:
            return
    raise _refused(name, None, f"it is nested too deeply; at most {depth} levels are read")


def _is_text(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _refused(name: str, value: object, reason: str) -> DocumentError:
    return DocumentError([Problem(name, value, reason)])
