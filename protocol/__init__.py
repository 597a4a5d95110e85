"""What everything agrees on. Pure: no asyncio, no clock, no files, no sockets, no logging."""
