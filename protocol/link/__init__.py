"""The open instrument link: COBS frames, CBOR messages, and the host's end of the conversation.

`LINK.md` beside this file is the specification, enough to write firmware from.  A device needs `frame` (bytes and
frames), `message` (what is said), `codec` (messages and bytes) and `documents` (program and capability).
"""
